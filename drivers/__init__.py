"""From the bytes that a gauge sends to a `Reading` in whole nanometres.

`Gauge` reads one at a serial port or over Bluetooth LE, as its profile says, and keeps the connection; `TypedGauge`
takes what a person types; `SimulatedGauge` is the far end of a cable for trying things out. `SteadyCapture` takes the
settled value of a stream. `load_profiles` says what kinds of gauge there are, `serial_ports` which ports,
`bluetooth_devices` which are heard, `named_gauges` which a person has named and `find_port` where one is. `Recording`
keeps what came, byte for byte, and `replayed` plays it. This package knows no fret, no session and no table.
"""

from drivers.discovery import PortInfo, bluetooth_devices, serial_ports
from drivers.errors import (
    DriverError,
    FrameError,
    LinkLostError,
    NamedGaugesError,
    NotStillError,
    PortBusyError,
    PortDeniedError,
    PortError,
    PortNotFoundError,
    ProfileError,
    RadioUnavailableError,
    RecordingError,
    SilenceError,
)
from drivers.gauge import Gauge
from drivers.gauge_state import Backoff, GaugeState
from drivers.known import NamedGauge, find_port, named_gauges, save_gauge
from drivers.profiles import Profile, SerialSettings, load_profiles
from drivers.reading import Clock, Instant, Reading, system_clock, to_nm
from drivers.recording import Recorded, Recording, read_recording
from drivers.replay import replayed
from drivers.simulated import SimulatedGauge
from drivers.steady import CaptureSettings, Settled, Steadiness, SteadyCapture
from drivers.transports.advertised import Advertised
from drivers.transports.typed import TypedGauge, TypedValue, parse_typed

__all__ = [
    "Advertised",
    "Backoff",
    "CaptureSettings",
    "Clock",
    "DriverError",
    "FrameError",
    "Gauge",
    "GaugeState",
    "Instant",
    "LinkLostError",
    "NamedGauge",
    "NamedGaugesError",
    "NotStillError",
    "PortBusyError",
    "PortDeniedError",
    "PortError",
    "PortInfo",
    "PortNotFoundError",
    "Profile",
    "ProfileError",
    "RadioUnavailableError",
    "Reading",
    "Recorded",
    "Recording",
    "RecordingError",
    "SerialSettings",
    "Settled",
    "SilenceError",
    "SimulatedGauge",
    "Steadiness",
    "SteadyCapture",
    "TypedGauge",
    "TypedValue",
    "bluetooth_devices",
    "find_port",
    "load_profiles",
    "named_gauges",
    "parse_typed",
    "read_recording",
    "replayed",
    "save_gauge",
    "serial_ports",
    "system_clock",
    "to_nm",
]
