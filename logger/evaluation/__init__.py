"""The trade's mathematics and metrology: pure functions, no clock, no file, no table."""
