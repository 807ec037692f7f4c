"""The simulated bench: a TOML file becomes instruments with hidden truths, hands and eyes, and a clock.

`resource_manager()` gives a pyvisa manager in this process, `serve()` the same devices on loopback TCP.
"""

from __future__ import annotations

import json
import math
import re
import threading
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from harness.errors import ConfigError, InstrumentError
from harness.measurement import seen
from harness.quantities import round_to
from harness.sim import instruments, meddling, picture, profile
from harness.sim.bench_file import BenchFile, InstrumentEntry
from harness.sim.clock import VirtualClock
from harness.sim.device import Device
from harness.sim.dialect import DialectDevice
from harness.sim.eyes import Person
from harness.sim.faults import Endpoint, FaultInjector, FaultPlan
from harness.sim.profile import Kind, Profile
from harness.sim.room import RoomMeterModel
from harness.sim.settings import check, read_toml
from harness.sim.triggering import by_hand
from harness.sim.true_values import TrueValues
from harness.sim.truth import CounterTruth, MeterTruth, OutputTruth, RoomTruth, ScreenTruth, SourceTruth, merged
from harness.sim.waves import SquareWave
from harness.sim.world import Connection, Input, LevelMeter, SimulatedScreen, SimulatedSource, World
from harness.steps import EXTERNAL, Connect, Measure, NoSignal, Sine, Step, Stimulus, View, to_plain

if TYPE_CHECKING:
    from pyvisa import ResourceManager

    from harness.sim.server import Servers

_KNOBS: Final = {"frequency": "frequency_hz", "level": "level_v", "period": "period_s"}
_IN_FULL: Final = re.compile(r"GPIB[0-9]+::[0-9]+::INSTR|TCPIP[0-9]+::[A-Za-z0-9.-]+::[0-9]+::SOCKET", re.ASCII)
_SET_TO: Final = 5  # digits to which a person turns a knob, and can read it
_KINDS: Final[Mapping[str, tuple[Kind, ...]]] = {
    "calibrator": ("source",),
    "generator": ("source",),
    "counter": ("counter",),
    "reference": ("scope", "level meter"),
    "unit": ("scope",),
    "switch": ("switch",),
    "meter": ("room meter",),
}


