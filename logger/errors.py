"""What can go wrong between a gauge's reading and a kept record.

LoggerError
    InputFileError (ValueError)      a file that a person wrote does not hold
        InstrumentError              an instrument description
        LimitsError                  a limits file
        GaugesError                  a gauges file
        ReadingsFileError            a readings file
        KeyFileError                 a signing key, a public key or a certificate
        AttachmentError              a file that is to be attached
    RecordError (ValueError)         a record that is not what was sealed; the message is the reason
    StoreError                       the session store
        StoreVersionError            written by a newer program
        StoreForeignError            not a session store
        StoreBusyError               another program owns it
        StoreLossError               it does not hold what it held
            WitnessError             its witness is broken or cannot be read
        StoreConflictError           the same key with other content
        SessionNotFoundError (LookupError)
    ShopError                        the shop's database, which many benches send to
    SheetError                       a request that the sheet's state does not allow
    InsufficientDataError (ValueError)   too few readings to answer; shown, never a crash
"""

from pathlib import Path


class LoggerError(Exception):
    """Root of what this package raises; never raised bare."""


class InputFileError(LoggerError, ValueError):
    """A file that a person wrote does not hold."""


class InstrumentError(InputFileError):
    """An instrument description does not hold."""


class LimitsError(InputFileError):
    """A limits file does not hold."""


class GaugesError(InputFileError):
    """A gauges file does not hold."""


class ChoicesError(InputFileError):
    """A file of wires and blades to choose from does not hold."""


class ReadingsFileError(InputFileError):
    """A readings file does not hold."""


class KeyFileError(InputFileError):
    """A signing key, a public key or a certificate does not hold."""


class AttachmentError(InputFileError):
    """A file that is to be attached does not hold."""


class RecordError(LoggerError, ValueError):
    """A record, or a chain of them, is not what was sealed; the message is the reason."""


class StoreError(LoggerError):
    """The session store at ``path`` cannot do what was asked."""

    def __init__(self, message: str, *, path: Path) -> None:
        super().__init__(message)
        self.path = path


class StoreVersionError(StoreError):
    """The store was written by a newer program: ``found`` is its version, ``known`` is ours."""

    def __init__(self, message: str, *, path: Path, found: int, known: int) -> None:
        super().__init__(message, path=path)
        self.found = found
        self.known = known


class StoreForeignError(StoreError):
    """The file is not a session store."""


class StoreBusyError(StoreError):
    """Another program owns the store."""


class StoreLossError(StoreError):
    """The store does not hold what it held when its witness was written."""


class WitnessError(StoreLossError):
    """The witness of the store is broken or cannot be read: ``found`` says how, ``remedy`` what to do."""

    def __init__(self, found: str, remedy: str, *, path: Path) -> None:
        super().__init__(f"{found}; {remedy}", path=path)
        self.found = found
        self.remedy = remedy


class StoreConflictError(StoreError):
    """A row with the same key and other content is already kept."""


class SessionNotFoundError(StoreError, LookupError):
    """The store holds no such session."""


class ShopError(LoggerError):
    """The shop's database cannot do what was asked; nothing is lost at the bench."""


class SheetError(LoggerError):
    """The sheet's state does not allow what was asked."""


class InsufficientDataError(LoggerError, ValueError):
    """Too few readings to answer."""
