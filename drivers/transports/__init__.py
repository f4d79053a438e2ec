"""Ways by which a gauge's bytes, or a person's typing, come in."""
