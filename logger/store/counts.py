"""Compare a store with its witness by counts alone, beside a command that only reads it."""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Final

from logger.store.connect import open_reader, resolve, store_id_of
from logger.store.witness import another_store, lost_rows, witness_or_words

_INSPECT: Final = "`fretledger store inspect` says what it is and what to do"


def not_as_witnessed(path: Path | str) -> str:
    """Say in one line that a store does not hold what its witness counted; empty where it does, or has no witness.

    What was changed, or deleted from between others, is for `logger.store.inspection.inspect` to find.

    Raises:
        StoreError: if there is no such store or it cannot be read.
    """
    path = resolve(path)
    wrong: list[str] = []
    witness = witness_or_words(path, wrong)  # before the rows, which a bench may add to meanwhile
    if witness is None:
        return f"what is read here is compared with no witness: {wrong[0]}; {_INSPECT}" if wrong else ""
    with closing(open_reader(path)) as connection:
        try:
            other = another_store(witness, store_id_of(connection, path))
            wrong = [other] if other else lost_rows(connection, witness)
        except sqlite3.Error as error:
            return f"the rows of session store {path} cannot be counted ({error}); {_INSPECT}"
    return f"session store {path} is not what its witness saw: {'; '.join(wrong)}; {_INSPECT}" if wrong else ""
