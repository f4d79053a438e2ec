"""How many of something, in words that agree."""


def counted(number: int, noun: str) -> str:
    """Return ``1 row``, ``2 rows``; a table's name may stand for the noun."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def are(number: int) -> str:
    """Return the verb that goes with so many."""
    return "is" if number == 1 else "are"
