"""Ratings as makers write them: in parts, by range and channel, by temperature, another bandwidth on some ranges."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from harness.analysis.verdict import Limits
from harness.assess import limits_for
from harness.models import Bench, Job, Setup, Unit
from harness.steps import Dc, Measure, View
from sequences.bandwidth.asked import Options
from sequences.bandwidth.steps import wanted_of
from sequences.bandwidth.wanted import on_range

# A data sheet's "±(2 % of reading + 0.1 div + 1 mV)" at 5 mV/div and 6 div allows 0.6 + 0.5 + 1 mV of 30 mV, that is
# 7 %; at 1 V/div 0.12 + 0.1 + 0.001 V of 6 V, 3.683 %. The way of writing is common practice; recomputed by hand.
IN_PARTS = {"of_reading": "2 %", "divisions": "0.1 div", "volts": "1 mV"}


UNIT = {"maker": "Aldermoor", "model": "Heron", "volts_per_div": ["10 mV", "100 mV", "1 V"], "bandwidth": "40 MHz"}


def setup(*, environment=None, **unit) -> Setup:
    job = {
        "unit": "u",
        "bench": "b",
        "serial": "1",
        "sequence": [{"use": "vertical"}],
        "environment": environment or {},
    }
    return Setup(
        bench=Bench.model_validate({"name": "b"}),
        unit=Unit.model_validate({**UNIT, "input": {"maximum": "400 V"}, **unit}),
        job=Job.model_validate(job),
    )


DOCUMENTED = re.search(
    r"``` toml\n(bandwidth_by_range.*?)```",
    (Path(__file__).parents[1] / "docs" / "files.md").read_text(encoding="utf-8"),
    re.DOTALL,
)


def test_the_documented_example_is_the_one_that_is_worked_here():
    assert DOCUMENTED is not None
    made = setup(**tomllib.loads(DOCUMENTED[1]))
    (line,) = made.unit.tolerance.deflection_by
    assert line.in_words() == "±(2 % of reading + 0.1 div + 1 mV) on 2 mV/div, 5 mV/div"
    assert line.ratio(6.0, 0.005, 8.0) == pytest.approx(0.07)
    assert made.unit.on_range(0.002).bandwidth == 20e6


def limit(tolerance, *, volts_per_div, shown_div=6.0, channel=1, environment=None, **unit):
    """The limit of a deflection, in percent."""
    made = setup(tolerance=tolerance, environment=environment, **unit)
    step = Measure(
        purpose="deflection",
        path="lead",
        source="calibrator",
        stimulus=Dc(level_v=shown_div * volts_per_div),
        display="unit",
        view=View(channel=channel, volts_per_div=volts_per_div, s_per_div=1e-3),
        quantity="deflection",
        expected=shown_div,
    )
    limits = limits_for(made, step)
    assert limits == Limits.symmetric(limits.high)
    return limits.high


@pytest.mark.parametrize(
    ("volts_per_div", "shown_div", "percent"), [(0.005, 6.0, 7.0), (1.0, 6.0, 3.68333), (1.0, -2.0, 7.05)]
)
def test_a_tolerance_in_parts_is_their_sum_at_the_point(volts_per_div, shown_div, percent):
    allowed = limit({"deflection_by": [IN_PARTS]}, volts_per_div=volts_per_div, shown_div=shown_div)
    assert allowed == pytest.approx(percent, abs=5e-5)


def test_full_scale_is_the_height_of_the_screen():
    # 1.5 % of 8 div is 0.12 div: of 6 div 2 %, of 3 div 4 %.
    full = {"deflection_by": [{"of_full_scale": "1.5 %"}]}
    assert [limit(full, volts_per_div=0.1, shown_div=n) for n in (6.0, 3.0)] == pytest.approx([2.0, 4.0])


def test_the_first_line_that_covers_range_and_channel_holds():
    by = [
        {"volts_per_div": ["10 mV"], "channels": [2], "of_reading": "5 %"},
        {"volts_per_div": ["10 mV"], "of_reading": "4 %"},
    ]
    tolerance = {"deflection": "2 %", "deflection_by": by}
    on = [(0.01, 2), (0.01, 1), (0.1, 2)]
    allowed = [limit(tolerance, volts_per_div=v, channel=channel) for v, channel in on]
    assert allowed == pytest.approx([5.0, 4.0, 2.0])


@pytest.mark.parametrize(("room", "percent"), [("23 °C", 3.0), ("28 °C", 3.0), ("31 °C", 3.3), ("16 °C", 3.2)])
def test_a_room_outside_the_makers_widens_by_its_coefficient(room, percent):
    tolerance = {"deflection": "3 %", "deflection_per_kelvin": "0.1 %"}
    rated = {"rated_from": "18 °C", "rated_to": "28 °C"}
    allowed = limit(tolerance, volts_per_div=0.1, environment={"temperature": room}, **rated)
    assert allowed == pytest.approx(percent)
    assert limit(tolerance, volts_per_div=0.1, **rated) == pytest.approx(3.0)  # a room that nobody states


def test_a_range_has_the_bandwidth_that_is_rated_there():
    made = setup(bandwidth_by_range=[{"volts_per_div": ["10 mV"], "bandwidth": "20 MHz"}])
    assert [on_range(made, v).unit.bandwidth for v in (0.01, 0.1, None)] == [20e6, 40e6, 40e6]


@pytest.mark.parametrize(
    ("plane", "asked", "corrected"),
    [("input", None, True), ("source", None, False), ("source", "corrected", True), ("input", "included", False)],
)
def test_the_level_is_meant_where_the_rating_is_unless_the_job_says_otherwise(plane, asked, corrected):
    wanted = wanted_of(setup(bandwidth_plane=plane), Options(termination=asked))
    assert wanted.termination_corrected is corrected
