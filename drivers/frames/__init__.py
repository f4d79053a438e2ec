"""Pure decoders: bytes of a wire in, numbers out. No port, clock or thread here."""
