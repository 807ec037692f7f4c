"""A simulated bench against whoever measures on it: points are taken while it misbehaves, each is held to the truth.

`as_the_tool` takes them through bench, drivers and link, `as_a_script` as a plain script: set, `*OPC?`, read, believe.
What is true is looked at inside the simulated world, at the moment of each record.
"""

from __future__ import annotations

import math
import shutil
from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
from pyvisa.errors import VisaIOError

from drivers.waveform import read_record
from harness import runs as opening
from harness.errors import AnalysisError, HalfpowerError, InstrumentError, SafetyError
from harness.measurement import Screenful
from harness.person.operator import Prompt
from harness.run.faulted import LINE, STATE
from harness.run.jobs import LoadedJob
from harness.sim.bench import SimulatedBench
from harness.sim.bench_file import BenchFile
from harness.sim.faults import Delivery, Endpoint, FaultPlan
from harness.sim.settings import check, read_toml
from harness.sim.waves import Level, Marks, SineWave, SquareWave, Wave
from harness.steps import Connect, Dc, FastEdge, Measure, Reading, Sine, Square, Step, TimeMarks, View
from tests.helpers.demo_lab import DEMO, change

A_SESSION: Final = 100
"""Points from the opening of a bench to its end."""
A_WIRING: Final = 8
MOST_DIV: Final = 8.0
"""What may stand at an input: no point here asks for more than 6 div, whatever order its settings come in."""
RATES: Final = {"left over": 0.0, "refused": 0.05, **dict.fromkeys(STATE, 0.05), "second controller": 0.01}
ALL_RATE: Final = 0.03
GOLDEN: Final = 0.6180339887


def plan_of(fault: str, seed: int, roles: tuple[str, ...]) -> FaultPlan:
    """One of `RATES`, "none", or "all" of them together with the faults of the line."""
    scrambled = roles if fault in ("left over", "all") else ()
    if fault == "all":
        kinds = (*LINE, "power cycle", "refused", "overload", *STATE)
        return FaultPlan(rate=ALL_RATE, kinds=kinds, seed=seed, scrambled=scrambled)
    kinds = (fault,) if fault in ("refused", *STATE) else ()
    return FaultPlan(rate=RATES.get(fault, 0.0), kinds=kinds, seed=seed, scrambled=scrambled)


# --- what is measured --------------------------------------------------------------------------------------------

LEAD_1 = Connect(path="lead", source="calibrator", display="unit", channel=1)
LEAD_2 = Connect(path="lead", source="calibrator", display="unit", channel=2)  # by hand: its route is left out
SINE_1 = Connect(path="terminated", source="generator", display="unit", channel=1)
LEVELLED = Connect(path="terminated", source="generator", display="reference", channel=1)
WIRINGS: Final = (LEAD_1, LEAD_2, SINE_1, LEVELLED)
RANGES: Final = (0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)


