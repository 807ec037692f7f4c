"""Which results are looked at closely, what their screens should have shown, and the bars of their budgets."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest

from harness.errors import HalfpowerError
from harness.report import shown
from harness.report.budget_plot import bars_of, budget_picture
from harness.report.chosen import Chosen, as_found, everything, name_of, named, worst, worst_of_parts
from harness.report.error_plot import MOST_SERIES, by_series
from harness.report.model import Report, Result
from harness.report.plot_style import NARROW, WIDE
from harness.report.plots import pictures
from harness.report.screen_plot import _marks, screen_picture
from harness.report.screens import screen_of
from harness.steps import FastEdge, Sine, Square, TimeMarks, View
from tests.helpers.report_examples import EXAMPLES, skipped


def point_of(report: Report, quantity: str = "deflection") -> Result:
    return next(p for part in report.parts for p in part.results if p.quantity == quantity)


def response_of(report: Report) -> Result:
    return next(r for part in report.parts for r in part.results if r.curve is not None)


# --- which one ---------------------------------------------------------------------------------------------------


def test_the_worst_is_the_one_that_failed_most_clearly() -> None:
    report = EXAMPLES["does_not_meet"]()
    found = worst(report)
    assert found is not None
    failed = [each for each in everything(report) if each.one.word == "fail"]
    assert len(failed) == 3
    assert found.one is failed[2].one or found.one.word == "fail"
    assert [each.part for each in worst_of_parts(report)] == [0, 1]


def test_where_all_pass_it_is_the_one_closest_to_its_limit() -> None:
    report = EXAMPLES["meets"]()
    (closest,) = worst_of_parts(report)
    assert closest == worst(report)
    verdicts = [each.one.verdict for each in everything(report)]
    least = min(verdict.conformance_probability for verdict in verdicts if verdict is not None)
    assert closest.one.verdict is not None
    assert closest.one.verdict.conformance_probability == pytest.approx(least, abs=1e-4)


def test_what_was_adjusted_is_worth_a_look_although_it_passes_now() -> None:
    report = EXAMPLES["as_left"]()
    adjusted = next(each for each in worst_of_parts(report) if each.part == 0)
    before = as_found(report, adjusted.one)
    assert (adjusted.one.word, before and before.word) == ("pass", "fail")


def test_nothing_is_drawn_closely_where_nothing_was_measured() -> None:
    report = EXAMPLES["plain_only"]()
    assert worst(report) is None
    assert worst_of_parts(report) == ()
    assert pictures(report) == ()


@pytest.mark.parametrize(
    ("words", "name"),
    [
        ("ch 2, 50 mV", "deflection, channel 2, 50 ohm lead, 50 mV/div"),
        ("channel 1 500mV lead", "deflection, channel 1, 50 ohm lead, 500 mV/div"),
        ("TIME 10 us x10", "time factor, channel 1, 50 ohm lead, 10 µs/div ×10"),
        ("half ch2", "half-power frequency, channel 2, 50 ohm lead, 5 mV/div"),
    ],
)
def test_a_result_is_found_by_words_of_its_name(words: str, name: str) -> None:
    report = EXAMPLES["does_not_meet"]()
    assert name_of(report, named(report, words).one) == name


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("ch 2, 7 mV", "No result is called 'ch 2, 7 mV'. The nearest: "),
        (
            "50 mV",
            "3 results fit '50 mV'. Say more, to tell these apart: deflection, channel 1, 50 ohm lead, 50 mV/div",
        ),
        ("5 mV ch 7", "No result is called"),
    ],
)
def test_what_fits_no_result_or_several_is_told_with_their_names(words: str, said: str) -> None:
    with pytest.raises(HalfpowerError, match=re.escape(said)):
        named(EXAMPLES["does_not_meet"](), words)


def test_of_several_levels_of_one_range_the_worst_is_taken() -> None:
    report = EXAMPLES["does_not_meet"]()
    part = report.parts[0]
    failed = next(p for p in part.results if p.word == "fail")
    passed = replace(next(p for p in part.results if p.word == "pass"), setting=failed.setting)
    two = replace(report, parts=(replace(part, results=(passed, failed, passed)),))
    assert named(two, f"ch {failed.channel} {failed.setting}").one is failed


# --- screens -----------------------------------------------------------------------------------------------------


def test_a_level_stands_where_it_was_read_beside_where_it_should() -> None:
    report = EXAMPLES["does_not_meet"]()
    point = point_of(report)
    screen = screen_of(report, point)
    assert screen is not None
    assert (screen.kind, screen.ground_div, screen.width_div, screen.height_div) == ("level", -3.0, 10.0, 8.0)
    assert [trace.size_div for trace in screen.traces] == [point.expected, point.reading]
    assert screen.traces[1].text == f"read: {shown.reading_text(point)}"


def test_marks_stand_a_reading_apart() -> None:
    """A time factor that is 5 % off spreads eight divisions of marks over 8.4: facts of the graticule."""
    report = EXAMPLES["meets"]()
    point = replace(
        point_of(report, "time factor"), reading=8.4, stimulus=TimeMarks(period_s=1e-6, level_vpp=1.0),
        view=View(channel=1, volts_per_div=0.5, s_per_div=1e-5, magnifier=10.0),
    )  # fmt: skip
    screen = screen_of(report, point)
    assert screen is not None
    assert screen.period_div == pytest.approx(1.0)  # 1 µs at 10 µs/div, magnified ten times
    xs, ys = _marks(screen, 8.4)
    tall = [x for x, y in zip(xs, ys, strict=True) if y == max(ys)]
    assert tall == pytest.approx([-4.0, 4.4])
    assert len([y for y in ys if y > 0]) >= 9


def test_a_sine_at_the_rating_should_stand_at_half_power_at_least() -> None:
    """Half power is 1/√2 of the voltage (3.0103 dB): by definition of the decibel."""
    report = EXAMPLES["does_not_meet"]()
    response = response_of(report)
    screen = screen_of(report, response)
    assert screen is not None
    assert response.curve is not None
    reference_div = response.curve.reference_div
    assert reference_div is not None
    ideal, read = (trace.size_div for trace in screen.traces)
    assert ideal == pytest.approx(reference_div * 10 ** (-3.0103 / 20), rel=1e-5)
    nearest = min(response.curve.points, key=lambda p: abs(math.log(p.frequency_hz / report.setup.unit.bandwidth)))
    assert read == pytest.approx(reference_div * 10 ** (nearest.response_db / 20))
    assert shown.hertz(nearest.frequency_hz) in screen.traces[1].text


def test_an_edge_is_as_wide_as_its_rise_time() -> None:
    report = EXAMPLES["meets"]()
    point = replace(
        point_of(report), quantity="rise time", expected=3.5, reading=4.2, unit="ns",
        stimulus=FastEdge(level_vpp=0.5, frequency_hz=1e5), view=View(channel=1, volts_per_div=0.1, s_per_div=5e-9),
    )  # fmt: skip
    screen = screen_of(report, point)
    assert screen is not None
    assert [trace.size_div for trace in screen.traces] == pytest.approx([0.7, 0.84])


def test_a_point_off_the_screen_says_so() -> None:
    report = EXAMPLES["meets"]()
    screen = screen_of(report, skipped(point_of(report), "off the screen"))
    assert screen is not None
    assert screen.traces[1].size_div is None
    assert screen.traces[1].text == "off the screen"


def test_every_kind_of_screen_is_drawn_and_told() -> None:
    report = EXAMPLES["does_not_meet"]()
    point = point_of(report)
    waves = (Square(level_vpp=0.3, frequency_hz=1e3), Square(level_vpp=0.3, frequency_hz=1e6))
    for n, one in enumerate(
        (
            point, *(replace(point, stimulus=wave) for wave in waves), skipped(point, "off the screen"),
            replace(point, stimulus=Sine(level_vpp=0.3, frequency_hz=5e4)), point_of(report, "time factor"),
            response_of(report),
        )
    ):  # fmt: skip
        drawn = screen_picture(report, Chosen(part=0, one=one), None, key="k", width=(WIDE, NARROW)[n % 2])
        assert drawn is not None
        ET.fromstring(drawn.svg)
        assert "as it was read" in drawn.svg
        assert one.word in drawn.alt
        if one.reading is not None:
            assert f"read: {shown.reading_text(one)}" in drawn.alt


def test_another_drop_than_half_power_is_not_drawn_as_half_power() -> None:
    report = EXAMPLES["does_not_meet"]()
    response = response_of(report)
    assert response.curve is not None
    assert screen_of(report, replace(response, curve=replace(response.curve, drop_db=1.0))) is None


def test_a_point_that_is_no_trace_is_not_drawn() -> None:
    report = EXAMPLES["meets"]()
    assert screen_of(report, replace(point_of(report), stimulus=None)) is None
    assert screen_of(report, replace(point_of(report), view=None)) is None


def test_as_found_stands_beside_as_left() -> None:
    report = EXAMPLES["as_left"]()
    drawn = {picture.key: picture for picture in pictures(report)}
    for key in ("p0s0", "p0e0"):
        assert "as found" in drawn[key].svg
        assert "as left" in drawn[key].svg
    assert "6.375 div" in drawn["p0s0"].alt  # the range before its adjustment
    assert "+6.25" in drawn["p0e0"].alt


# --- budgets -----------------------------------------------------------------------------------------------------


def test_bars_add_up_to_what_is_combined() -> None:
    """JCGM 100:2008, 5.1.2: independent contributions add in quadrature; U = k·u (6.2.1)."""
    report = EXAMPLES["meets"]()
    for one in (point_of(report), point_of(report, "time factor"), response_of(report)):
        bars = bars_of(one)
        assert bars is not None
        values = [value for _, value in bars.lines]
        assert values == sorted(values, reverse=True)
        assert math.hypot(*values) == pytest.approx(bars.combined, rel=1e-6)
        if one.statement is not None and one.statement.method == "gum":
            assert bars.expanded == pytest.approx(bars.k * bars.combined)


def test_the_bars_are_told_in_words() -> None:
    report = EXAMPLES["does_not_meet"]()
    point = point_of(report)
    drawn = budget_picture(report, Chosen(part=0, one=point), key="b", width=WIDE)
    assert drawn is not None
    assert point.statement is not None
    assert point.budget is not None
    for line in point.budget.contributions:
        if abs(line.contribution) > 0.01 * point.statement.u:
            assert f"{line.name}: {shown.rounded(abs(line.contribution), '%')}" in drawn.alt
    assert f"k = {point.statement.k:.2f}" in drawn.alt
    assert budget_picture(report, Chosen(part=0, one=skipped(point, "left out")), key="b", width=WIDE) is None


# --- many channels -----------------------------------------------------------------------------------------------


def test_sixteen_channels_are_told_apart() -> None:
    report = EXAMPLES["does_not_meet"]()
    part = report.parts[0]
    first = [p for p in part.results if p.channel == 1 and p.path == "direct"]
    points = tuple(replace(p, channel=n) for n in range(1, 17) for p in first)
    groups = by_series(points)
    assert len(groups) == 16 / MOST_SERIES
    many = replace(report, parts=(replace(part, results=points),))
    drawn = [picture for picture in pictures(many) if picture.key.startswith("p0e")]
    assert len(drawn) == len(groups)
    assert len({picture.key for picture in drawn}) == len(drawn)
    assert all(len(set(re.findall(r"channel \d+, 50 ohm", picture.svg))) == MOST_SERIES for picture in drawn)
