"""From the bytes that a gauge sends to a `Reading` in whole nanometres.

`Gauge` reads one at a serial port or over Bluetooth LE, as its profile says, and keeps the connection; `TypedGauge`
takes what a person types; `SimulatedGauge` is the far end of a cable for trying things out. `SteadyCapture` takes the
settled value of a stream. `load_profiles` says what kinds of gauge there are, `serial_ports` which ports,
`nearby_gauges` which are heard over Bluetooth. This package knows no fret, no session and no table.
"""

from drivers.discovery import PortInfo, nearby_gauges, serial_ports
from drivers.errors import (
    DriverError,
    FrameError,
    LinkLostError,
    NotStillError,
    PortBusyError,
    PortDeniedError,
    PortError,
    PortNotFoundError,
    ProfileError,
    RadioUnavailableError,
    SilenceError,
)
from drivers.gauge import Gauge
from drivers.gauge_state import Backoff, GaugeState
from drivers.profiles import Profile, SerialSettings, load_profiles
from drivers.reading import Clock, Instant, Reading, system_clock, to_nm
from drivers.simulated import SimulatedGauge
from drivers.steady import CaptureSettings, Settled, Steadiness, SteadyCapture
from drivers.transports.typed import TypedGauge, TypedValue, parse_typed

__all__ = [
    "Backoff",
    "CaptureSettings",
    "Clock",
    "DriverError",
    "FrameError",
    "Gauge",
    "GaugeState",
    "Instant",
    "LinkLostError",
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
    "SerialSettings",
    "Settled",
    "SilenceError",
    "SimulatedGauge",
    "Steadiness",
    "SteadyCapture",
    "TypedGauge",
    "TypedValue",
    "load_profiles",
    "nearby_gauges",
    "parse_typed",
    "serial_ports",
    "system_clock",
    "to_nm",
]