class SimulatedBench:
    """Instruments, what joins them, and a person; everything that a real bench has, on a virtual clock.

    With a `position` the unit that stands there is `unit` to whoever measures; the others go by their positions.
    """

    def __init__(
        self, settings: BenchFile, path: Path, *, clock: VirtualClock | None = None, position: str | None = None
    ) -> None:
        self.settings, self.path, self._position = settings, path, position
        if position is not None and position not in settings.positions:
            raise ConfigError(f"{path}: positions.{position}: missing; the bench file has a position of that name")
        self.clock = clock or VirtualClock(settings.start)
        self.world = World(seed=settings.seed, clock=self.clock)
        self.world.paths = dict(settings.paths)
        self.devices: dict[str, Device] = {}
        self.addresses: dict[str, str] = {}
        self.profiles: dict[str, Profile] = {}
        self._models: dict[str, instruments.Base] = {}
        self._turned: dict[str, float] = {}  # sources whose level was turned to fit, and at which frequency
        self._lock = threading.RLock()
        for name, entry in settings.entries().items():
            self._add(self._known_as(name), entry, f"positions.{name}" if name in settings.positions else name)
        self._join()
        self.operator = Person(self, settings.eyes)
        self.truth = TrueValues(self.world)
        self._endpoints = {role: Endpoint(device, self._lock, role) for role, device in self.devices.items()}
        self.faults: dict[str, FaultInjector] = {}
        self.inject(settings.faults)

    @classmethod
    def load(cls, path: Path, *, clock: VirtualClock | None = None, position: str | None = None) -> SimulatedBench:
        """Read a simulated bench's file; raises ConfigError with file and key."""
        return cls(check(BenchFile, read_toml(path), str(path)), path, clock=clock, position=position)

    # --- building ----------------------------------------------------------------------------------------------

    def _known_as(self, name: str) -> str:
        """A role, or the position of a unit that is not the one in question; so is then the unit of no position."""
        if self._position is None:
            return name
        return {self._position: "unit", "unit": "unit without a position"}.get(name, name)

    def _add(self, role: str, entry: InstrumentEntry, key: str) -> None:
        where = f"{self.path}: {key}"
        data = profile.load(entry.profile, self.path, f"{key}.profile")
        kinds = _KINDS.get(role, _KINDS["unit"])
        if data.kind not in kinds:
            raise ConfigError(
                f"{where}.profile: {entry.profile!r} is a {data.kind}; the {role} must be a {' or '.join(kinds)}"
            )
        self.profiles[role] = data
        self._models[role] = self._model(role, entry, data, f"{where}.truth")
        if entry.address is None:
            if entry.left_over:
                raise ConfigError(f"{where}.left_over: an instrument worked by hand is set by hand; leave it out")
            return
        if not data.remote:
            raise ConfigError(f"{where}.address: {entry.profile!r} has no remote interface; leave it out")
        self.addresses[role] = _resource_name(entry.address, f"{where}.address")
        if list(self.addresses.values()).count(self.addresses[role]) > 1:
            raise ConfigError(f"{where}.address: {entry.address!r} is taken by another instrument")
        self.devices[role] = self._device(role, entry, data)
        meddling.leave(self.devices[role], entry.left_over, f"{where}.left_over")

    def _device(self, role: str, entry: InstrumentEntry, data: Profile) -> Device:
        model = self._models[role]
        serial = entry.serial or data.serial
        build = Device if data.dialect is None else partial(DialectDevice, data.dialect)
        device = build(
            identity=entry.identity or data.identity or f"{data.maker},{data.model},{serial},{data.firmware}",
            table=data.table,
            model=model,
            clock=self.clock,
            goes_on=data.goes_on if entry.goes_on is None else entry.goes_on,
            errors_kept=data.errors_kept,
        )
        model.busy = device.busy
        return device

    def _model(self, role: str, entry: InstrumentEntry, data: Profile, where: str) -> instruments.Base:
        truth = merged(data.truth, entry.truth)
        world = self.world
        match data.kind:
            case "source":
                box = check(SourceTruth, truth, where)
                world.sources[role] = SimulatedSource(
                    truth=box, resistance=data.output.resistance, into=data.output.into
                )
                return instruments.SourceModel(role, data, world)
            case "counter":
                world.counters[role] = check(CounterTruth, truth, where)
                return instruments.CounterModel(role, data, world, entry.counts)
            case "level meter":
                world.level_meters[role] = LevelMeter(truth=check(MeterTruth, truth, where))
                return instruments.LevelMeterModel(role, data, world)
            case "switch":
                world.routes = {
                    number: Connection(**{**dict(route), "display": self._known_as(route.display)})
                    for number, route in entry.routes.items()
                }
                return instruments.SwitchModel(role, data, world)
            case "room meter":
                return RoomMeterModel(role, data, world, check(RoomTruth, truth, where))
            case "scope":
                screen = check(ScreenTruth, truth, where)
                world.screens[role] = _screen(data, screen)
                if screen.output is not None:
                    world.sources[role] = _own_output(screen.output)
                return instruments.ScopeModel(role, data, world)

    def _join(self) -> None:
        """Everything that routes and counters name must be on the bench."""
        for number, route in self.world.routes.items():
            try:
                self._require(route.path, route.source, route.display, route.channel)
            except InstrumentError as error:
                raise ConfigError(f"{self.path}: switch.routes.{number}: {error}") from None
        counter = self.settings.counter
        if counter is not None and counter.counts not in self.world.sources:
            raise ConfigError(f"{self.path}: counter.counts: there is no source {counter.counts!r} on this bench")

    def _require(self, path: str, source: str, display: str, channel: int) -> None:
        world = self.world
        screen = world.screens.get(display)
        channels = len(screen.inputs) if screen else 1 if display in world.level_meters else 0
        if path not in world.paths:
            known = ", ".join(world.paths) or "none"
            raise InstrumentError("simulated bench", f"there is no path {path!r} in {self.path.name}; it has {known}")
        if source not in world.sources:
            raise InstrumentError("simulated bench", f"there is no {source} in {self.path.name}")
        if not (EXTERNAL if screen else 1) <= channel <= channels:
            raise InstrumentError("simulated bench", f"the {display} in {self.path.name} has no channel {channel}")

    # --- ways in -----------------------------------------------------------------------------------------------

    def inject(self, plan: FaultPlan) -> None:
        """Put faults between the instruments and whoever asks, from now on."""
        self.fault_plan = plan
        self.faults = {role: endpoint.inject(plan) for role, endpoint in self._endpoints.items()}
        for role, box in self.world.sources.items():
            box.stuck = role in plan.stuck
            drift = plan.drift_per_hour.get(role)
            if drift is not None:
                box.truth = box.truth.model_copy(update={"drift_per_hour": drift})

    def resource_manager(self) -> ResourceManager:
        """A pyvisa ResourceManager that knows these instruments, in this process and on this clock."""
        from harness.sim.library import resource_manager

        return resource_manager({self.addresses[role]: end for role, end in self._endpoints.items()}, self.clock)

    def serve(self, host: str = "127.0.0.1", port: int = 0) -> Servers:
        """The same devices on loopback TCP; port 0 takes free ones, else they count up from it."""
        from harness.sim.server import Servers

        return Servers({self.addresses[role]: end for role, end in self._endpoints.items()}, host=host, port=port)

    def begin(self, step: Step, position: str | None = None) -> None:
        """Make the noise a function of the seed and this step alone, so that a resumed run equals an unbroken one."""
        self.world.begin((position or self._position or "") + json.dumps(to_plain(step), sort_keys=True))

    # --- hands -------------------------------------------------------------------------------------------------

    def is_manual(self, role: str) -> bool:
        """Whether a person has to work this instrument."""
        return role in self.profiles and role not in self.devices

    def connect(self, path: str, source: str, display: str, channel: int, *, watched: bool = False) -> None:
        """Plug a path in; with the reference on a tee where it is watched."""
        self._require(path, source, display, channel)
        with self._lock:
            self.world.connect(Connection(path=path, source=source, display=display, channel=channel))
            if watched:
                on_the_tee = Connection(path=path, source=source, display="reference", channel=1)
                self.world.by_hand.append(on_the_tee)

    def plug(self, step: Connect) -> None:
        """Make a connection as it is asked for, the counter where it belongs then."""
        if step.replugged:
            self.world.replug(step.display, step.channel)
        else:
            self.connect(step.path, step.source, step.display, step.channel, watched=step.watched)
        for channel in step.also:
            self._require(step.path, step.source, step.display, channel)
            self.world.tee(Connection(path=step.path, source=step.source, display=step.display, channel=channel))
        counter = self._models.get("counter")
        if self.settings.counter is not None and isinstance(counter, instruments.CounterModel):
            counter.counts = step.source if step.counted else self.settings.counter.counts

    def apply_by_hand(self, role: str, stimulus: Stimulus) -> None:
        """Set a source on its front panel, output on; a level that was turned to fit is left where it stands."""
        model = self._source(role)
        stands = float(model.settings.get("level_v", 0.0))
        if isinstance(stimulus, Sine) and stimulus.turned and self._turned.get(role) == stimulus.frequency_hz:
            stimulus = replace(stimulus, level_vpp=stands)
        elif not isinstance(stimulus, NoSignal):
            self._turned.pop(role, None)
        with self._lock:
            model.panel(stimulus)

    def _source(self, role: str) -> instruments.SourceModel:
        model = self._models.get(role)
        if not isinstance(model, instruments.SourceModel):
            raise InstrumentError("simulated bench", f"there is no source {role!r} in {self.path.name}")
        return model

    def off_by_hand(self, role: str) -> None:
        """Switch a source's output off on its front panel."""
        self.apply_by_hand(role, NoSignal())

    def set_by_hand(self, display: str, view: View) -> None:
        """Turn a display's knobs."""
        screen = self.world.screens.get(display)
        if screen is None or not 1 <= view.channel <= len(screen.inputs):
            raise InstrumentError("simulated bench", f"there is no channel {view.channel} of the {display}")
        ranges = self.profiles[display].size.volts_per_div
        if not any(math.isclose(view.volts_per_div, step, rel_tol=1e-6) for step in ranges):
            raise InstrumentError(display, f"has no range of {view.volts_per_div:g} V/div")
        with self._lock:
            screen.shown = view.channel
            knobs = screen.inputs[view.channel - 1]
            knobs.volts_per_div, knobs.ground_div = view.volts_per_div, view.ground_line_div
            knobs.coupling, knobs.limited, knobs.input_ohm = view.coupling, view.limited, view.input_ohm
            screen.knobs = by_hand(view)
            screen.s_per_div, screen.magnifier, screen.delay_s = view.s_per_div, view.magnifier, view.delay_s

    def tune(self, step: Measure, span_div: float) -> float:
        """Turn of the source what the step says until the trace spans so many divisions; what the source says then."""
        model, knob = self._source(step.source), _KNOBS[step.tune]
        sign = 1.0 if step.tune == "frequency" else -1.0  # the one that makes the trace less where it is turned up
        look = seen(step.quantity)

        def span(setting: float) -> float:
            model.turn(knob, setting)
            return sign * abs(look(self, step, self.world.look(step.display, step.view.channel)) or 0.0)

        with self._lock:
            found = round_to(_turn_until(span, sign * span_div, float(model.settings[knob])), _SET_TO)
            model.turn(knob, found)
        if isinstance(step.stimulus, Sine) and step.tune == "level":
            self._turned[step.source] = step.stimulus.frequency_hz
        return found

    # --- looking in --------------------------------------------------------------------------------------------

    def outputs_on(self) -> tuple[str, ...]:
        """The sources at whose outputs a voltage stands now."""
        return tuple(role for role, box in self.world.sources.items() if box.live and box.switched)

    def count_hz(self) -> float:
        """What the counter shows now."""
        counter = self._models.get("counter")
        counts = counter.counts if isinstance(counter, instruments.CounterModel) else ""
        return self.world.count_hz("counter", counts) if counts else math.nan

    def picture(
        self, width: int = 60, height: int = 17, display: str = "unit", channel: int | None = None
    ) -> list[str]:
        """The screen as rows of text, graticule and trace; the channel that was set last where none is named."""
        error, screen = self.world.time_error(display), self.world.screens[display]
        trace = self.world.look(display, channel or screen.shown)
        return picture.rows(trace, screen, time_error=error, width=width, height=height)

    def trace(self, display: str, channel: int) -> list[tuple[float, float]]:
        """What is seen on the screen, as points in divisions from its centre."""
        error, screen = self.world.time_error(display), self.world.screens[display]
        return picture.points(self.world.look(display, channel), screen, time_error=error)


