"""One scatter behind several lines: a ground line's own, and what ratio, match and linearity make of it.

GUM G.3.2: a normal error over a standard deviation that was estimated with ν degrees of freedom is Student's t of ν,
and it stays that when several such errors, judged by the one estimate, are added.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import stdtr, stdtrit

from harness.analysis.deflection import deflection_error
from harness.analysis.estimate import Budget, normal, state
from harness.analysis.graticule import Reader, mean_length
from harness.analysis.joint import difference
from harness.bench.settling import unsettled
from harness.models import Setup
from harness.report.model import Finding
from harness.report.points import evaluate_points
from harness.report.readings import Taken
from harness.steps import Dc, Measure, Reading, View
from sequences.deflection import deflection_budget
from sequences.vertical.evaluation import together
from sequences.vertical.steps import ground_step
from sequences.vertical.together import mean_ratio, probe_ratio
from tests.helpers.setups import a_setup

KNOWN_TO_A_QUARTER = 0.5 / 0.25**2  # degrees of freedom (GUM G.4.2)
READER = Reader(resolution_div=0.0, scatter_div=0.05)


def with_ground(reading_div: float = 6.0, ground_div: float = 0.0, *, reader: Reader = READER, **more) -> Budget:
    return deflection_error(
        [reading_div], volts_per_div=1.0, applied_v=6.0, applied=[], reader=reader, definition="indication",
        zero="read", ground_div=[ground_div], **more,
    )  # fmt: skip


def coverage(budget: Budget, dof: float = KNOWN_TO_A_QUARTER) -> float:
    """How often k·u holds the value where all of u is one estimate: exact, by Student's distribution."""
    return 1.0 - 2.0 * float(stdtr(dof, -state(budget).k))


def test_the_scatter_assumed_of_reading_and_ground_line_is_one_estimate():
    assert with_ground().dof_eff == pytest.approx(KNOWN_TO_A_QUARTER)
    assert coverage(with_ground()) == pytest.approx(0.9545, abs=1e-6)


def test_so_it_is_in_a_match_and_in_a_ratio_of_several_pairs():
    one, other = with_ground(), with_ground(6.1)
    assert coverage(difference(one, other)) == pytest.approx(0.9545, abs=1e-6)
    length = mean_length([6.0], READER, edges="one")
    pair = probe_ratio(length, length, straight_v=6.0, divided_v=60.0)
    assert coverage(mean_ratio([pair] * 5)) == pytest.approx(0.9545, abs=1e-6)


def test_what_scatters_by_itself_keeps_degrees_of_freedom_of_its_own():
    own = Reader(resolution_div=0.0)
    lines = [replace(mean_length([6.0, 6.1, 6.2], own, edges="one").contributions[-1], name=name) for name in "ab"]
    assert Budget(quantity="q", unit="", estimate=0.0, contributions=tuple(lines)).dof_eff == pytest.approx(4.0)
    # A line of another origin beside a shared one: Welch–Satterthwaite with two terms (GUM G.4.1).
    shared = [replace(normal(name, u=1.0, dof=8), known_from="the reader") for name in "cd"]
    both = Budget(quantity="q", unit="", estimate=0.0, contributions=(*shared, normal("e", u=1.0, dof=3)))
    assert both.dof_eff == pytest.approx(3.0**2 / (2.0**2 / 8 + 1.0 / 3))


@pytest.mark.parametrize("repeats", [1, 2, 5])
def test_intervals_with_a_ground_line_hold_as_often_as_they_say(repeats):
    rng = np.random.default_rng(repeats)
    held, runs = 0, 1500
    for _ in range(runs):
        known = 0.05 * math.sqrt(rng.chisquare(KNOWN_TO_A_QUARTER) / KNOWN_TO_A_QUARTER)  # known to a quarter of itself
        budget = deflection_error(
            list(6.0 + 0.05 * rng.standard_normal(repeats)), volts_per_div=1.0, applied_v=6.0, applied=[],
            reader=Reader(resolution_div=0.0, scatter_div=known), definition="indication",
            zero="read", ground_div=[0.05 * rng.standard_normal()],
        )  # fmt: skip
        held += abs(budget.estimate) <= state(budget, 0.95).expanded
    assert 0.94 <= held / runs <= 0.975


# From a run's readings ------------------------------------------------------------------------------------------------


