"""Resistance and capacitance of an input behind a known resistor, against the truth, and against other hands."""

from __future__ import annotations

import math
import shutil
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from GTC import log, ureal
from GTC.type_b import uniform
from scipy.signal import lti, step

from harness import runs
from harness.analysis.estimate import state
from harness.models import Bench, Setup
from harness.report.model import Report, Result
from harness.run.rehearsal import ideal
from harness.steps import Measure, Reading
from sequences.comparing import Known
from sequences.inputs import steps as sequence
from sequences.inputs.behind import HEIGHT, RISE, capacitance_budget, resistance_budget
from sequences.inputs.steps import Options, plan
from tests.helpers.demo_lab import DEMO, a_job, change
from tests.helpers.journals import comparable
from tests.helpers.played import played
from tests.helpers.setups import a_setup

RATED = {"input_resistance": "2 %", "input_capacitance": "3 pF"}
SERIES = """\
[paths.series]
label = "1 Mohm in the line"
series_resistance = "1 Mohm"
series_tolerance = "0.1 %"
series_capacitance = "2 pF"
series_capacitance_within = "0.5 pF"

[paths.lead]"""
TRUE = '[paths.series]\nseries = "1.0006 Mohm"\ncapacitance = "2.3 pF"\n\n[paths.lead]'


def ran(folder: Path, ohm: str, farad: str, *options: str) -> Report:
    """The demo's laboratory with a resistor, and a second channel of this resistance and capacitance."""
    shutil.copytree(DEMO, folder, dirs_exist_ok=True)
    rated = "".join(f'{key} = "{value}"\n' for key, value in RATED.items())
    change(folder / "aldermoor_egret.toml", ("[tolerance]\n", f"[tolerance]\n{rated}"))
    change(folder / "bench.toml", ("[paths.lead]", SERIES))
    simulated = folder / "bench_sim.toml"
    change(simulated, ("[paths.lead]", TRUE))
    text = simulated.read_text("utf-8")
    last = text.rindex("[[unit.truth.channel]]\n") + len("[[unit.truth.channel]]\n")
    simulated.write_text(f'{text[:last]}resistance = "{ohm}"\ncapacitance = "{farad}"\n{text[last:]}', "utf-8")
    return runs.start(a_job(folder / "job.toml", "\n".join(('use = "inputs"', *options))), folder).report


def results(report: Report) -> dict[tuple[int, str], Result]:
    return {(result.channel, result.quantity): result for part in report.parts for result in part.results}


def holds(result: Result, truth: float) -> bool:
    stated = result.statement
    return stated is not None and abs(stated.estimate - truth) <= stated.expanded


def test_a_sound_input_and_a_faulty_one_are_found_as_they_are(tmp_path: Path) -> None:
    found = results(ran(tmp_path, "0.94 Mohm", "26 pF"))
    truths = {(1, "resistance"): 0.0, (1, "capacitance"): 0.0, (2, "resistance"): -6.0, (2, "capacitance"): 30.0}
    assert {(channel, name.split()[0]): holds(result, truths[channel, name.split()[0]])
            for (channel, name), result in found.items()} == dict.fromkeys(truths, True)  # fmt: skip
    assert [found[channel, "resistance of the input"].word for channel in (1, 2)] == ["pass", "fail"]
    assert [found[channel, "capacitance of the input"].word for channel in (1, 2)] == ["pass", "fail"]
    assert found[2, "capacitance of the input"].sentence.startswith("Channel 2: capacitance of the input (2")
    assert "nominally 20 pF: fail." in found[2, "capacitance of the input"].sentence


def test_what_a_meter_showed_is_stated_with_its_limits_and_nothing_is_measured(tmp_path: Path) -> None:
    report = ran(
        tmp_path, "1 Mohm", "20 pF", 'entered_resistance = ["1.001 Mohm", "0.95 Mohm"]',
        'entered_resistance_within = "0.1 %"', 'entered_capacitance = ["21 pF", "24.5 pF"]',
        'entered_capacitance_within = "0.2 pF"', 'meter = "Northfen Wren no. 4, certificate BW-C-2240"',
    )  # fmt: skip
    found = results(report)
    assert [result.word for result in found.values()] == ["pass", "fail", "pass", "fail"]
    resistance = found[1, "resistance of the input"].statement
    assert resistance is not None
    assert (resistance.estimate, resistance.u) == pytest.approx((0.1, 0.1 / math.sqrt(3)))
    assert "Northfen Wren no. 4, certificate BW-C-2240" in found[1, "resistance of the input"].remarks[0]