def points(count: int) -> Iterator[Step]:
    """Connections, and so many points at each; no two points alike."""
    for number in range(count):
        if number % A_WIRING == 0:
            yield WIRINGS[number // A_WIRING % len(WIRINGS)]
        yield _point(WIRINGS[number // A_WIRING % len(WIRINGS)], number, number * GOLDEN % 1)


def _point(wiring: Connect, number: int, part: float) -> Measure:
    at = {"path": wiring.path, "source": wiring.source, "display": wiring.display, "repeat": number}
    range_v, height = RANGES[int(number * 0.754877666 % 1 * len(RANGES))], 2 + 4 * part
    channel, sweep = wiring.channel, {"s_per_div": 5e-4, "ground_line_div": -3.0}
    if wiring is LEAD_1:
        view = View(channel=channel, volts_per_div=range_v, **sweep)
        return Measure(
            purpose="soak", stimulus=Dc(level_v=_short(range_v * height)), view=view, quantity="deflection", **at
        )
    if wiring is LEAD_2 and number % 2:
        marks = View(channel=channel, volts_per_div=0.05, s_per_div=1e-3)
        stimulus = TimeMarks(period_s=_short(1e-3 * (1 + part / 10)), level_vpp=0.15)
        expected = 8 * stimulus.period_s / 1e-3
        return Measure(purpose="soak", stimulus=stimulus, view=marks, quantity="span", expected=expected, **at)
    if wiring is LEAD_2:
        view = View(channel=channel, volts_per_div=range_v, **sweep)
        wave = Square(level_vpp=_short(range_v * height), frequency_hz=_short(1e3 * (1 + part)))
        return Measure(purpose="soak", stimulus=wave, view=view, quantity="peak_to_peak", **at)
    volts_per_div, frequency_hz = (0.1, 0.2, 0.5)[number % 3], _short(1e6 * (1 + part))
    if wiring is SINE_1 and number % 4 == 0:
        view = View(channel=channel, volts_per_div=volts_per_div, s_per_div=5e-9, ground_line_div=-3.0)
        edge = FastEdge(level_vpp=_short(volts_per_div * 5), frequency_hz=frequency_hz)
        return Measure(purpose="soak", stimulus=edge, view=view, quantity="rise_time", **at)
    view = View(channel=channel, volts_per_div=volts_per_div, s_per_div=2e-7)
    sine = Sine(level_vpp=_short(volts_per_div * (3 + 3 * part)), frequency_hz=frequency_hz)
    return Measure(
        purpose="soak", stimulus=sine, view=view, quantity="peak_to_peak", with_counter=wiring is SINE_1, **at
    )


def _short(value: float) -> float:
    return float(f"{value:.5g}")


# --- what is true ------------------------------------------------------------------------------------------------


LEVEL: Final = 1e-4
PERIOD: Final = 1e-6
RANGE: Final = 1e-3
POSITION_DIV: Final = 0.1
"""How near an answer must come to what was set, to be called the same: as docs/confirmed.md says."""


def _near(a: float, b: float, within: float) -> bool:
    return math.isclose(a, b, rel_tol=within * (1 + 1e-9), abs_tol=1e-15)


def _same_wave(wanted: Any, held: Wave) -> bool:
    match wanted, held:
        case Dc(level_v=a), Level(level_v=b):
            return _near(a, b, LEVEL)
        case Square(level_vpp=a, frequency_hz=f), SquareWave(level_vpp=b, frequency_hz=g):
            return _near(a, b, LEVEL) and _near(f, g, PERIOD)
        case FastEdge(level_vpp=a, frequency_hz=f), SquareWave(level_vpp=b, frequency_hz=g, rise_s=rise_s):
            return _near(a, b, LEVEL) and _near(f, g, PERIOD) and rise_s < 1e-9
        case Sine(level_vpp=a, frequency_hz=f), SineWave(level_vpp=b, frequency_hz=g):
            return _near(a, b, LEVEL) and _near(f, g, PERIOD)
        case TimeMarks(level_vpp=a, period_s=p), Marks(level_vpp=b, period_s=q):
            return _near(a, b, LEVEL) and _near(p, q, PERIOD)
        case _:
            return False


def differences(sim: SimulatedBench, step: Measure) -> tuple[str, ...]:
    """What is not as the step wants it, now."""
    world, view = sim.world, step.view
    box, screen = world.sources[step.source], world.screens[step.display]
    held, joined = screen.inputs[view.channel - 1], world.connection_to(step.display, view.channel)
    found = {
        "path": joined is not None and (joined.path, joined.source) == (step.path, step.source),
        "output": box.on,
        "wave": _same_wave(step.stimulus, box.wave),
        "offset": box.offset_v == 0.0,
        "range": _near(held.volts_per_div, view.volts_per_div, RANGE),
        "position": abs(held.ground_div - view.ground_line_div) <= POSITION_DIV * (1 + 1e-9),
        "coupling": held.coupling == view.coupling,
        "input resistance": held.input_ohm == view.input_ohm,
        "limiter": held.limited == view.limited,
        "sweep": _near(screen.s_per_div, view.s_per_div, RANGE),
    }
    return tuple(name for name, right in found.items() if not right)


def true_value(sim: SimulatedBench, step: Measure) -> float | None:
    """What a right record of the screen as it stands now shows; None where only its settings are compared."""
    low, high = sim.world.look(step.display, step.view.channel).extremes_div()
    match step.quantity:
        case "deflection":
            return (low + high) / 2 - step.view.ground_line_div
        case "peak_to_peak":
            return high - low
        case "span":
            return step.expected
        case _:
            return None


def peak_v(wave: Wave, offset_v: float) -> float:
    """The largest voltage of a wave over its offset, as the source's panel says it."""
    match wave:
        case Level(level_v=v):
            return abs(v + offset_v)
        case SineWave(level_vpp=v):
            return abs(offset_v) + abs(v) / 2
        case SquareWave(level_vpp=v) | Marks(level_vpp=v):
            return max(abs(offset_v), abs(offset_v + v))
        case _:
            return 0.0


@dataclass
class Watch:
    """Looks on inside the simulated world: at every message, every record, every request for hands."""

    sim: SimulatedBench
    rated_v: float
    step: Measure | None = None
    connected: Connect | None = None  # what was asked for last
    at_record: tuple[tuple[str, ...], float | None] | None = None
    wrong_by: Counter[str] = field(default_factory=Counter)
    counts: Counter[str] = field(default_factory=Counter)
    _above: bool = False

    def __post_init__(self) -> None:
        self._above = self._excess()
        for role, endpoint in self.sim._endpoints.items():
            endpoint.message = self._watched(endpoint)  # type: ignore[method-assign]
            if role in self.sim.world.screens:
                self._watch_records(role)
        person = self.sim.operator
        ask = person.ask

        def asked(prompt: Prompt) -> str:
            if prompt.kind == "do":
                self.hands()
            return ask(prompt)

        person.ask = asked  # type: ignore[method-assign]

    def begin(self, step: Measure | None) -> None:
        """What is wanted now; None while connections are made."""
        self.step, self.at_record = step, None

    def hands(self) -> None:
        """A person is at the cables."""
        self.counts["hands"] += 1
        self.counts["hands at an output that is on"] += bool(self.sim.outputs_on())

    def kept(self, step: Measure, reading: Reading) -> None:
        """A reading counts: was it one of what was asked for?"""
        differ, true = self.at_record or (("no record",), None)
        self.counts["kept"] += 1
        if reading.status != "read":
            differ = (*differ, "no reading")
        elif true is not None and not differ and abs((reading.value or 0.0) - true) > 0.1:
            differ = (*differ, "value")
        if step.with_counter and isinstance(step.stimulus, Sine):
            count_hz = reading.frequency_hz or 0.0
            differ = (*differ, "count") if abs(count_hz / step.stimulus.frequency_hz - 1) > 1e-5 else differ
        self.counts["silently wrong"] += bool(differ)
        self.wrong_by[", ".join(differ)] += bool(differ)

    def _watch_records(self, role: str) -> None:
        model: Any = self.sim._models[role]
        do = model.do

        def acquire(name: str, arguments: Any) -> None:
            do(name, arguments)
            if name == "acquire" and self.step is not None and self.step.display == role:
                self.at_record = differences(self.sim, self.step), true_value(self.sim, self.step)

        model.do = acquire

    def _watched(self, endpoint: Endpoint) -> Any:
        message = endpoint.message

        def watched(line: bytes) -> Delivery:
            meddler = endpoint.meddler
            before = meddler.acts if meddler else 0
            delivery = message(line)
            above = self._excess()
            # What the bench itself does in the very message cannot be known before; what it did earlier can.
            self.counts["excess"] += above and not self._above and (meddler is None or meddler.acts == before)
            self._above = above
            return delivery

        return watched

    def _excess(self) -> bool:
        """Whether more stands at an input than its rating, or than its range can show, now."""
        world = self.sim.world
        if not any(box.live and box.switched for box in world.sources.values()):
            return False
        for joined in world.connections():
            box = world.sources[joined.source]
            peak = peak_v(box.wave, box.offset_v) if box.live else 0.0
            here = self.step is not None and (joined.display, joined.channel) == (
                self.step.display, self.step.view.channel
            )  # fmt: skip
            screen = world.screens.get(joined.display)
            limit_v = MOST_DIV * screen.inputs[joined.channel - 1].volts_per_div if screen and here else math.inf
            if peak > min(limit_v, self.rated_v):
                return True
        return False


# --- who measures ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Lab:
    """The demo's files with one connection left to hands, and its simulated bench."""

    loaded: LoadedJob
    simulated: BenchFile
    path: Path

    @classmethod
    def make(cls, folder: Path) -> Lab:
        """Copy the demo's files."""
        shutil.copytree(DEMO, folder)
        change(folder / "bench.toml", (', unit-2 = "(@102)" }\n\n[paths.terminated]', " }\n\n[paths.terminated]"))
        path = folder / "bench_sim.toml"
        return cls(opening.load(folder / "digital.toml"), check(BenchFile, read_toml(path), str(path)), path)

    def sessions(self, fault: str, count: int) -> Iterator[tuple[Watch, list[Step]]]:
        """A bench afresh for every hundred points, its faults from another seed, every other parser one that stops."""
        steps = list(points(count))
        cuts = [at for at, step in enumerate(steps) if isinstance(step, Connect)][:: A_SESSION // A_WIRING]
        for seed, (start, stop) in enumerate(zip(cuts, [*cuts[1:], len(steps)], strict=True), 1):
            sim = SimulatedBench(self.simulated, self.path)
            for device in sim.devices.values():
                device._goes_on = bool(seed % 2)
            sim.inject(plan_of(fault, seed, tuple(sim.devices)))
            yield Watch(sim, self.loaded.setup.unit.input.maximum), steps[start:stop]


def as_the_tool(lab: Lab, fault: str, count: int) -> tuple[Counter[str], Counter[str]]:
    """Through bench, drivers and link."""
    counts, wrong_by = Counter[str](), Counter[str]()
    for watch, steps in lab.sessions(fault, count):
        rest = deque(steps)
        for _ in range(A_SESSION):
            if not rest:
                break
            told = False
            try:
                _until_it_ends(lab, watch, rest)
            except HalfpowerError as error:  # as a person would, the run is resumed
                watch.counts["ended"] += 1
                told = isinstance(error, SafetyError)  # "may still be on: switch it off by hand", after every try
            watch.counts["exits"] += 1
            watch.counts["exits with an output on"] += bool(watch.sim.outputs_on()) and not told
        watch.counts["never taken"] += sum(isinstance(step, Measure) for step in rest)
        counts.update(watch.counts)
        wrong_by.update(watch.wrong_by)
    return counts, +wrong_by


def _until_it_ends(lab: Lab, watch: Watch, rest: deque[Step]) -> None:
    """Take the steps that are left; a point that fails is left out and made safe after, as a part that ends early."""
    with opening.opened(lab.loaded, simulated=watch.sim) as bench:
        joined: Connect | None = None
        while rest:
            step = rest.popleft()
            if isinstance(step, Connect):
                watch.connected = step
                continue
            watch.counts["points"] += 1
            watch.counts["failed openly"] += 1  # until it is kept
            try:
                if joined is not watch.connected and watch.connected is not None:
                    watch.begin(None)
                    bench.perform(watch.connected)
                    joined = watch.connected
                watch.begin(step)
                reading = bench.perform(step)
            except (InstrumentError, AnalysisError):
                bench.make_safe()
                joined = None
            else:
                assert isinstance(reading, Reading)
                watch.counts["failed openly"] -= 1
                watch.kept(step, reading)


ROUTES: Final = {LEAD_1: "(@101)", SINE_1: "(@202)", LEVELLED: "(@201)"}


def as_a_script(lab: Lab, fault: str, count: int) -> tuple[Counter[str], Counter[str]]:
    """Set, `*OPC?`, read, believe; after an exception the instruments are opened anew and the next point is taken."""
    counts, wrong_by = Counter[str](), Counter[str]()
    for watch, steps in lab.sessions(fault, count):
        script = Script(watch)
        for step in steps:
            script.take(step)
        script.off()
        watch.counts["exits"] += 1
        watch.counts["exits with an output on"] += bool(watch.sim.outputs_on())
        counts.update(watch.counts)
        wrong_by.update(watch.wrong_by)
    return counts, +wrong_by


class Script:
    """What one writes in an afternoon."""

    def __init__(self, watch: Watch) -> None:
        self.watch, self.sim = watch, watch.sim
        self._manager = watch.sim.resource_manager()
        self._open: dict[str, Any] = {}

    def take(self, step: Step) -> None:
        """A connection, or a point."""
        try:
            if isinstance(step, Connect):
                self.watch.begin(None)
                self._connect(step)
                return
            assert isinstance(step, Measure)
            self.watch.begin(step)
            self.watch.counts["points"] += 1
            self.watch.kept(step, self._measure(step))
        except (VisaIOError, ValueError, HalfpowerError):
            self.watch.counts["failed openly"] += isinstance(step, Measure)
            self._close()

    def off(self) -> None:
        """At the end."""
        for role in ("calibrator", "generator"):
            try:
                self._set(role, "OUTP OFF")
            except (VisaIOError, ValueError):  # noise in a reply is a ValueError to pyvisa
                self._close()

    def _connect(self, step: Connect) -> None:
        self.off()
        if step in ROUTES:
            self._set("switch", f"ROUT:OPEN:ALL;:ROUT:CLOS {ROUTES[step]}")
        else:
            self.watch.hands()
            self.sim.connect(step.path, step.source, step.display, step.channel)

    def _measure(self, step: Measure) -> Reading:
        view, channel = step.view, step.view.channel
        centre_v = -view.ground_line_div * view.volts_per_div
        self._set(
            step.display,
            f"INP{channel}:COUP DC;:SENS{channel}:VOLT:RANG:PTP {8 * view.volts_per_div:.6g};"
            f":SENS{channel}:VOLT:RANG:OFFS {centre_v:.6g};:SENS:SWE:TIME {10 * view.s_per_div:.6g};"
            ":TRIG:ATR ON;:SENS:SWE:OFFS:TIME 0;:SENS:SWE:POIN 1000;:FORM REAL,32;:FORM:BORD NORM",
        )
        self._set(step.source, f"{_setting(step.stimulus)};:OUTP ON")
        self._set(step.display, "INIT")
        display = self._resource(step.display)
        with display.read_termination_context(""):  # a newline is a sample like any other
            volts = display.query_binary_values(
                f"TRAC? CHAN{channel}", datatype="f", is_big_endian=True, container=np.array
            )
        half_v = 4 * view.volts_per_div
        with np.errstate(invalid="ignore"):  # in another byte order a sample may be a signalling NaN
            volts = volts.astype(float)
        reading = read_record(
            step,
            volts,
            Screenful(
                interval_s=10 * view.s_per_div / max(1, volts.size),
                low_v=centre_v - half_v,
                high_v=centre_v + half_v,
                volts_per_div=view.volts_per_div,
                s_per_div=view.s_per_div,
                ground_v=centre_v + view.ground_line_div * view.volts_per_div,
            ),
        )
        if not step.with_counter:
            return reading
        count_hz = float(self._resource("counter").query("MEAS:FREQ?"))
        return Reading(status=reading.status, value=reading.value, frequency_hz=count_hz)

    def _set(self, role: str, command: str) -> None:
        self._resource(role).query(f"{command};*OPC?")

    def _resource(self, role: str) -> Any:
        if role not in self._open:
            self._open[role] = self._manager.open_resource(
                self.sim.addresses[role], read_termination="\n", write_termination="\n", timeout=2000
            )
        return self._open[role]

    def _close(self) -> None:
        for resource in self._open.values():
            resource.close()
        self._open.clear()


def _setting(stimulus: Any) -> str:
    match stimulus:
        case Dc(level_v=v):
            return f"FUNC DC;:VOLT {v}"
        case Square(level_vpp=v, frequency_hz=f):
            return f"FUNC SQU;:PULS:TRAN DEF;:FREQ {f};:VOLT {v}"
        case FastEdge(level_vpp=v, frequency_hz=f):
            return f"FUNC SQU;:PULS:TRAN MIN;:FREQ {f};:VOLT {v}"
        case Sine(level_vpp=v, frequency_hz=f):
            return f"FUNC SIN;:FREQ {f};:VOLT {v}"
        case TimeMarks(level_vpp=v, period_s=p):
            return f"FUNC PULS;:PULS:PER {p};:VOLT {v}"
    raise TypeError(stimulus)