def a_remote_unit(**said) -> Setup:
    return a_setup(
        read="remote", resolution=said.pop("resolution", "0 div"), scatter=said.pop("scatter", "0 div"), **said
    )


def step(level_v: float, *, channel: int = 1, path: str = "lead") -> Measure:
    view = View(channel=channel, volts_per_div=1.0, s_per_div=1e-3, ground_line_div=-3.0)
    return Measure(
        purpose="deflection", path=path, source="calibrator", stimulus=Dc(level_v=level_v), display="unit", view=view,
        quantity="deflection", expected=level_v,
    )  # fmt: skip


def read(of: Measure, value: float, scatter: float | None = 0.05, ground: float | None = 0.05) -> list[Taken]:
    """A ground line and a reading, each with what its own record shows."""
    return [(ground_step(of), Reading(value=0.0, scatter=ground)), (of, Reading(value=value, scatter=scatter))]


def test_a_ground_line_brings_the_scatter_of_its_own_record():
    """Two readings of 0.05 div each, 6 div: √2·0.05/6 is 1.18 %, U 2.36 %, beside a source of 0.05 %."""
    (ground, line), (at, reading) = read(step(6.0), 6.0)
    budget = deflection_budget(a_remote_unit(), at, (reading,), (line,))
    expected = 100.0 * math.hypot(math.sqrt(2.0) * 0.05 / 6.0, 0.0005 / math.sqrt(3.0))
    assert ground.quantity == "deflection"
    assert budget.u == pytest.approx(expected, rel=1e-9)
    assert state(budget).expanded == pytest.approx(2.0 * expected, rel=1e-4)


def test_a_ground_line_that_never_stood_still_keeps_its_allowance():
    ground = unsettled(Reading(value=0.0), Reading(value=0.06))
    budget = deflection_budget(a_remote_unit(), step(6.0), (Reading(value=6.06),), (ground,))
    assert budget.u >= 100.0 * 0.06 / 6.0
    still = deflection_budget(a_remote_unit(), step(6.0), (Reading(value=6.06),), (Reading(value=0.06),))
    assert still.u < 0.1


def findings(setup: Setup, *taken: Sequence[Taken]) -> dict[str, Finding]:
    found = evaluate_points(setup, {}, [each for pair in taken for each in pair], together).findings
    return {finding.name: finding for finding in found}


def test_a_divider_ratio_has_the_scatter_of_readings_and_ground_lines():
    """d₁/d₂ of two differences, each of two readings of 0.05 div: four times 0.05 div in 6 div, and levels that cancel
    but for 0.05 % each (rectangular)."""
    ratio = findings(a_remote_unit(), read(step(6.0), 6.0), read(step(60.0, path="probe"), 6.0))["divider ratio"]
    relative = math.hypot(math.sqrt(4.0) * 0.05 / 6.0, math.sqrt(2.0) * 0.0005 / math.sqrt(3.0))
    assert ratio.value == pytest.approx(10.0)
    assert ratio.u == pytest.approx(10.0 * ratio.k * relative, rel=1e-6)


def test_linearity_has_the_scatter_of_readings_and_ground_lines():
    departure = findings(a_remote_unit(), *(read(step(v), v) for v in (2.0, 4.0, 6.0)))["linearity"]
    # Of three levels evenly spread the middle one keeps 1 − 1/3 of its variance, the outer ones 1/6: √(2/3) or √(1/6).
    assert departure.u in (
        pytest.approx(2.0 * math.sqrt(2.0) * 0.05 * math.sqrt(2.0 / 3.0), rel=1e-4),
        pytest.approx(2.0 * math.sqrt(2.0) * 0.05 * math.sqrt(1.0 / 6.0), rel=1e-4),
    )


def test_a_scatter_of_few_degrees_of_freedom_has_students_factor_in_every_finding():
    """One scatter assumed with 8 degrees of freedom behind everything: k is Student's, 2.366 at 95.45 %, and not 2."""
    setup = a_remote_unit(scatter="0.05 div")
    taken = [
        *(read(step(v), v, None, None) for v in (2.0, 4.0, 6.0)),
        read(step(60.0, path="probe"), 6.0, None, None),
        read(step(6.0, channel=2), 6.0, None, None),
    ]
    found = findings(setup, *taken)
    for name in ("linearity", "divider ratio", "channel match"):
        assert found[name].k == pytest.approx(float(stdtrit(KNOWN_TO_A_QUARTER, 0.977249868)), rel=2e-3), name