def full_address(address: str) -> str:
    """The address in VISA's full form, as `SimulatedBench.addresses` has it; as it is where it is none."""
    try:
        return _resource_name(address, "")
    except ConfigError:
        return address


def _turn_until(span: Callable[[float], float], wanted: float, start: float) -> float:
    """Bring `span(setting)` down to what is wanted: upwards in steps, then closing in, as a hand does."""
    low = high = start
    while span(high) > wanted and high < start * 100:
        low, high = high, high * 1.25
    while span(low) < wanted and low > start / 100:
        low, high = low / 1.25, low
    for _ in range(40):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if span(middle) > wanted else (low, middle)
    return math.sqrt(low * high)


def _screen(data: Profile, truth: ScreenTruth) -> SimulatedScreen:
    size = data.size
    return SimulatedScreen(
        truth=truth,
        resistance=size.resistance,
        capacitance=size.capacitance,
        inputs=[Input(volts_per_div=max(size.volts_per_div)) for _ in range(size.channels)],
        vertical_div=size.vertical_div,
        horizontal_div=size.horizontal_div,
        bits=size.bits,
        limiter_hz=size.limiter,
    )


def _own_output(truth: OutputTruth) -> SimulatedSource:
    """A square wave from 0 V that is always there."""
    wave = SquareWave(truth.level, truth.frequency, truth.rise_time)
    return SimulatedSource(
        truth=SourceTruth(), resistance=truth.resistance, into=1e6, wave=wave, on=True, switched=False
    )


def _resource_name(address: str, where: str) -> str:
    """The address in VISA's full form, as pyvisa has it, which who only checks files need not load for most of them."""
    if _IN_FULL.fullmatch(address):
        return address
    from pyvisa import rname

    try:
        return str(rname.ResourceName.from_string(address))
    except rname.InvalidResourceName:
        raise ConfigError(f"{where}: {address!r} is no VISA address; expected one such as 'GPIB0::9::INSTR'") from None