class Cut(Exception):  # noqa: N818 - what happens to the run
    """The process is gone."""


def test_a_run_that_was_cut_off_before_hands_took_over_from_the_switch_goes_on_alike(tmp_path: Path) -> None:
    """What the switch had closed is opened, or it would load the calibrator in one of the two and not in the other."""
    ran(tmp_path, "1 Mohm", "20 pF")
    whole = next(path for path in tmp_path.iterdir() if path.name.startswith("2026"))

    def cut(_part: str, n: int, *_: object) -> None:
        if n == 3:
            raise Cut

    with pytest.raises(Cut):
        runs.start(tmp_path / "job.toml", tmp_path / "cut", watch=cut)
    resumed = next((tmp_path / "cut").iterdir())
    runs.resume(resumed)
    assert comparable(resumed) == comparable(whole)


# --- by other hands ------------------------------------------------------------------------------------------------


def in_setup(read: str = "remote", resistor: str = "1 Mohm", **more: object) -> Setup:
    setup = a_setup(read=read, tolerance=RATED, scatter="0.02 div", **more)  # type: ignore[arg-type]
    series = {"series_resistance": resistor, "series_tolerance": "0.1 %", "series_capacitance": "2 pF"}
    described = setup.bench.model_dump(exclude_none=True, exclude_unset=True)
    bench = Bench.model_validate({**described, "paths": {"lead": {}, "series": series}}, context={"si": True})
    return Setup(bench=bench, unit=setup.unit, job=setup.job)


def steps_of(setup: Setup) -> tuple[Measure, Measure, Measure]:
    """Straight, behind the resistor, and the rounded edge, of channel 1."""
    records = played(sequence, setup, Options(channels=(1,)), lambda step: ideal(setup, step))
    straight, behind, rise = (record.step for record in records if isinstance(record.step, Measure))
    return straight, behind, rise


def test_the_edge_to_expect_is_the_one_that_scipy_makes_of_resistor_and_input() -> None:
    """(19): 1 MΩ in parallel with 1 MΩ into 22 pF, by scipy's step response of the transfer function."""
    tau_s = 0.5e6 * 22e-12
    at, value = step(lti([1.0], [tau_s, 1.0]), T=np.linspace(0, 12 * tau_s, 20001))
    by_scipy = np.interp(0.9, value, at) - np.interp(0.1, value, at)
    assert by_scipy == pytest.approx(tau_s * math.log(9), rel=1e-4)
    setup = in_setup()
    _, behind, rise = steps_of(setup)
    assert rise.expected == pytest.approx(by_scipy, rel=1e-3)
    assert behind.expected == pytest.approx(6.0)


def readings(value: float) -> list[Reading]:
    return [Reading(value=value)]


def test_gtc_makes_the_same_of_resistance_and_capacitance() -> None:
    """GTC (Measurement Standards Laboratory of New Zealand), by automatic derivatives: equations (17) to (20)."""
    setup = in_setup(resolution="0.05 div", time_resolution="0.05 div")
    straight, behind, rise = steps_of(setup)
    s_per_div = rise.view.s_per_div

    def length(div: float) -> object:
        return ureal(div, 0.02) + ureal(0, uniform(0.025)) + ureal(0, uniform(0.025))

    heights, resistor = length(6.07) / length(5.95), 1e6 * ureal(1, uniform(1e-3))  # type: ignore[operator]
    ratio = heights * ureal(1, uniform(0.03 * (6.07 / 5.95 - 1))) * straight.stimulus.level / behind.stimulus.level
    by_gtc = 100 * resistor * ratio / (1 - ratio) / 1e6 - 100
    known, of_behind = Known(step=straight, readings=readings(5.95)), Known(step=behind, readings=readings(6.07))
    ours = resistance_budget(setup, behind, readings(6.07), straight=known)
    assert (ours.estimate, ours.u) == pytest.approx((by_gtc.x, by_gtc.u), rel=1e-4)
    rise_s = length(2.4) * s_per_div * ureal(1, uniform(0.03))  # type: ignore[operator]
    farad = rise_s / (log(ureal(9, 0)) * resistor * ratio) - ureal(2e-12, uniform(1e-12))
    by_gtc = 100 * farad / 20e-12 - 100
    ours = capacitance_budget(setup, rise, readings(2.4 * s_per_div), heights=(of_behind, known))
    assert (ours.estimate, ours.u) == pytest.approx((by_gtc.x, by_gtc.u), rel=1e-4)


