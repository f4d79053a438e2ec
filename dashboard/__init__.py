"""Show the bench: one page that reads the door's snapshots and hands actions back through it."""
