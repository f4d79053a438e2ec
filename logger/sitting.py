"""A sitting at a real bench: gauges at ports and in the air, or typed readings when there are none."""

import sys
import threading
import webbrowser
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Final, TextIO

from drivers.discovery import bluetooth_devices, serial_ports
from drivers.errors import DriverError, NamedGaugesError, ProfileError
from drivers.known import NamedGauge, find_port, named_gauges, profiles_folder
from drivers.profiles import Profile, load_profiles
from drivers.transports.advertised import Advertised
from logger.begin import default_gauges
from logger.bench import Bench, Trouble
from logger.door import Serve
from logger.errors import GaugesError, StoreError
from logger.example_bench import ExampleBench
from logger.factors import keep_factors, parse_factors
from logger.features import typed_name
from logger.gauge_file import read_gauges
from logger.gauges import stored_worth
from logger.instrument import Instrument, parse_instrument, read_instrument
from logger.kept import lost_words
from logger.limits import default_limits, read_limits
from logger.software import SOFTWARE
from logger.store import Store
from logger.store.totals import keep_totals

if TYPE_CHECKING:
    from logger.shop.address import ShopAddress
    from logger.shop.looking import ShopLook

PLAIN: Final = "plain-steel-string.toml"


@dataclass(frozen=True, slots=True, kw_only=True)
class SittingOptions:
    """What the bench was asked for; ``ports`` are texts like ``green=caliper-mm@/dev/ttyUSB0``, or saved gauges' names.

    ``climate`` is temperature in degrees Celsius and relative humidity in percent, in thousandths; ``factors`` are
    texts like ``seating=pressed``. ``shop`` is the database that everything is sent to as well.
    """

    store: Path
    instrument: Path | None = None
    gauges: Path | None = None
    limits: Path | None = None
    ports: list[str] = field(default_factory=list)
    browser: bool = True
    port: int = 0
    new: bool = False
    climate: tuple[int, int] | None = None
    factors: Sequence[str] = ()
    shop: "ShopAddress | None" = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PluggedGauge:
    """A gauge that the command line names."""

    name: str
    profile: Profile
    port: str


def parse_gauge(text: str, profiles: dict[str, Profile]) -> PluggedGauge:
    """Return the gauge that ``NAME=PROFILE@PORT`` names.

    Raises:
        GaugesError: the text or the profile's name does not hold.
    """
    name, equals, rest = text.partition("=")
    profile, at, port = rest.partition("@")
    if not (name and equals and profile and at and port):
        raise GaugesError(f"--gauge must be NAME=PROFILE@PORT, like green=caliper-mm@/dev/ttyUSB0, got {text!r}")
    if profile not in profiles:
        raise GaugesError(f"--gauge {text!r}: unknown profile {profile!r}; known are {', '.join(sorted(profiles))}")
    return PluggedGauge(name=name, profile=profiles[profile], port=port)


def plug(texts: Sequence[str]) -> list[PluggedGauge]:
    """Return the gauges that the command line names, each with a name and a port of its own.

    Raises:
        GaugesError: a text, a profile or a name does not hold.
        DriverError: a saved gauge is not there, or Bluetooth is needed and cannot be used.
    """
    profiles = known_profiles()
    saved = {text: _saved(text, profiles) for text in texts if "=" not in text}
    radio = any(profiles[one.profile].bluetooth for one in saved.values())
    heard = bluetooth_devices() if radio else []
    plugged = [_found(saved[text], profiles, heard) if text in saved else parse_gauge(text, profiles) for text in texts]
    for index, one in enumerate(plugged):
        if typed_name(one.name):
            raise GaugesError(f"--gauge {one.name!r}: that name is for readings that are typed; give the gauge another")
        for other in plugged[:index]:
            if other.name == one.name:
                raise GaugesError(f"--gauge: two gauges are named {one.name!r}; give each a name of its own")
            if other.port == one.port:
                raise GaugesError(f"--gauge: {other.name!r} and {one.name!r} name one port, {one.port}; a port has one")
    return plugged


def _saved(name: str, profiles: Mapping[str, Profile]) -> NamedGauge:
    gauges = saved_gauges()
    if name not in gauges:
        known = ", ".join(map(repr, sorted(gauges))) or "none"
        raise GaugesError("--gauge must be NAME=PROFILE@PORT, like green=caliper-mm@/dev/ttyUSB0, or the name of a "
                          f"saved gauge (known: {known}), got {name!r}")  # fmt: skip
    gauge = gauges[name]
    if gauge.profile not in profiles:
        raise GaugesError(f"gauge {name!r} is saved with the profile {gauge.profile!r}, which is missing; put its file "
                          f"into {str(profiles_folder())!r}, or save the gauge again")  # fmt: skip
    return gauge


def _found(gauge: NamedGauge, profiles: Mapping[str, Profile], heard: Sequence[Advertised]) -> PluggedGauge:
    profile = gauge.applied_to(profiles[gauge.profile])
    port = find_port(gauge, bluetooth=profile.bluetooth is not None, ports=serial_ports(), heard=heard)
    return PluggedGauge(name=gauge.name, profile=profile, port=port)