def coverage(name: str, resolution: str, units: int) -> float:
    """How often the interval of 95.45 % holds the truth: rounded edges, scatter known with eight degrees of freedom."""
    setup = in_setup(resolution=resolution, time_resolution=resolution)
    straight, behind, rise = steps_of(setup)
    rng, q, inside = np.random.default_rng(77), setup.unit.resolution, 0
    s_per_div = rise.view.s_per_div

    def read(length_div: float, scatter: float) -> list[Reading]:
        bottom = rng.uniform(-1, 1)
        low, high = (round(edge / q) * q for edge in (bottom, bottom + length_div + rng.normal(0, scatter)))
        return readings(high - low)

    for _ in range(units):
        scatter = 0.02 * math.sqrt(8 / rng.chisquare(8))
        ohm, farad, factor = rng.uniform(0.97e6, 1.03e6), rng.uniform(17e-12, 23e-12), rng.uniform(0.97, 1.03)
        resistor, given = 1e6 * (1 + rng.uniform(-1e-3, 1e-3)), 1 + rng.uniform(-1e-3, 1e-3)
        left = ohm / (ohm + resistor)
        volts = straight.view.volts_per_div
        heights = (
            Known(step=behind, readings=read(behind.stimulus.level * given * left * factor / volts, scatter)),
            Known(step=straight, readings=read(straight.stimulus.level * given * factor / volts, scatter)),
        )
        if name == HEIGHT.name:
            truth = 100 * (ohm / 1e6 - 1)
            stated = state(resistance_budget(setup, behind, heights[0].readings, straight=heights[1]))
        else:
            truth = 100 * (farad / 20e-12 - 1)
            holder = 2e-12 + rng.uniform(-1e-12, 1e-12)
            rise_s = math.log(9) * resistor * left * (farad + holder) * (1 + rng.uniform(-0.03, 0.03))
            taken = [Reading(value=(each.value or 0.0) * s_per_div) for each in read(rise_s / s_per_div, scatter)]
            stated = state(partial(capacitance_budget, setup, rise)(taken, heights=heights))
        inside += abs(stated.estimate - truth) <= stated.expanded
    return inside / units


@pytest.mark.soak
@pytest.mark.parametrize("resolution", ["0.1 div", "0.002 div"])
@pytest.mark.parametrize("name", [HEIGHT.name, RISE.name])
def test_intervals_cover_the_truth(name: str, resolution: str) -> None:
    covered = coverage(name, resolution, 2000)
    assert 0.94 <= covered <= 0.975, covered


def test_a_few_intervals_cover_the_truth() -> None:
    assert coverage(HEIGHT.name, "0.1 div", 60) >= 0.85


# --- what cannot be tried ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("setup", "sentence"),
    [
        (a_setup(), "Input resistance: the unit file states no rating."),
        (a_setup(tolerance=RATED), "Input resistance: the bench has no path 'series' with a series_resistance; "),
        (in_setup(levels="decade"), "the calibrator has no level that shows as much with the resistor as without"),
        (in_setup(resistor="100 ohm", bandwidth="1 MHz"), "would rise in 4.8 ns, which the channel hides"),
        (
            in_setup(resistor="30 Mohm", input={"maximum": "400 V", "capacitance": "100 pF"}),
            "the square wave of 1 kHz is too fast for this resistor",
        ),
    ],
)
def test_what_cannot_be_tried_is_said(setup: Setup, sentence: str) -> None:
    assert any(sentence in text for text in plan(setup, Options()).left_out), plan(setup, Options()).left_out


def test_steps_of_a_calibrator_pair_where_they_show_alike() -> None:
    straight, behind, _ = steps_of(in_setup(levels="1-2-5"))
    assert (straight.stimulus.level, behind.stimulus.level) == (0.5, 1.0)
    assert (straight.expected, behind.expected) == (5.0, 5.0)


def test_a_resistor_that_is_not_in_the_line_is_said() -> None:
    setup = in_setup()
    straight, behind, _ = steps_of(setup)
    known = Known(step=straight, readings=readings(6.0))
    with pytest.raises(Exception, match="is it in the line"):
        resistance_budget(setup, behind, readings(12.1), straight=known)
