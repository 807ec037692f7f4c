"""Sequences as generators: their order of work, their answers to what can go wrong."""

from dataclasses import replace

import pytest

from harness.steps import Connect, Dc, Measure, NoSignal, Reading, Square, TimeMarks
from sequences.bandwidth import steps as bandwidth
from sequences.pulse import steps as pulse
from sequences.time_base import steps as time_base
from sequences.vertical import steps as vertical
from tests.helpers.scripts import run
from tests.helpers.setups import a_setup


def as_expected(step):
    return Reading(value=step.expected or 0.0, frequency_hz=getattr(step.stimulus, "frequency_hz", None))


def test_channel_one_upward_one_cable_move_channel_two_downward():
    # The optimum for a person: proved in docs/deflection.md, 110 units against 327 of a range-outer loop.
    taken = run(vertical.script(a_setup(levels="decade"), vertical.Options()), as_expected)
    moves = [step.channel for step in taken if isinstance(step, Connect)]
    ranges = [(s.view.channel, s.view.volts_per_div) for s in taken if isinstance(s, Measure)]
    assert len(moves) == 2
    first = [v for channel, v in ranges if channel == moves[0]]
    second = [v for channel, v in ranges if channel == moves[1]]
    assert sorted(first) in (first, first[::-1])
    assert second == first[::-1]


def test_a_continuous_source_gives_six_divisions_one_inside_either_end():
    steps = [s for s in run(vertical.script(a_setup(), vertical.Options()), as_expected) if isinstance(s, Measure)]
    assert {step.expected for step in steps} == {6.0}
    assert {step.view.ground_line_div for step in steps} == {-3.0}


def test_a_decade_source_gives_one_two_and_five_divisions():
    setup = a_setup(levels="decade")
    plan = vertical.plan(setup, vertical.Options(channels=(1,)))
    assert {p.step.view.volts_per_div: p.step.expected for p in plan.points} == {0.1: 1.0, 0.2: 5.0, 0.5: 2.0, 1.0: 1.0}


def test_the_divider_takes_ten_times_the_level():
    plan = vertical.plan(a_setup(), vertical.Options(channels=(1,), paths=("probe",)))
    assert {p.step.view.volts_per_div: p.step.stimulus for p in plan.points}[1.0] == Dc(level_v=60.0)


def test_off_the_screen_lowers_the_level_until_it_is_read():
    asked = []

    def answer(step):
        asked.append(step.expected)
        return Reading(status="off_screen") if step.expected > 4 else as_expected(step)

    options = vertical.Options.model_validate({"channels": [1], "ranges": ["1 V"]})
    taken = run(vertical.script(a_setup(), options), answer)
    assert asked == [6.0, 5.0, 4.0]
    assert "left the screen" in taken[-1].because


def test_a_remote_unit_shows_its_ground_line_first():
    options = vertical.Options.model_validate({"channels": [1], "ranges": ["1 V"]})
    taken = run(vertical.script(a_setup(read="remote"), options), as_expected)
    ground, level = (s for s in taken if isinstance(s, Measure))
    assert ground.stimulus == NoSignal()
    assert ground.view == replace(level.view, coupling="ground")


def test_repeats_are_planned_where_they_decide():
    setup = a_setup(levels="decade")
    auto = vertical.plan(setup, vertical.Options(channels=(1,), repeats="auto"))
    by_range = {p.step.view.volts_per_div: p.repeats for p in auto.points}
    assert by_range[0.2] == 1  # five divisions decide at once
    assert by_range[0.5] > 1  # two need more


def test_a_square_wave_is_read_top_to_base():
    plan = vertical.plan(a_setup(), vertical.Options(channels=(1,), signal="square"))
    assert {p.step.quantity for p in plan.points} == {"peak_to_peak"}
    assert isinstance(plan.points[0].step.stimulus, Square)


def test_a_skipped_reading_is_left_out_with_its_repeats():
    options = vertical.Options.model_validate({"channels": [1], "ranges": ["1 V"], "repeats": 3})
    taken = run(vertical.script(a_setup(), options), lambda step: Reading(status="skipped"))
    assert len(taken) == 2


@pytest.mark.parametrize(("s_per_div", "period_s", "span_div"), [("1 ms", 1e-3, 8.0), ("10 ns", 5e-8, 5.0)])
def test_marks_are_one_a_division_or_as_fast_as_the_unit_shows(s_per_div, period_s, span_div):
    options = time_base.Options.model_validate({"ranges": [s_per_div]})
    (point,) = time_base.plan(a_setup(), options).points
    assert point.step.stimulus == TimeMarks(period_s=period_s, level_vpp=1.0)
    assert point.step.expected == span_div


def test_the_magnifier_is_tried_after_the_plain_time_factors():
    plan = time_base.plan(a_setup(magnifier=10), time_base.Options())
    assert [p.step.view.magnifier for p in plan.points] == [1.0] * 3 + [10.0] * 3


def test_what_the_calibrator_cannot_mark_is_said_beforehand():
    options = time_base.Options.model_validate({"ranges": ["1 ns"]})
    plan = time_base.plan(a_setup(), options)
    assert plan.points == ()
    assert "1 ns/div" in plan.left_out[0]


def test_the_edge_needs_a_source_with_a_stated_rise_time():
    from harness.errors import AnalysisError

    with pytest.raises(AnalysisError, match="edge_rise_time"):
        pulse.plan(a_setup(rise_time="9 ns"), pulse.Options())


def test_a_bandwidth_without_a_reference_rests_on_the_generators_own_flatness():
    def single_pole(step):
        shown = 6.0 / (1 + (step.stimulus.frequency_hz / 46e6) ** 2) ** 0.5
        return Reading(value=shown, frequency_hz=step.stimulus.frequency_hz)

    setup = a_setup(read="remote", resolution="0 div", scatter="0.01 div")
    taken = run(bandwidth.script(setup, bandwidth.Options(channels=(1,))), single_pole)
    assert {step.display for step in taken} == {"unit"}
    asked = [s.stimulus.frequency_hz for s in taken if isinstance(s, Measure)]
    assert sum(abs(f_hz / 46e6 - 1) < 0.1 for f_hz in asked) >= 2  # it closes in on the crossing


def test_the_same_replies_give_the_same_steps():
    setup = a_setup(read="remote", resolution="0 div", scatter="0.01 div")

    def answer(step):
        return Reading(value=6.0 / (1 + (step.stimulus.frequency_hz / 50e6) ** 4) ** 0.5)

    one, other = (run(bandwidth.script(setup, bandwidth.Options()), answer) for _ in range(2))
    assert one == other
