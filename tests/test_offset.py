"""A constant that is in every reading: it cancels, or is read as a zero and taken off, or has a line of the budget.

The worlds behind the sequences are made here, with no function of the analysis.
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness import runs as opening
from harness.analysis.estimate import state
from harness.errors import AnalysisError
from harness.models import Setup, UnitLink
from harness.report.model import Result
from harness.report.points import evaluate_points
from harness.steps import Connect, Dc, Measure, NoSignal, Reading, Sine, View
from sequences.bandwidth import steps as bandwidth
from sequences.bandwidth.levelled import levelled
from sequences.bandwidth.wanted import Wanted
from sequences.deflection import PEAK_TO_PEAK
from sequences.levelling.sine import level_table, sine_level
from sequences.vertical import steps as vertical
from tests.benchmarks.bandwidth_runs import TRACE_DIV, Responder, setup_of
from tests.helpers.demo_lab import DEMO, a_job, change
from tests.helpers.scripts import run
from tests.helpers.setups import a_setup

OFFSET_DIV = 0.1


@dataclass(slots=True, kw_only=True)
class Screen:
    """What is read of direct voltages on a unit with a gain, where every reading has a constant too much."""

    setup: Setup
    rng: np.random.Generator
    gain: float = 1.0
    of_reader_div: float = 0.0  # of whoever reads, and of the unit's coupling
    of_unit_div: float = 0.0  # where the ground line really stands: an eye sets it on its line
    of_source_v: float = 0.0
    line_div: dict[tuple[int, float], float] = field(default_factory=dict)  # where an eye has set the ground line

    def answer(self, step: Measure) -> Reading:
        by_eye = self.setup.unit.read == "eye"
        applied_v = 0.0 if isinstance(step.stimulus, NoSignal) else step.stimulus.level + self.of_source_v
        there = applied_v / step.view.volts_per_div * self.gain
        place = step.view.channel, step.view.volts_per_div
        there += self.line_div.setdefault(place, self.rng.uniform(-0.05, 0.05)) if by_eye else self.of_unit_div
        there += self.of_reader_div if step.view.coupling == "dc" else 0.0
        q, scatter = self.setup.unit.resolution, self.setup.unit.scatter
        return Reading(value=round((there + self.rng.normal(0.0, scatter)) / q) * q)


def results(screen: Screen, **options: Any) -> tuple[Result, ...]:
    taken: list[tuple[Measure, Reading]] = []

    def answer(step: Measure) -> Reading:
        taken.append((step, screen.answer(step)))
        return taken[-1][1]

    chosen = vertical.Options.model_validate({"channels": [1], **options})
    run(vertical.script(screen.setup, chosen), answer)
    return tuple(
        r for r in evaluate_points(screen.setup, {"options": options}, taken, lambda *_: ()).results if r.statement
    )


def covered(setup: Setup, runs: int = 30, *, offsets: Mapping[str, float], **options: Any) -> float:
    """How many of the stated intervals hold the error of the unit."""
    held = []
    for seed in range(runs):
        rng = np.random.default_rng([11, seed])
        gain = 1.0 + rng.uniform(-0.03, 0.03)
        for result in results(Screen(setup=setup, rng=rng, gain=gain, **offsets), **options):
            assert result.statement is not None
            held.append(result.statement.low <= 100.0 * (gain - 1.0) <= result.statement.high)
    assert len(held) == 4 * runs
    return float(np.mean(held))


BY_EYE = a_setup()
EIGHT_BIT = a_setup(read="remote", resolution="0.03125 div", scatter="0.01 div")


def test_a_constant_of_who_reads_is_removed_by_a_reading_at_zero_volts() -> None:
    of_reader = {"of_reader_div": OFFSET_DIV}
    assert covered(BY_EYE, offsets={}) > 0.93
    assert covered(BY_EYE, offsets=of_reader) < 0.6
    assert covered(BY_EYE, offsets=of_reader, zero="0 V") > 0.93
    assert covered(EIGHT_BIT, offsets=of_reader) < 0.1
    assert covered(EIGHT_BIT, offsets=of_reader, zero="0 V") > 0.93


def test_a_ground_line_that_is_read_takes_the_units_constant_off_and_not_the_sources() -> None:
    assert covered(EIGHT_BIT, offsets={"of_unit_div": OFFSET_DIV}) > 0.93
    of_source = {"of_source_v": 2e-3}
    hundred = a_setup(read="remote", resolution="0.03125 div", scatter="0.01 div", volts_per_div=("20 mV",))
    (by_ground,) = results(Screen(setup=hundred, rng=np.random.default_rng(1), **of_source))
    (by_zero,) = results(Screen(setup=hundred, rng=np.random.default_rng(1), **of_source), zero="0 V")
    assert by_ground.statement is not None
    assert by_ground.statement.low > 0.0  # 2 mV of 120 mV: 1.7 %
    assert by_zero.statement is not None
    assert by_zero.statement.low < 0.0 < by_zero.statement.high


def test_the_height_of_a_square_wave_has_no_zero_that_could_be_off() -> None:
    """Both ends are read: what moves one moves the other; no reading of a zero is asked for, and none is taken."""
    options = vertical.Options.model_validate({"channels": [1], "ranges": ["1 V"], "signal": "square"})
    asked = [s for s in run(vertical.script(EIGHT_BIT, options), lambda s: Reading(value=s.expected)) if _reads(s)]
    assert [step.quantity for step in asked] == [PEAK_TO_PEAK.name]
    for wrong in ({"signal": "square"}, {"to_line": True}):
        manual = EIGHT_BIT if "signal" in wrong else _by_hand()
        with pytest.raises(AnalysisError, match="zero = '0 V'"):
            vertical.plan(manual, vertical.Options.model_validate({"zero": "0 V", **wrong}))


def _reads(step: object) -> bool:
    return isinstance(step, Measure)


def _by_hand() -> Setup:
    calibrator = BY_EYE.bench.calibrator
    assert calibrator is not None
    hand = calibrator.model_copy(update={"driver": "manual"})
    return replace(BY_EYE, bench=BY_EYE.bench.model_copy(update={"calibrator": hand}))


def test_a_reading_at_zero_volts_is_planned_with_its_uncertainty() -> None:
    options = vertical.Options.model_validate({"channels": [1], "ranges": ["1 V"], "zero": "0 V"})
    taken = [s for s in run(vertical.script(BY_EYE, options), lambda s: Reading(value=s.expected)) if _reads(s)]
    zero, level = taken
    assert (zero.stimulus, zero.view, zero.purpose) == (Dc(level_v=0.0), level.view, "ground")
    decades = run(vertical.script(a_setup(levels="decade"), options), lambda s: Reading(value=s.expected))
    assert next(step.stimulus for step in decades if _reads(step)) == NoSignal()  # it has no level of 0 V
    (planned,) = vertical.plan(BY_EYE, options).points
    (expected,) = results(Screen(setup=BY_EYE, rng=np.random.default_rng(1)), ranges=["1 V"], zero="0 V")
    assert expected.budget is not None
    budget = vertical.deflection_budget(BY_EYE, planned.step, ground=planned.ground)
    assert state(budget).u == pytest.approx(expected.budget.u, rel=0.03)
    # Two readings of q = 0.1 div and σ = 0.03 div, each with both: the source adds 0.03 %.
    reading_div = math.sqrt(2.0) * math.hypot(0.1 / math.sqrt(12.0), 0.03)
    assert budget.u == pytest.approx(math.hypot(100.0 * reading_div / 6.0, 0.05 / math.sqrt(3.0)), rel=1e-6)


# --- peak to peak ----------------------------------------------------------------------------------------------------


def own_measurements() -> Setup:
    """A unit of 8 bits that sends no record: its own peak to peak has its noise in it. The level is known well."""
    made = setup_of(
        read="remote", resolution="0.03125 div", scatter="0.015 div",
        input={"maximum": "400 V", "capacitance": "0 F"},
    )  # fmt: skip
    generator = made.bench.generator
    assert generator is not None
    flat = [line.model_copy(update={"db": 0.005}) if line.db else line for line in generator.accuracy]
    link = UnitLink.model_validate({"address": "GPIB0::5::INSTR", "commands": {"record": ""}}, context={"si": True})
    known = {"generator": generator.model_copy(update={"accuracy": tuple(flat)}), "unit": link}
    return replace(made, bench=made.bench.model_copy(update=known))


@pytest.mark.parametrize(("says_width", "least", "most"), [(True, 0.9, 1.0), (False, 0.0, 0.6)])
def test_the_noise_in_an_instruments_own_peak_to_peak_is_read_and_taken_off(
    says_width: bool, least: float, most: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tests.benchmarks.bandwidth_runs.CAPACITANCE_F", 0.0)
    held, setup = [], own_measurements()
    for seed in range(20):
        rng = np.random.default_rng([9, seed])
        f3_hz = 100e6 * rng.uniform(0.8, 1.8)
        found = Responder(setup=setup, rng=rng, f3_hz=f3_hz, says_width=says_width).run(target=0.003)
        assert found.frequency_hz is not None
        assert found.u_rel is not None
        held.append(abs(math.log(found.frequency_hz / f3_hz)) <= 2.0 * found.u_rel)
    assert least <= np.mean(held) <= most


def test_a_record_is_fitted_and_no_zero_is_read() -> None:
    setup = own_measurements()
    with_record = replace(setup, bench=setup.bench.model_copy(update={"unit": None}))
    options = bandwidth.Options.model_validate({"channels": [1]})

    def first_read(of: Setup) -> Measure:
        script = bandwidth.script(of, options)
        step = next(script)
        return script.send(None) if isinstance(step, Connect) else step  # type: ignore[arg-type, return-value]

    assert isinstance(first_read(with_record).stimulus, Sine)
    assert first_read(setup).quantity == "trace_width"


def test_a_trace_whose_width_nobody_said_may_be_a_tenth_of_a_division() -> None:
    setup = setup_of()
    unit = Responder(setup=setup, rng=np.random.default_rng(2), says_width=False)
    unit.run()
    wanted = bandwidth.wanted_of(setup, bandwidth.Options())
    lines = levelled(setup, wanted, [], unit.taken).level_lines
    width_div = [line for line in lines[-1] if line.name == "trace width"]
    assert [line.half_width for line in width_div] == [pytest.approx(TRACE_DIV)]
    assert width_div[0].contribution > 0.0


@pytest.mark.parametrize(("read", "thin_div"), [("eye", 0.1), ("remote", 0.0)])
def test_the_width_of_the_trace_on_the_reference_stays_by_what_the_level_fell(read: str, thin_div: float) -> None:
    """w·(1/a − 1/A) of it is left in a ratio of two heights, w within ±0.1 div: nothing where the level stands."""
    flat = [{"frequency": f, "db": "0 dB", "u": "0 dB"} for f in ("50 kHz", "40 MHz", "100 MHz")]
    said = {"read": read, "resolution": "0 div", "scatter": "0 div", "flatness": flat, "input_capacitance": "0 F"}
    setup = a_setup(reference=said)
    at = {50e3: 6.0, 40e6: 6.0, 100e6: 4.0}
    steps = [
        Measure(
            purpose="level", path="terminated", source="generator", display="reference", quantity="peak_to_peak",
            stimulus=Sine(frequency_hz=hz, level_vpp=0.6), view=View(channel=1, volts_per_div=0.1, s_per_div=1e-6),
        )
        for hz in at
    ]  # fmt: skip
    wanted = Wanted(path="terminated", level_path="terminated", max_hz=100e6)
    table = level_table(setup, wanted, [(step, Reading(value=at[sine_level(step)[0]])) for step in steps])
    assert table is not None
    u_div = 20.0 / math.log(10.0) * thin_div / math.sqrt(3.0) * (1 / 4.0 - 1 / 6.0)
    assert [point.u_db for point in table.points] == [0.0, 0.0, pytest.approx(u_div)]


def test_a_person_who_reads_the_upper_edge_of_the_trace_is_corrected_by_a_reading_at_zero_volts(tmp_path: Path) -> None:
    """The whole program on the simulated hand-worked bench; a decade source has no 0 V: its output is off for it."""
    shutil.copytree(DEMO, tmp_path / "lab")
    reader = ('scatter = "0.03 div"', 'scatter = "0.01 div"\noffset = "0.1 div"')
    change(tmp_path / "lab" / "hand_bench_sim.toml", reader)
    simulated = opening.simulated_bench(opening.load(DEMO / "by_eye.toml"))
    assert simulated is not None
    true_percent = 100.0 * simulated.truth.gain_error(1, 0.02)
    error = {}
    for zero in ("ground", "0 V"):
        part = f'use = "vertical"\nchannels = [1]\nranges = ["20 mV"]\nrepeats = 3\nzero = "{zero}"'
        job = a_job(tmp_path / "lab" / f"{zero[0]}.toml", part, unit="aldermoor_skua.toml", bench="hand_bench.toml")
        (result,) = opening.start(job, tmp_path / "runs", warm=True).report.parts[0].results
        assert result.statement is not None
        error[zero] = result.statement.estimate - true_percent
    assert error["ground"] - error["0 V"] == pytest.approx(100.0 * OFFSET_DIV / 5.0, abs=1e-6)
    assert abs(error["0 V"]) < 1.5