def _instrument(path: Path | None) -> Instrument:
    return plain_instrument() if path is None else read_instrument(path)


def plain_instrument() -> Instrument:
    """Return a plain steel-string neck, for whoever has not described one."""
    text = (files("logger.defaults") / PLAIN).read_text(encoding="utf-8")
    return parse_instrument(text, where=PLAIN)


def known_profiles() -> dict[str, Profile]:
    """Return the profiles of gauges by name: those shipped and the person's own.

    One of theirs that does not hold is told on stderr and left out.
    """

    def told(error: ProfileError) -> None:
        print(f"fretledger: {error}; it is left out", file=sys.stderr)

    return load_profiles(profiles_folder(), on_fault=told)


def saved_gauges() -> dict[str, NamedGauge]:
    """Return the gauges that the person has saved, by name.

    Raises:
        GaugesError: their file does not hold.
    """
    try:
        return named_gauges()
    except NamedGaugesError as error:
        raise GaugesError(str(error)) from error


def run_sitting(options: SittingOptions, serve: Serve, *, stop: threading.Event, out: TextIO | None = None) -> int:
    """Run the bench until it is stopped and return the exit status.

    Raises:
        InputFileError: a file or a gauge's text does not hold.
        StoreError: the store cannot be used.
        DriverError: a named gauge cannot be opened.
        OSError: the port of the page is taken.
    """
    instrument = _instrument(options.instrument)
    kind = instrument.kind
    limits = read_limits(options.limits, kind=kind) if options.limits else default_limits(kind)
    stated = read_gauges(options.gauges) if options.gauges else {}
    factors = parse_factors(options.factors)
    plugged = plug(options.ports)
    with ExitStack() as stack:
        trouble = Trouble()
        stack.callback(keep_totals, options.store)  # after the store is closed
        store = stack.enter_context(Store.open_or_create(options.store, on_trouble=trouble))
        with store.reader() as reader:
            worth = {**default_gauges(), **stored_worth(reader), **stated}
        bench = Bench(
            store, instrument, limits, specs=worth, stated=stated.keys(), resume=not options.new,
            shop=_looked_at(options.shop, store),
        )  # fmt: skip
        keep_factors(store, bench.session, factors)
        if options.climate is not None:
            temperature, humidity = options.climate
            bench.recorder.climate(temperature / 1000, humidity / 1000)
        trouble.listener = bench.on_trouble
        stack.enter_context(_forwarded(bench, options.shop))
        example = ExampleBench(bench.on_example)
        bench.start_example = example.start
        bench.start()
        stack.callback(bench.stop)
        stack.callback(example.close)
        try:
            for gauge in plugged:
                bench.add_gauge(gauge.name, gauge.profile, gauge.port)
        except DriverError:
            if not bench.recorder.kept().readings:
                bench.stop(reason="a gauge could not be opened")
            raise
        page = serve(bench.door, port=options.port)
        stack.callback(page.stop)
        print(f"ready {page.url}", file=out, flush=True)
        for note in bench.notes:
            print(f"fretledger: {note}", file=sys.stderr, flush=True)
        if not plugged:
            _say_ports()
        if options.browser:
            webbrowser.open(page.url)
        stop.wait()
    raise_for_lost(bench)
    return 0


def _looked_at(address: "ShopAddress | None", store: Store) -> "ShopLook | None":
    """Return what the page asks the shop through, if there is one."""
    if address is None:
        return None
    from logger.shop.looking import ShopLook

    return ShopLook(address, own=store.store_id)


@contextmanager
def _forwarded(bench: Bench, address: "ShopAddress | None") -> Iterator[None]:
    """Forward the bench's store to the shop, if there is one, meanwhile; at the end say what is left to send."""
    if address is None:
        yield
        return
    from logger.shop.forward import Forwarder

    forwarder = Forwarder(
        bench.store.path, address, software=SOFTWARE, on_change=lambda state: bench.on_shop(state.snapshot())
    )
    print(f"fretledger: sends to the shop at {address.shown}", file=sys.stderr, flush=True)
    forwarder.start()
    try:
        yield
    finally:
        left = forwarder.stop()
        if left.waiting:
            print(f"fretledger: {left.words()}", file=sys.stderr, flush=True)


def raise_for_lost(bench: Bench) -> None:
    """Tell the readings that a bench, now stopped, could not keep.

    Raises:
        StoreError: there are some.
    """
    lost = lost_words(bench.recorder.lost)
    if lost:
        raise StoreError(lost, path=bench.store.path)


def _say_ports() -> None:
    """Say on stderr that readings are typed, and which ports a gauge could be named on."""
    found = [f"{port.device} ({port.words})" for port in serial_ports()]
    where = f"; serial ports here: {', '.join(found)}" if found else ""
    print(f"fretledger: no gauge named with --gauge, type the readings on the page{where}", file=sys.stderr, flush=True)
