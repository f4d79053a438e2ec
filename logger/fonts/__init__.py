"""The typeface of printed sheets, with its licence."""
