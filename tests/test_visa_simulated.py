"""Link and drivers through pyvisa against the simulated bench, which was written from the standard alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.calibrator import ScpiCalibrator
from drivers.counter import ScpiCounter
from drivers.generator import ScpiGenerator
from drivers.scope import ScpiScope
from harness.errors import InstrumentError, LinkError
from harness.files import files
from harness.link.link import repeat_point
from harness.link.visa import open_link
from harness.sim.bench import SimulatedBench
from harness.sim.faults import FaultPlan
from harness.steps import Dc, Measure, NoSignal, Sine, Square, TimeMarks, View

DEMO = Path(__file__).parent.parent / "demo" / "brackwater"
ON_THE_WAY = ("late", "cut", "doubled", "lost", "prefixed", "damaged", "closed", "reset", "power cycle")


class Bench:
    """The demonstration's bench, its instruments opened one by one."""

    def __init__(self, *, tag: bool = False, faults: FaultPlan | None = None) -> None:
        self.file = files.load_bench(DEMO / "bench.toml")
        self.unit_model = files.read_unit(DEMO / "aldermoor_egret.toml").value
        self.sim = SimulatedBench.load(DEMO / "bench_sim.toml")
        if faults is not None:
            self.sim.inject(faults)
        self.events: list[str] = []
        self._tag = tag

    def link(self, role):
        instrument = getattr(self.file, role).model_copy(update={"tag_queries": self._tag})
        manager = self.sim.resource_manager()
        return open_link(
            instrument, role, lambda: manager, self.sim.clock, lambda kind, _text: self.events.append(kind)
        )

    def calibrator(self):
        return ScpiCalibrator(self.link("calibrator"), self.file.calibrator)

    def generator(self):
        return ScpiGenerator(self.link("generator"), self.file.generator)

    def counter(self):
        return ScpiCounter(self.link("counter"), self.file.counter)

    def unit(self):
        return ScpiScope(self.link("unit"), self.file.unit, self.unit_model)

    def reference(self):
        return ScpiScope(self.link("reference"), self.file.reference)


def take(source, screen, step):
    def point():
        screen.show(step.view)
        source.apply(step.stimulus)
        reading = screen.read(step)
        source.check()
        screen.check()
        return reading

    return repeat_point(point)


def step(stimulus, quantity, view, display="unit", **changes):
    return Measure(
        purpose="test", path="lead", source="calibrator", stimulus=stimulus, display=display, view=view,
        quantity=quantity, **changes,
    )  # fmt: skip


STEADY = View(channel=1, volts_per_div=0.05, s_per_div=1e-3, ground_line_div=-3.0)


@pytest.mark.parametrize(
    ("stimulus", "quantity", "value", "tolerance"),
    [
        (Dc(level_v=0.3), "deflection", 6.0, 0.03),
        (Square(level_vpp=0.3, frequency_hz=1e3), "peak_to_peak", 6.0, 0.03),
        (TimeMarks(period_s=1e-3, level_vpp=0.2), "span", 8.0, 0.01),
    ],
)
def test_a_calibrator_through_the_unit(stimulus, quantity, value, tolerance):
    bench = Bench()
    bench.sim.connect("lead", "calibrator", "unit", 1)
    reading = take(bench.calibrator(), bench.unit(), step(stimulus, quantity, STEADY, expected=8.0))
    assert reading.value == pytest.approx(value, rel=tolerance)  # the unit's own error is within its rating
    assert bench.events == []


def test_a_generator_through_unit_reference_and_counter():
    bench = Bench()
    view = View(channel=1, volts_per_div=0.1, s_per_div=2e-8)
    generator, sine = bench.generator(), Sine(level_vpp=0.6, frequency_hz=5e7)
    bench.sim.connect("terminated", "generator", "reference", 1)
    reading = take(generator, bench.reference(), step(sine, "peak_to_peak", view, "reference"))
    assert reading.value == pytest.approx(6.0, rel=0.03)
    bench.sim.connect("terminated", "generator", "unit", 2)
    unit_view = View(channel=2, volts_per_div=0.1, s_per_div=2e-8)
    assert take(generator, bench.unit(), step(sine, "peak_to_peak", unit_view)).value < reading.value
    counter = bench.counter()
    assert counter.read_frequency_hz(5e7) == pytest.approx(5e7, rel=5e-6)
    counter.check()
    generator.off()
    assert bench.sim.outputs_on() == ()


def test_a_trace_that_leaves_the_screen_and_one_that_rests():
    bench = Bench()
    bench.sim.connect("lead", "calibrator", "unit", 1)
    source, unit = bench.calibrator(), bench.unit()
    assert take(source, unit, step(Dc(level_v=0.5), "deflection", STEADY)).status == "off_screen"
    assert 0 < take(source, unit, step(NoSignal(), "trace_width", STEADY)).value < 0.3


def test_a_refused_level_is_the_instruments_word():
    bench = Bench()
    source = bench.calibrator()
    with pytest.raises(InstrumentError, match=r"calibrator .*-222") as caught:  # noqa: PT012 - a point
        source.apply(Dc(level_v=5000.0))
        source.check()
    assert not isinstance(caught.value, LinkError)


@pytest.mark.parametrize("tag", [False, True])
def test_no_count_is_silently_wrong_under_faults(tag):
    """Every count belongs to its own frequency, and no two frequencies are alike."""
    bench = Bench(tag=tag, faults=FaultPlan(rate=0.05 if tag else 0.03, kinds=ON_THE_WAY, seed=12))
    bench.sim.connect("terminated", "generator", "unit", 1)
    generator, counter = bench.generator(), bench.counter()
    wrong = failed = 0
    for number in range(400):
        frequency_hz = round(1e6 * (1 + (number * 0.618034) % 1), 1)

        def point(frequency_hz=frequency_hz) -> float:
            generator.apply(Sine(level_vpp=0.6, frequency_hz=frequency_hz))
            count_hz = counter.read_frequency_hz(frequency_hz)
            generator.check()
            counter.check()
            return count_hz

        try:
            wrong += abs(repeat_point(point) / frequency_hz - 1) > 1e-5
        except InstrumentError:
            failed += 1
    assert wrong == 0
    assert failed <= 16
    assert bench.events.count("resync") > 5
    cycles = sum(injector.counts.get("power cycle", 0) for injector in bench.sim.faults.values())
    assert bench.events.count("power_cycle") + bench.events.count("in_doubt") >= cycles > 0


def test_no_deflection_is_silently_wrong_under_faults():
    bench = Bench(tag=True, faults=FaultPlan(rate=0.02, kinds=ON_THE_WAY, seed=5))
    bench.sim.connect("lead", "calibrator", "unit", 1)
    source, unit = bench.calibrator(), bench.unit()
    read = []
    for number in range(150):
        level_v = round(0.05 + 0.25 * ((number * 0.618034) % 1), 4)
        try:
            read.append((take(source, unit, step(Dc(level_v=level_v), "deflection", STEADY)), level_v / 0.05))
        except InstrumentError:
            continue
    assert len(read) > 140
    # Straight within the converter's step and the unit's own gain: a single stale or damaged record would stand out.
    errors = [reading.value - 1.011 * expected for reading, expected in read]
    assert max(errors) - min(errors) < 0.06
