"""What can go wrong between a gauge and its reading.

DriverError
    PortError                       a port cannot be used; ``port`` names it
        PortNotFoundError           nothing is there
        PortBusyError               another program has it
        PortDeniedError             this person may not open it
        RadioUnavailableError       this computer's Bluetooth is off, away or not running
    LinkLostError                   a gauge that was connected is gone
    SilenceError (TimeoutError)     a gauge is connected but sends nothing
    NotStillError                   a press came while the gauge was moving
    FrameError (ValueError)         what came is not a measurement; ``frame`` holds it
    ProfileError (ValueError)       a profile file does not hold
    NamedGaugesError (ValueError)   the file of named gauges does not hold
    RecordingError (ValueError)     a recording cannot be written or does not hold
"""

from datetime import datetime


class DriverError(Exception):
    """Root of what this package raises; never raised bare."""


class PortError(DriverError):
    """The port named ``port`` cannot be used."""

    def __init__(self, message: str, *, port: str) -> None:
        super().__init__(message)
        self.port = port


class PortNotFoundError(PortError):
    """Nothing is connected under this name."""


class PortBusyError(PortError):
    """Another program, or another gauge of this one, has the port open."""


class PortDeniedError(PortError):
    """This person may not open the port."""


class RadioUnavailableError(PortError):
    """This computer's Bluetooth cannot be used, whichever gauge is asked for."""


class LinkLostError(DriverError):
    """A connected gauge is gone; ``last_at`` is when its last bytes came (UTC), None if none did."""

    def __init__(self, message: str, *, gauge: str, port: str, last_at: datetime | None = None) -> None:
        super().__init__(message)
        self.gauge = gauge
        self.port = port
        self.last_at = last_at


class SilenceError(DriverError, TimeoutError):
    """A gauge sent no reading for ``waited_s`` seconds."""

    def __init__(self, message: str, *, gauge: str, waited_s: float) -> None:
        super().__init__(message)
        self.gauge = gauge
        self.waited_s = waited_s


class NotStillError(DriverError):
    """A press asked for the settled value of a gauge that was not still."""


class FrameError(DriverError, ValueError):
    """The bytes ``frame`` are not a measurement; ``reason`` is the whole sentence."""

    def __init__(self, frame: bytes, reason: str) -> None:
        super().__init__(frame, reason)
        self.frame = frame
        self.reason = reason

    def __str__(self) -> str:
        return self.reason


class ProfileError(DriverError, ValueError):
    """The profile in ``file`` does not hold; ``key`` is the key at fault, empty for the whole file."""

    def __init__(self, message: str, *, file: str, key: str = "") -> None:
        super().__init__(message)
        self.file = file
        self.key = key


class NamedGaugesError(DriverError, ValueError):
    """The file of named gauges, ``file``, cannot be used or does not hold; ``rule`` says why."""

    def __init__(self, rule: str, *, file: str) -> None:
        super().__init__(f"gauges file {file!r} {rule}")
        self.file = file


class RecordingError(DriverError, ValueError):
    """The recording in ``file`` cannot be written, cannot be read or does not hold; ``rule`` says why."""

    def __init__(self, rule: str, *, file: str) -> None:
        super().__init__(f"recording {file!r} {rule}")
        self.file = file
