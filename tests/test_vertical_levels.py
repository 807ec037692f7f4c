"""Levels for every range: continuous, decade, 1-2-5 and listed sources, ratings, linearity."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import AnalysisError
from harness.models import Calibrator, SignalPath, Unit
from sequences.vertical.levels import available_levels, choose_level, higher_levels, levels_for_linearity, lower_level

ONE_TWO_FIVE = tuple(float(f"{m}e{e}") for e in range(-3, 2) for m in (1, 2, 5))
STRAIGHT = SignalPath()
TENTH = SignalPath.model_validate({"divides_by": 10})


def calibrator(levels: Any = "continuous", **more) -> Calibrator:
    return Calibrator.model_validate({"levels": levels, "level_low": "1 mV", "level_high": "200 V"} | more)


def unit(**more) -> Unit:
    base = {"maker": "A", "model": "S", "volts_per_div": ["1 V"], "bandwidth": "40 MHz", "input": {"maximum": "400 V"}}
    return Unit.model_validate(base | more)


def chosen(source, volts_per_div, path=STRAIGHT, **more):
    choice = choose_level(source, unit(), path, volts_per_div=volts_per_div, **more)
    assert choice is not None
    return choice


def test_levels_of_each_kind():
    assert available_levels(calibrator()) is None
    assert available_levels(calibrator("decade")) == (0.001, 0.01, 0.1, 1.0, 10.0, 100.0)
    assert available_levels(calibrator("1-2-5", level_low="5 mV", level_high="100 mV")) == (
        0.005,
        0.01,
        0.02,
        0.05,
        0.1,
    )
    assert available_levels(calibrator(["3 V", "0.5 mV", "300 mV"])) == (0.3, 3.0)
    with pytest.raises(AnalysisError, match="no level lies between"):
        available_levels(calibrator(["1 uV"]))


@pytest.mark.parametrize("volts_per_div", ONE_TWO_FIVE)
def test_continuous_gives_six_divisions_of_eight(volts_per_div):
    choice = chosen(calibrator(level_high="400 V"), volts_per_div)
    assert choice.deflection_div == 6.0
    assert choice.level_v == pytest.approx(6.0 * volts_per_div, rel=1e-12)
    assert float(f"{choice.level_v:.4e}") == choice.level_v  # set to five digits and no more


@pytest.mark.parametrize(
    ("volts_per_div", "divisions"), [(0.01, 1.0), (0.02, 5.0), (0.05, 2.0), (0.1, 1.0), (0.2, 5.0)]
)
def test_decade_gives_one_five_or_two(volts_per_div, divisions):
    # Common practice: a decade source on 1-2-5 ranges.
    assert chosen(calibrator("decade"), volts_per_div).deflection_div == divisions


def test_whole_divisions_are_preferred_where_they_cost_less_than_one():
    assert chosen(calibrator(["5 V", "5.6 V"]), 1.0).deflection_div == 5.0
    assert chosen(calibrator(["4 V", "5.6 V"]), 1.0).deflection_div == 5.6
    assert chosen(calibrator(["1 V", "1.9 V"]), 1.0).deflection_div == 1.0
    assert chosen(calibrator(["0.1 uV", "0.4 V"], level_low="0.1 uV"), 1.0).deflection_div == 0.4
    # A source that ends at 4.3 divisions is set to four.
    assert chosen(calibrator(level_high="4.3 V"), 1.0).deflection_div == 4.0
    assert chosen(calibrator(level_high="0.7 V"), 1.0).deflection_div == 0.7


def test_through_a_divider_the_source_gives_ten_times_as_much():
    choice = chosen(calibrator(), 1.0, TENTH)
    assert (choice.level_v, choice.at_input_v, choice.deflection_div) == (60.0, 6.0, 6.0)
    limited = chosen(calibrator(), 5.0, TENTH)
    assert (limited.level_v, limited.deflection_div) == (200.0, 4.0)


def test_ratings_are_kept():
    low_input = unit(input={"maximum": "30 V"})
    straight = choose_level(calibrator(), low_input, STRAIGHT, volts_per_div=10.0)
    assert straight is not None
    assert straight.at_input_v == 30.0
    probe = SignalPath.model_validate({"divides_by": 10, "maximum": "100 V"})
    assert chosen(calibrator(), 5.0, probe).level_v == 100.0
    # 1 W in 50 Ω is 7.07 V DC, and 10 V of a square wave from 0 V: half the time.
    heated = SignalPath.model_validate({"termination": "50 ohm", "termination_power": "1 W"})
    assert chosen(calibrator(), 2.0, heated).deflection_div == 3.0
    assert chosen(calibrator(), 2.0, heated, stimulus="square").deflection_div == 5.0


@pytest.mark.parametrize(("stimulus", "peak_to_rms"), [("dc", 1.0), ("square", 2.0**0.5)])
@pytest.mark.parametrize(("path", "divides_by"), [(STRAIGHT, 1.0), (TENTH, 10.0)])
def test_an_input_that_states_what_it_bears_in_rms_gets_no_more(stimulus, peak_to_rms, path, divides_by):
    """A square wave from 0 V to its top at half duty has an rms of top/√2 (textbook)."""
    low = unit(input={"maximum": "400 V", "maximum_rms": "5 Vrms", "resistance": "50 ohm"})
    for volts_per_div, most_v in ((0.5, 3.0), (2.0, 5.0 * peak_to_rms)):
        choice = choose_level(calibrator(), low, path, volts_per_div=volts_per_div, stimulus=stimulus)
        assert choice is not None
        assert choice.level_v <= most_v * divides_by * (1.0 + 1e-9)
        assert choice.level_v > (most_v - volts_per_div) * divides_by


def test_a_range_below_the_lowest_level_has_none():
    assert choose_level(calibrator("decade", level_low="100 mV"), unit(), STRAIGHT, volts_per_div=0.01) is None
    assert choose_level(calibrator(level_low="100 mV"), unit(), STRAIGHT, volts_per_div=0.01) is None


def test_lower_after_off_screen():
    source, steps = calibrator(), []
    choice = chosen(source, 0.1)
    while choice is not None:
        steps.append(choice.deflection_div)
        choice = lower_level(choice, source, STRAIGHT, volts_per_div=0.1)
    assert steps == [6.0, 5.0, 4.0, 3.0, 2.0, 1.0]
    decade = calibrator("decade")
    lower = lower_level(chosen(decade, 0.02), decade, STRAIGHT, volts_per_div=0.02)
    assert lower is not None
    assert lower.level_v == 0.01


def test_the_highest_level_of_a_source_is_not_lost_to_binary_fractions():
    """0.3 over 0.0001 is 2999.9999999999995 in binary; 0.7 V and all of eight divisions likewise."""
    for most in ("0.3 V", "0.7 V", "1.1 V"):
        source = calibrator(level_high=most)
        assert higher_levels(source, 0.1, 1.0, unit()) == (source.level_high,)
    assert higher_levels(calibrator(), 0.1, 0.1, unit()) == (0.8,)
    assert higher_levels(calibrator(level_high="0.123456789 V"), 0.1, 1.0, unit()) == (0.12345,)  # five digits, down


def test_levels_for_linearity():
    def divisions(source, n, volts_per_div=1.0, path=STRAIGHT):
        best = chosen(source, volts_per_div, path)
        return [c.deflection_div for c in levels_for_linearity(best, source, path, volts_per_div=volts_per_div, n=n)]

    assert divisions(calibrator(), 1) == [6.0]
    assert divisions(calibrator(), 3) == [2.0, 4.0, 6.0]
    assert divisions(calibrator(), 6, path=TENTH) == [1.0, 2.0, 3.0, 4.0, 5.0, 6.0]
    assert divisions(calibrator(), 12)[0] == 0.5
    assert divisions(calibrator("1-2-5"), 3) == [1.0, 2.0, 5.0]
    assert divisions(calibrator("decade"), 5, 0.02) == [0.5, 5.0]
    with pytest.raises(AnalysisError, match="number of levels"):
        divisions(calibrator(), 0)


@given(
    volts_per_div=st.sampled_from(ONE_TWO_FIVE),
    levels=st.sampled_from(["continuous", "decade", "1-2-5", ["3 V", "30 mV", "0.6 V", "60 mV"]]),
    divides_by=st.sampled_from([1, 10, 100]),
    screen=st.sampled_from(["8 div", "10 div", "6 div"]),
)
def test_every_choice_fits_screen_source_and_input(volts_per_div, levels, divides_by, screen):
    source, scope = calibrator(levels), unit(vertical_div=screen)
    path = SignalPath.model_validate({"divides_by": divides_by})
    choice = choose_level(source, scope, path, volts_per_div=volts_per_div)
    if choice is None:
        return
    assert 0.0 < choice.deflection_div <= (scope.vertical_div - 2.0) * (1 + 1e-9)
    assert source.level_low * (1 - 1e-9) <= choice.level_v <= source.level_high * (1 + 1e-9)
    assert choice.at_input_v <= scope.input.maximum * (1 + 1e-9)
    assert choice.at_input_v == pytest.approx(choice.deflection_div * volts_per_div, rel=1e-9)
    for n in (2, 4, 7):
        several = levels_for_linearity(choice, source, path, volts_per_div=volts_per_div, n=n)
        assert several[-1] == choice
        assert len(several) <= n
