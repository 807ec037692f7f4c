"""What stands behind each kind of instrument's commands: settings put into the world, readings taken from it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, Final, assert_never

from harness import quantities
from harness.errors import InstrumentError
from harness.sim import own, scpi
from harness.sim.device import Answer, Argument, Numeric, Value
from harness.sim.dialect import OWN
from harness.sim.profile import Profile
from harness.sim.scpi import ScpiError
from harness.sim.triggering import TriggerKnobs
from harness.sim.waves import Level, Marks, SineWave, SquareWave, Wave
from harness.sim.world import SimulatedRecord, SimulatedTrace, World
from harness.steps import Dc, FastEdge, NoSignal, Sine, Square, Stimulus, TimeMarks


class Base:
    """Settings by name, a busy time after each, and the answers that every instrument has."""

    def __init__(self, name: str, profile: Profile, world: World) -> None:
        self.name, self.profile, self.world = name, profile, world
        self.busy: Callable[[float], None] = lambda _seconds: None  # joined to the device
        self.settings: dict[str, Any] = profile.defaults()

    def put(self, name: str, _number: int, value: Value) -> None:
        """Change a setting."""
        self.settings[name] = value
        if self.profile.settle:
            self.busy(self.profile.settle)

    def get(self, name: str, _number: int) -> Value:
        """A setting as it is."""
        value: Value = self.settings[name]
        return value

    def do(self, name: str, _arguments: Sequence[Argument]) -> None:
        """Act."""
        if name != "preset":
            raise ScpiError(-240)
        self.reset()

    def answer(self, name: str, _arguments: Sequence[Argument]) -> Answer:
        """Report."""
        if name == "version":
            return self.profile.scpi
        raise ScpiError(-240)

    def reset(self) -> None:
        """Settings as after *RST."""
        self.settings = self.profile.defaults()


class SourceModel(Base):
    """A calibrator or generator."""

    def __init__(self, name: str, profile: Profile, world: World) -> None:
        super().__init__(name, profile, world)
        lows = [c.holds.low for c in profile.table if c.name == "transition_s" and isinstance(c.holds, Numeric)]
        self._fastest_s = min(lows, default=0.0)

    def put(self, name: str, number: int, value: Value) -> None:
        """Change a setting; the output follows at once."""
        super().put(name, number, value)
        self._apply()

    def reset(self) -> None:
        """Output off."""
        super().reset()
        self._apply()

    def panel(self, stimulus: Stimulus) -> None:
        """Turn the knobs of the front panel: the same settings, by hand."""
        self.settings.update(_knobs(stimulus), output=not isinstance(stimulus, NoSignal))
        levels = self.profile.output.levels
        level = float(self.settings.get("level_v", 0.0))
        if levels and self.settings["output"] and not any(math.isclose(level, step, rel_tol=1e-6) for step in levels):
            self.settings["output"] = False
            self._apply()
            known = ", ".join(f"{step:g}" for step in levels)
            raise InstrumentError(self.name, f"has no level of {level:g} V; it has {known} V")
        self._apply()

    def turn(self, knob: str, value: float) -> None:
        """Turn one knob."""
        self.settings[knob] = value
        self._apply()

    def _apply(self) -> None:
        box, held = self.world.sources[self.name], self.settings
        box.on = bool(held.get("output", False)) or (box.stuck and box.on)
        box.wave, box.offset_v = self._wave(), float(held.get("offset_v", 0.0))

    def _wave(self) -> Wave:
        held, true = self.settings, self.world.sources[self.name].truth
        level, frequency = float(held.get("level_v", 0.0)), float(held.get("frequency_hz", 1e3))
        match held.get("function", "dc"):
            case "square":
                transition = self._transition()
                rise_s = true.edge_rise_time if transition == "fast" else true.rise_time
                return SquareWave(level, frequency, rise_s)
            case "sine":
                return SineWave(level, frequency)
            case "marks":
                return Marks(level, float(held.get("period_s", 1e-3)))
            case _:
                return Level(level)

    def _transition(self) -> str:
        """The fast edge is asked for by the least transition time that the profile allows."""
        asked = self.settings.get("transition_s")
        if asked is None:
            return "ordinary"
        return "fast" if asked <= self._fastest_s * (1 + 1e-9) else "ordinary"


def _knobs(stimulus: Stimulus) -> dict[str, float | str]:
    match stimulus:
        case NoSignal():
            return {}
        case Dc(level_v=level_v):
            return {"function": "dc", "level_v": level_v}
        case Square(level_vpp=vpp, frequency_hz=f):
            return {"function": "square", "level_v": vpp, "frequency_hz": f, "transition_s": math.inf}
        case FastEdge(level_vpp=vpp, frequency_hz=f):
            return {"function": "square", "level_v": vpp, "frequency_hz": f, "transition_s": 0.0}
        case Sine(level_vpp=vpp, frequency_hz=f):
            return {"function": "sine", "level_v": vpp, "frequency_hz": f}
        case TimeMarks(level_vpp=vpp, period_s=period_s):
            return {"function": "marks", "level_v": vpp, "period_s": period_s}
        case _:
            assert_never(stimulus)


class CounterModel(Base):
    """A frequency counter, joined to one source."""

    def __init__(self, name: str, profile: Profile, world: World, counts: str) -> None:
        super().__init__(name, profile, world)
        self.counts = counts

    def answer(self, name: str, arguments: Sequence[Argument]) -> Answer:
        """Count."""
        if name not in ("frequency", "period"):
            return super().answer(name, arguments)
        self.busy(self.profile.measures_in + float(self.settings.get("gate_s", 0.0)))
        frequency_hz = self.world.count_hz(self.name, self.counts)
        return frequency_hz if name == "frequency" else 1 / frequency_hz


class LevelMeterModel(Base):
    """A meter of sine level."""

    def answer(self, name: str, arguments: Sequence[Argument]) -> Answer:
        """Measure."""
        if name not in ("vrms", "dbm"):
            return super().answer(name, arguments)
        self.busy(self.profile.measures_in)
        vrms = self.world.level_vrms(self.name)
        if name == "vrms":
            return vrms
        watts = vrms * vrms / 50
        return 10 * math.log10(watts / 1e-3) if watts > 0 else math.nan


class SwitchModel(Base):
    """Relays that join paths."""

    def do(self, name: str, arguments: Sequence[Argument]) -> None:
        """Close or open channels; an unknown channel changes nothing."""
        if name == "open_all":
            self.world.closed.clear()
        elif name in ("close", "open"):
            channels = self._channels(arguments)
            self.world.closed = self.world.closed | channels if name == "close" else self.world.closed - channels
        else:
            super().do(name, arguments)
        self.busy(self.profile.settle)

    def answer(self, name: str, arguments: Sequence[Argument]) -> Answer:
        """Whether each channel is closed, or which are."""
        if name == "closed_list":
            return scpi.show_channels(tuple(sorted(self.world.closed)))
        if name != "closed":
            return super().answer(name, arguments)
        self._channels(arguments)
        asked = arguments[0] if isinstance(arguments[0], tuple) else ()
        return ",".join("1" if channel in self.world.closed else "0" for channel in asked)

    def _channels(self, arguments: Sequence[Argument]) -> set[int]:
        channels = set(arguments[0]) if isinstance(arguments[0], tuple) else set()
        if not channels or channels - set(self.world.routes):
            raise ScpiError(-222)
        return channels

    def reset(self) -> None:
        """All open."""
        super().reset()
        self.world.closed.clear()


_OF_THE_RANGE: Final = ("full_scale_v", "volts_per_div")
_OF_THE_SWEEP: Final = ("sweep_s", "s_per_div")
_OF_THE_SCREEN: Final = ("magnifier", "delay_s", "delay_from")
_AS_IT_IS: Final = {"coupling": "coupling", "limiter": "limited"}  # of a channel, by its name there
_OF_THE_TRIGGER: Final = "trigger_"
_WAITING: Final = 32  # SCPI-1999 volume 1, 9.3: bit 5 of the operation status


class ScopeModel(Base):
    """A scope with a remote interface."""

    def __init__(self, name: str, profile: Profile, world: World) -> None:
        super().__init__(name, profile, world)
        self._size = profile.size
        self._seen: dict[int, SimulatedTrace] = {}
        self._records: dict[int, SimulatedRecord] = {}
        self._waiting = False

    def put(self, name: str, number: int, value: Value) -> None:
        """Change a setting of the screen."""
        screen = self.world.screens[self.name]
        entry = screen.inputs[number - 1] if number <= len(screen.inputs) else screen.inputs[0]
        screen.shown = number
        if name in _OF_THE_RANGE:
            self._range(number, float(value) / self._per_div(name))
        elif name in _OF_THE_SWEEP:
            screen.s_per_div = _next(float(value) / self._per_div(name), self._size.s_per_div)
        elif name in _OF_THE_SCREEN:
            setattr(screen, name, float(value))
        elif name == "offset_v":
            entry.ground_div = -float(value) / entry.volts_per_div
            self.settings[f"offset_v{number}"] = value
        elif name == "input_ohm":
            entry.input_ohm = _ohm(value, self._size.resistance)
            self.settings[f"input_ohm{number}"] = value
        elif name.startswith(_OF_THE_TRIGGER):
            self._trigger(name.removeprefix(_OF_THE_TRIGGER), value)
        elif name in _AS_IT_IS:
            setattr(entry, _AS_IT_IS[name], value)
        super().put(name, number, value)

    def _trigger(self, knob: str, value: Value) -> None:
        """A level that is chosen ends the search for the middle; SCPI-1999, from memory."""
        knobs = self.world.screens[self.name].knobs
        setattr(knobs, knob, value)
        if knob == "level_v":
            knobs.middle = False

    def _range(self, number: int, volts_per_div: float) -> None:
        """The next range that holds it; the offset keeps its voltage."""
        entry = self.world.screens[self.name].inputs[number - 1]
        entry.volts_per_div = _next(volts_per_div, self._size.volts_per_div)
        entry.ground_div = -float(self.settings.get(f"offset_v{number}", 0.0)) / entry.volts_per_div

    def _per_div(self, name: str) -> float:
        """How many divisions a setting is of: one, or the whole screen."""
        return {"full_scale_v": self._size.vertical_div, "sweep_s": self._size.horizontal_div}.get(name, 1.0)

    def get(self, name: str, number: int) -> Value:
        """A setting as the instrument has taken it."""
        screen = self.world.screens[self.name]
        entry = screen.inputs[number - 1]
        if name in _OF_THE_RANGE:
            return entry.volts_per_div * self._per_div(name)
        if name in _OF_THE_SWEEP:
            return screen.s_per_div * self._per_div(name)
        if name in _OF_THE_SCREEN:
            whole: float = getattr(screen, name)
            return whole
        if name == "offset_v":
            return -entry.ground_div * entry.volts_per_div + 0.0
        if name == "input_ohm":
            name = f"input_ohm{number}" if f"input_ohm{number}" in self.settings else name
        elif name.startswith(_OF_THE_TRIGGER):
            set_to: Value = getattr(screen.knobs, name.removeprefix(_OF_THE_TRIGGER))
            return set_to
        elif name in _AS_IT_IS:
            value: Value = getattr(entry, _AS_IT_IS[name])
            return value
        return super().get(name, number)

    def do(self, name: str, arguments: Sequence[Argument]) -> None:
        """Take a record of every channel, if there is a trigger: what stands on the screen now."""
        if name == "give_up":
            self._waiting = False
        elif name == "acquire":
            started, phase = self.world.started(self.name)
            channels = range(1, self._size.channels + 1) if started else ()
            self._seen = {n: replace(self.world.look(self.name, n), phase=phase) for n in channels}
            self._records = {}
            self._waiting = not started
            if started:
                self._wait_for_sweep()
        else:
            super().do(name, arguments)

    def answer(self, name: str, arguments: Sequence[Argument]) -> Answer:
        """The last record, or one of the scope's own measurements of a new one."""
        if name == "record":
            return self._transfer(self._record(_trace_number(arguments)))
        if name == "condition":
            return _WAITING if self._waiting else 0
        if name == "sample_rate":
            return min(self._size.sample_rate, self._points() / self._sweep_s())
        if name == "self_calibration":
            self.busy(self._size.calibrates_in)
            return self.world.screens[self.name].truth.self_calibration
        if name == "record_points":
            return self._record(_trace_number(arguments)).volts.size
        if name not in OWN:
            return super().answer(name, arguments)
        number = self._channel(arguments)
        self._wait_for_sweep()
        record = self.world.record(self.name, self.world.look(self.name, number), self._points())
        measured: float = getattr(own, name)(record)
        return measured * self.world.screens[self.name].truth.read_out(OWN[name])

    def _wait_for_sweep(self) -> None:
        self.busy(self._sweep_s() + self.profile.measures_in)

    def _sweep_s(self) -> float:
        screen = self.world.screens[self.name]
        return screen.horizontal_div * screen.s_per_div / screen.magnifier + max(screen.delay_s, 0.0)

    def _points(self) -> int:
        return int(self.settings.get("points", self._size.points))

    def _record(self, number: int) -> SimulatedRecord:
        if not 1 <= number <= self._size.channels:
            raise ScpiError(-224)
        if number not in self._seen:
            raise ScpiError(-230)
        if number not in self._records:
            first = next(iter(self._records.values()), None)  # it started the sweep
            made = self.world.record(self.name, self._seen[number], self._points(), after=first)
            self._records[number] = made
        return self._records[number]

    def _channel(self, arguments: Sequence[Argument]) -> int:
        listed = next((a for a in arguments if isinstance(a, tuple)), (1,))
        if len(listed) != 1:
            raise ScpiError(-223 if len(listed) > 1 else -171)
        if not 1 <= listed[0] <= self._size.channels:
            raise ScpiError(-222)
        return listed[0]

    def _transfer(self, record: SimulatedRecord) -> bytes:
        order = ">" if self.settings.get("byte_order", "big") == "big" else "<"
        match self.settings.get("format", "ascii"):
            case "real32":
                return scpi.block(record.volts.astype(f"{order}f4").tobytes())
            case "real64":
                return scpi.block(record.volts.astype(f"{order}f8").tobytes())
            case _:
                return ",".join(f"{value:.6E}" for value in record.volts).encode()

    def reset(self) -> None:
        """Every channel and the sweep as the profile's defaults say."""
        super().reset()
        self._seen, self._records = {}, {}
        screen = self.world.screens[self.name]
        for entry in screen.inputs:
            entry.volts_per_div, entry.ground_div, entry.coupling = max(self._size.volts_per_div), 0.0, "dc"
            entry.input_ohm, entry.limited = None, False
        screen.s_per_div, screen.magnifier = _next(1e-3, self._size.s_per_div), 1.0
        screen.knobs, self._waiting = TriggerKnobs(), False
        screen.delay_s, screen.delay_from = 0.0, 0.5
        for name, value in self.profile.defaults().items():
            if name in (*_OF_THE_RANGE, *_OF_THE_SWEEP, *_AS_IT_IS, "input_ohm"):
                for number in range(1, self._size.channels + 1):
                    self.put(name, number, value)


def _next(value: float, ranges: Sequence[float]) -> float:
    """The smallest range that is not below the value, the largest where none is."""
    return min((step for step in ranges if step >= value * (1 - 1e-6)), default=max(ranges))


def _ohm(value: Value, usual_ohm: float) -> float | None:
    """An input resistance as it was chosen, by number or by a word that means one; None for the usual one."""
    ohm = quantities.parse(value, "Ω") if isinstance(value, str) else float(value)
    return None if math.isclose(ohm, usual_ohm) else ohm


def _trace_number(arguments: Sequence[Argument]) -> int:
    """The channel of a trace name: CHANnel2, in its short or long form."""
    name = str(arguments[0]) if arguments else "CHAN1"
    head = name.rstrip("0123456789")
    if head not in ("CHAN", "CHANNEL"):
        raise ScpiError(-224)
    return int(name[len(head) :] or 1) if len(name) - len(head) <= 4 else 0
