"""What a fast edge says: each parameter by itself.   [pure]"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from harness.analysis.estimate import Statement, normal, state
from harness.models import Setup, Unit, rated
from harness.quantities import show
from harness.report import shown
from harness.report.checklist import count, heading
from harness.report.model import Evaluated, Heading, PartResult, Result
from harness.report.points import evaluate_points
from harness.report.readings import Taken
from harness.words.language import tr
from sequences.pulse import Rated
from sequences.pulse.steps import QUANTITIES
from sequences.time_base.span import RATING as TIME_FACTOR_RATING
from sequences.time_base.span import TIME_FACTOR


def evaluate(
    setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken], earlier: Sequence[PartResult] = ()
) -> Evaluated:
    """The points of one part; of several ranges each with its own in its setting."""
    evaluated = evaluate_points(setup, entry, taken)
    known = {r.setting: r.statement for part in earlier for r in part.results if r.quantity == TIME_FACTOR_RATING.name}
    timed = (_by_its_time_factor(setup, result, known.get(result.setting)) for result in evaluated.results)
    evaluated = replace(evaluated, results=tuple(timed))
    ranges = {result.view.volts_per_div for result in evaluated.results if result.view is not None}
    return replace(evaluated, results=tuple(map(_with_range, evaluated.results))) if len(ranges) > 1 else evaluated


def _by_its_time_factor(setup: Setup, result: Result, known: Statement | None) -> Result:
    """A rise time by the error of the time factor where an earlier part has read it, instead of by its tolerance."""
    lines = () if result.budget is None else result.budget.contributions
    rated_line = next((line for line in lines if line.name == TIME_FACTOR), None)
    if known is None or known.unit != "%" or result.budget is None or rated_line is None or result.statement is None:
        return result
    longer = 1.0 if setup.job.error == "deflection factor" else -1.0  # an indication that is too long
    read = normal(
        tr("time factor, as read"), value=longer * known.estimate / 100.0, u=known.u / 100.0, dof=known.dof_eff,
        sensitivity=rated_line.sensitivity,
    )  # fmt: skip
    budget = replace(
        result.budget,
        estimate=result.budget.estimate + read.value * read.sensitivity,
        contributions=tuple(read if line is rated_line else line for line in lines),
    )
    stated = replace(result, budget=budget, statement=state(budget, setup.job.coverage))
    return stated.decided(setup.job.rule)


def _with_range(result: Result) -> Result:
    view = result.view
    return result if view is None else replace(result, setting=f"{show(view.volts_per_div, 'V')}/div, {result.setting}")


def specification(unit: Unit) -> Iterator[str]:
    """What the unit is held against."""
    stated = rated(unit, Rated)
    if unit.rise_time:
        yield tr("rise time at most {rise_time}", rise_time=shown.quantity(unit.rise_time, "s"))
    if stated.overshoot:
        yield tr("overshoot at most {overshoot}", overshoot=shown.percent(stated.overshoot))
    if stated.top_aberration:
        yield tr("aberration of the top at most {top_aberration}", top_aberration=shown.percent(stated.top_aberration))
    if stated.settling_time:
        band = shown.percent(stated.band)
        yield tr(
            "settled to ±{band} in {settling_time}", band=band, settling_time=shown.quantity(stated.settling_time, "s")
        )
    if stated.sag:
        yield tr("sag at most {sag} at {sag_hz}", sag=shown.percent(stated.sag), sag_hz=shown.hertz(stated.sag_hz))


def headings(_setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    """What the calibration guide asks of the pulse response."""
    read = count(parts, *(quantity.rating.name for quantity in QUANTITIES if quantity.rating))
    yield heading(
        tr("Rise time and pulse response"),
        read > 0,
        tr("{read} results of the fast edge", read=read),
        tr("sequence pulse"),
    )
