"""From bench, unit, job and readings to budgets and limits."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from harness.analysis.estimate import state
from harness.analysis.verdict import decide_statement
from harness.assess import applied_at_input, applied_lines, budget_for, ideal, limits_for, source_contributions
from harness.errors import AnalysisError
from harness.models import Bench, Calibrator, Job, Setup, Unit
from harness.steps import Dc, FastEdge, Measure, NoSignal, Reading, Sine, Square, TimeMarks, View
from sequences.deflection import deflection_budget
from sequences.time_base.span import time_base_budget

ACCURACY = [
    {"function": "dc", "level_to": "1 V", "of_value": "0.25 %", "floor": "10 uV"},
    {"function": "dc", "of_value": "0.25 %"},
    {"function": "dc", "of_value": "0.1 %", "stated_as": "expanded"},
    {"function": "square", "frequency_to": "10 kHz", "of_value": "0.5 %"},
    {"function": "period", "of_value": "10 ppm"},
]
CALIBRATOR: dict[str, Any] = {"maker": "Northfen", "model": "C1", "accuracy": ACCURACY}
UNIT: dict[str, Any] = {
    "maker": "Aldermoor",
    "model": "S2",
    "volts_per_div": ["10 mV", "100 mV", "1 V"],
    "s_per_div": ["1 ms"],
    "bandwidth": "40 MHz",
    "input": {"maximum": "400 V"},
    "resolution": "0.1 div",
    "scatter": "0.03 div",
}
PATHS = {
    "straight": {},
    "divider": {"label": "divider probe", "divides_by": 10, "tolerance": "1 %"},
    "matched": {"termination": "50 ohm", "termination_tolerance": "1 %"},
}


def setup(*, calibrator=None, error="indication", paths=None, **unit) -> Setup:
    return Setup(
        bench=Bench.model_validate(
            {"name": "b", "calibrator": CALIBRATOR | (calibrator or {}), "paths": PATHS | (paths or {})}
        ),
        unit=Unit.model_validate(UNIT | unit),
        job=Job.model_validate(
            {"unit": "u", "bench": "b", "serial": "1", "error": error, "sequence": [{"use": "vertical"}]}
        ),
    )


def measure(stimulus, *, volts_per_div=1.0, path="straight", quantity="deflection", **more) -> Measure:
    view = View(channel=1, volts_per_div=volts_per_div, s_per_div=more.pop("s_per_div", 1e-3), **more.pop("view", {}))
    return Measure(
        purpose="test",
        path=path,
        source="calibrator",
        stimulus=stimulus,
        display="unit",
        view=view,
        quantity=quantity,
        **more,
    )


def read(*values: float, scatter: float | None = None) -> list[Reading]:
    return [Reading(value=value, scatter=scatter) for value in values]


def lines(budget):
    return {line.name: line for line in budget.contributions}


SIX_VOLTS = measure(Dc(level_v=6.0))


# Sources --------------------------------------------------------------------------------------------------------------


def test_limits_and_certificate_both_count():
    limits, certificate = source_contributions(setup().bench.calibrator, Dc(level_v=6.0))
    assert limits.name == "limits of Northfen C1"
    assert (limits.distribution, limits.half_width) == ("rectangular", pytest.approx(0.015))
    assert (certificate.half_width, certificate.divisor, certificate.u) == (
        pytest.approx(0.006),
        2.0,
        pytest.approx(0.003),
    )


def test_the_first_line_that_covers_the_level_holds():
    low, _ = source_contributions(setup().bench.calibrator, Dc(level_v=-0.06))
    assert low.half_width == pytest.approx(0.0025 * 0.06 + 10e-6)
    exactly, _ = source_contributions(setup().bench.calibrator, Dc(level_v=1.0))
    assert exactly.half_width == pytest.approx(0.0025 + 10e-6)


@pytest.mark.parametrize(
    ("stimulus", "says"),
    [
        (Square(level_vpp=6.0, frequency_hz=1e6), "6 Vpp square wave, 1 MHz"),
        (Sine(level_vpp=0.6, frequency_hz=5e4), "600 mVpp sine, 50 kHz.*function = 'sine'"),
        (NoSignal(), "no signal was applied"),
    ],
)
def test_no_accuracy_has_its_sentence(stimulus, says):
    with pytest.raises(AnalysisError, match=says):
        source_contributions(setup().bench.calibrator, stimulus)


def test_a_frequency_line_serves_for_time_marks():
    calibrator = Calibrator.model_validate({"accuracy": [{"function": "frequency", "of_value": "2 ppm"}]})
    (line,) = source_contributions(calibrator, TimeMarks(period_s=1e-3, level_vpp=1.0))
    assert line.half_width == pytest.approx(2e-6)


def test_what_stands_at_the_input():
    assert applied_at_input(setup(), SIX_VOLTS) == 6.0
    assert applied_at_input(setup(), measure(Dc(level_v=-60.0), path="divider")) == pytest.approx(-6.0)
    # 1 MΩ ∥ 50 Ω is 49.9975 Ω: half of that mismatch is lost by a matched source (recomputed).
    load = 1e6 * 50.0 / (1e6 + 50.0)
    assert load == pytest.approx(49.9975, abs=5e-5)
    matched = applied_at_input(setup(), measure(Square(level_vpp=1.0, frequency_hz=1e3), path="matched"))
    assert matched == pytest.approx(2.0 * load / (50.0 + load), rel=1e-12)


def known(*lines) -> dict[str, Any]:
    return {"known_error": list(lines)}


def test_a_known_error_is_in_what_was_applied_and_in_what_is_ideal():
    high = setup(calibrator=known({"function": "dc", "level_from": "1 V", "of_value": "+0.5 %", "floor": "2 mV"}))
    assert applied_at_input(high, SIX_VOLTS) == pytest.approx(6.032)
    assert applied_at_input(high, measure(Dc(level_v=-6.0))) == pytest.approx(-6.032)
    assert applied_at_input(high, measure(Dc(level_v=60.0), path="divider")) == pytest.approx(6.0302)
    assert applied_at_input(high, measure(Dc(level_v=0.5))) == 0.5  # below the line's range
    assert applied_at_input(high, measure(Square(level_vpp=6.0, frequency_hz=1e3))) == 6.0
    step = replace(SIX_VOLTS, expected=6.0)
    assert ideal(high, step) == pytest.approx(6.032)
    # 6.032 div shown of 6.032 V is no error; the limits still go by what was set.
    budget = deflection_budget(high, step, read(6.032))
    assert budget.estimate == pytest.approx(0.0, abs=1e-12)
    assert lines(budget)["limits of Northfen C1"].half_width == pytest.approx(0.015)


@pytest.mark.parametrize("level", [6.0, -6.0])
def test_a_fixed_part_that_is_negative_makes_a_level_smaller(level):
    low = setup(calibrator=known({"function": "dc", "floor": "-2 mV"}))
    assert applied_at_input(low, measure(Dc(level_v=level))) == pytest.approx(math.copysign(5.998, level))


def test_the_first_known_error_that_holds_counts_even_at_the_end_of_its_range():
    lines_ = known({"function": "dc", "level_to": "6 V", "of_value": "1 %"}, {"function": "dc", "of_value": "-1 %"})
    assert applied_at_input(setup(calibrator=lines_), SIX_VOLTS) == pytest.approx(6.06)
    assert applied_at_input(setup(calibrator=lines_), measure(Dc(level_v=6.1))) == pytest.approx(6.039)


@pytest.mark.parametrize(("function", "of_value"), [("period", "+0.1 %"), ("frequency", "-0.0999001 %")])
def test_a_known_error_of_time_marks(function, of_value):
    slow = setup(calibrator=known({"function": function, "of_value": of_value}))
    step = measure(TimeMarks(period_s=1e-3, level_vpp=1.0), quantity="span", expected=8.0)
    assert ideal(slow, step) == pytest.approx(8.008)
    assert time_base_budget(slow, step, read(8.008)).estimate == pytest.approx(0.0, abs=1e-6)
    assert time_base_budget(slow, step).estimate == pytest.approx(0.0, abs=1e-12)  # expected beforehand


def test_divider_and_termination_have_their_lines():
    step = measure(Dc(level_v=60.0), path="divider")
    by_name = {line.name: line for line in applied_lines(setup(), step)}
    assert by_name["limits of Northfen C1"].contribution == pytest.approx(0.1 * 0.15 / math.sqrt(3.0))
    assert by_name["division ratio of divider probe"].contribution == pytest.approx(0.06 / math.sqrt(3.0))
    square = measure(Square(level_vpp=6.0, frequency_hz=1e3), path="matched")
    termination = {line.name: line for line in applied_lines(setup(), square)}["termination of matched"]
    # 1 % of a termination is half a percent of the level; exactly 2(1.01)/2.01 − 1 = 0.4975 %.
    assert termination.contribution * math.sqrt(3.0) == pytest.approx(0.005 * 6.0, rel=1e-3)


def test_a_role_that_is_not_filled():
    bare = replace(setup(), bench=Bench.model_validate({"name": "bare"}))
    with pytest.raises(AnalysisError, match="bench 'bare' has no calibrator"):
        applied_lines(bare, SIX_VOLTS)


# Deflection -----------------------------------------------------------------------------------------------------------


def test_a_point_read_by_eye():
    budget = deflection_budget(setup(), SIX_VOLTS, read(6.1))
    assert budget.unit == "%"
    assert budget.estimate == pytest.approx(1.6667, abs=5e-5)
    gain = 6.1 / 6.0 * 100.0 / 6.1
    expected = math.hypot(0.1 / math.sqrt(6.0) * gain, 0.03 * gain, *(0.1 * 6.1 / 6.0 * x for x in (2.5 / 3**0.5, 0.5)))
    assert budget.u == pytest.approx(expected)
    assert decide_statement(state(budget), limits_for(setup(), SIX_VOLTS), "guarded").word == "undecided"


def test_before_measuring_a_unit_without_error_is_expected():
    for step in (SIX_VOLTS, measure(Dc(level_v=0.3), volts_per_div=0.1), measure(Dc(level_v=60.0), path="divider")):
        budget = deflection_budget(setup(), step)
        assert budget.estimate == pytest.approx(0.0, abs=1e-12)
        measured = deflection_budget(setup(), step, read(applied_at_input(setup(), step) / step.view.volts_per_div))
        assert budget.u == pytest.approx(measured.u)


def test_planned_repeats_gain_until_the_ground_line_limits():
    u = [deflection_budget(setup(), SIX_VOLTS, repeats=n).u for n in (1, 2, 4, 1000)]
    assert u == sorted(u, reverse=True)
    still = math.hypot(0.25 / math.sqrt(3.0), 0.05, 100.0 * 0.1 / math.sqrt(12.0) / 6.0)
    assert u[-1] == pytest.approx(still, rel=0.02)


def test_definition_of_the_job():
    budget = deflection_budget(setup(error="deflection factor"), SIX_VOLTS, read(5.82))
    assert budget.estimate == pytest.approx(3.0928, abs=5e-5)


def test_remote_unit_needs_its_ground_line():
    remote = setup(read="remote", resolution="0 div", scatter="0.005 div")
    with pytest.raises(AnalysisError, match="ground line was not read"):
        deflection_budget(remote, SIX_VOLTS, read(6.1))
    budget = deflection_budget(remote, SIX_VOLTS, read(6.1), read(0.1))
    assert budget.estimate == pytest.approx(0.0, abs=1e-9)
    noisy = deflection_budget(remote, SIX_VOLTS, read(6.1, scatter=0.05), read(0.1))
    assert noisy.u > budget.u
    assert deflection_budget(remote, SIX_VOLTS).u == pytest.approx(budget.u)


def test_square_wave_is_read_from_base_to_top():
    step = measure(Square(level_vpp=6.0, frequency_hz=1e3), quantity="peak_to_peak")
    budget = deflection_budget(setup(), step, read(6.0))
    assert {"reading of one edge", "reading of the other edge"} <= set(lines(budget))
    assert lines(budget)["limits of Northfen C1"].half_width == pytest.approx(0.03)


def test_what_was_skipped_is_passed_over():
    skipped, off = Reading(status="skipped"), Reading(status="off_screen")
    assert deflection_budget(setup(), SIX_VOLTS, [off, *read(6.1)]) == deflection_budget(setup(), SIX_VOLTS, read(6.1))
    with pytest.raises(AnalysisError, match="none of the readings"):
        deflection_budget(setup(), SIX_VOLTS, [skipped, off])


@pytest.mark.parametrize("volts_per_div", [m * 10.0**e for e in range(-3, 2) for m in (1, 2, 5)])
def test_ranges_are_alike_to_the_last_word(volts_per_div):
    accuracy = {"accuracy": [{"function": "dc", "of_value": "0.25 %"}]}
    bench = setup(calibrator=accuracy)
    step = measure(Dc(level_v=round(6.0 * volts_per_div, 12)), volts_per_div=volts_per_div)
    budget = deflection_budget(bench, step, read(5.82))
    assert budget.u == pytest.approx(deflection_budget(bench, SIX_VOLTS, read(5.82)).u)
    assert decide_statement(state(budget), limits_for(bench, step), "simple").word == "pass"


# Time base ------------------------------------------------------------------------------------------------------------

MARKS = measure(TimeMarks(period_s=1e-3, level_vpp=1.0), quantity="span", expected=8.0)


def test_a_span_of_time_marks():
    budget = time_base_budget(setup(), MARKS, read(8.1))
    assert budget.estimate == pytest.approx(1.25)
    assert abs(lines(budget)["limits of Northfen C1"].contribution) == pytest.approx(1e-3 * 8.1 / 8.0 / math.sqrt(3.0))
    assert time_base_budget(setup(), MARKS).estimate == 0.0
    with pytest.raises(AnalysisError, match="without the span expected"):
        time_base_budget(setup(), replace(MARKS, expected=None))
    with pytest.raises(AnalysisError, match="time marks, not by Dc"):
        time_base_budget(setup(), replace(SIX_VOLTS, quantity="span", expected=8.0))


def test_magnified_has_its_own_limits():
    unit = setup(tolerance={"time": "3 %", "time_magnified": "5 %"})
    magnified = replace(MARKS, view=replace(MARKS.view, magnifier=10.0))
    assert limits_for(unit, MARKS).high == pytest.approx(3.0)
    assert limits_for(unit, magnified).high == pytest.approx(5.0)
    assert limits_for(setup(), magnified).high == pytest.approx(3.0)
    assert "×10" in time_base_budget(unit, magnified).quantity


# Pulse ----------------------------------------------------------------------------------------------------------------

EDGE = measure(FastEdge(level_vpp=5.0, frequency_hz=1e4), quantity="rise_time", s_per_div=2e-9)
FAST = {"edge_rise_time": "1 ns", "edge_rise_time_u": "0.05 ns"}


def test_rise_time_without_its_source():
    budget = budget_for(setup(calibrator=FAST, rise_time="9 ns"), EDGE, read(9e-9))
    assert budget.estimate == pytest.approx(math.sqrt(80.0))
    by_name = lines(budget)
    gain = 9.0 / math.sqrt(80.0)
    assert by_name["time factor within its tolerance"].contribution == pytest.approx(gain * 9 * 0.03 / math.sqrt(3.0))
    assert by_name["rise time of the source"].contribution == pytest.approx(-0.05 / math.sqrt(80.0))
    assert by_name["removing the source by squares"].u > 0.0
    origins = {name: line.origin for name, line in by_name.items() if line.origin}
    assert origins == {"rise time of the source": "Northfen C1, "}  # the same error in every result of this source
    edges = [by_name["reading of one edge"], by_name["reading of the other edge"]]
    assert math.hypot(*(e.contribution for e in edges)) == pytest.approx(gain * 0.1 / math.sqrt(6.0) * 2)


def test_path_slows_the_edge():
    slow = setup(calibrator=FAST, paths={"straight": {"rise_time": "2 ns"}})
    budget = budget_for(slow, EDGE, read(9e-9))
    assert budget.estimate == pytest.approx(math.sqrt(81.0 - 5.0))
    by_name = lines(budget)
    # ∂√(tm² − te² − tp²)/∂tp = −tp/tu; a figure without uncertainty holds within a fifth (rectangular).
    path = by_name["rise time of straight"]
    assert path.contribution == pytest.approx(-2.0 / math.sqrt(76.0) * 0.2 * 2.0 / math.sqrt(3.0))
    assert path.origin == "straight"
    assert by_name["rise time of the source"].contribution == pytest.approx(-0.05 * 1.0 / math.sqrt(76.0))
    stated = setup(calibrator=FAST, paths={"straight": {"rise_time": "2 ns", "rise_time_u": "0.1 ns"}})
    assert lines(budget_for(stated, EDGE, read(9e-9)))["rise time of straight"].u == pytest.approx(0.1e-9)
    assert "rise time of straight" not in lines(budget_for(setup(calibrator=FAST), EDGE, read(9e-9)))


def test_rated_source_is_known_to_a_fifth():
    line = lines(budget_for(setup(calibrator={"edge_rise_time": "1 ns"}), EDGE, read(9e-9)))["rise time of the source"]
    assert line.u == pytest.approx(0.2e-9 / math.sqrt(3.0))


def test_rise_time_expected_is_the_rated_one():
    rated = setup(calibrator=FAST, rise_time="9 ns")
    assert budget_for(rated, EDGE).estimate == pytest.approx(9)
    assert limits_for(rated, EDGE).high == pytest.approx(9)
    with pytest.raises(AnalysisError, match="rise time of its edge is not stated"):
        budget_for(setup(), EDGE, read(9e-9))


def test_overshoot_in_percent_of_the_amplitude():
    step = replace(EDGE, quantity="overshoot")
    unit = setup(tolerance={"overshoot": "3 %"})
    budget = budget_for(unit, step, read(0.02))
    assert budget.estimate == pytest.approx(2.0)
    assert budget.u == pytest.approx(100.0 / 5.0 * math.hypot(0.1 / math.sqrt(6.0), 0.03))
    assert limits_for(unit, step).high == pytest.approx(3.0)
    assert limits_for(unit, step).low is None
    with pytest.raises(AnalysisError, match="rates no overshoot"):
        limits_for(setup(), step)


def test_an_overshoot_to_be_expected_is_in_percent_of_the_amplitude():
    step = replace(EDGE, quantity="overshoot", expected=0.02)
    budget = budget_for(setup(tolerance={"overshoot": "3 %"}), step)
    assert budget.estimate == pytest.approx(2.0)
    assert budget.u == pytest.approx(100.0 / 5.0 * math.hypot(0.1 / math.sqrt(6.0), 0.03))
