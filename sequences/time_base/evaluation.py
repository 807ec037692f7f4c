"""What the time marks say: each time factor by itself; a delay beside the same without; the clock of all its sines.

[pure]
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from harness.analysis.estimate import state
from harness.analysis.joint import difference
from harness.analysis.rounding import format_value_u
from harness.analysis.verdict import relative_error
from harness.assess import PER_RATIO
from harness.models import Setup, Unit, rated
from harness.quantities import show
from harness.report import shown
from harness.report.checklist import count, heading
from harness.report.model import Evaluated, Finding, Heading, PartResult, Result
from harness.report.points import evaluate_points
from harness.report.readings import Taken
from harness.steps import GROUND, Measure, Reading
from harness.words.language import tr, tr_count
from sequences.time_base import Rated
from sequences.time_base.clock import ALIAS, CLOCK, RATE, clocks, jitter_of
from sequences.time_base.delay import MARK_AT_ZERO
from sequences.time_base.delay import RATING as DELAY
from sequences.time_base.span import RATING
from sequences.time_base.sweep import LINEARITY

_PS_PER_S = 1e12


def evaluate(
    setup: Setup, entry: Mapping[str, Any], taken: Sequence[Taken], _earlier: Sequence[PartResult] = ()
) -> Evaluated:
    """The points of one part, and what they say together."""
    sines = [reading for step, reading in taken if step.quantity == ALIAS.name]
    last = next((step for step, _ in reversed(taken) if step.quantity == ALIAS.name), None)
    gathered = [_of_one_result(step, last) for step, _ in taken]
    points = list(zip(gathered, (reading for _, reading in taken), strict=True))
    evaluated = evaluate_points(setup, entry, points, lambda _setup, results: _together(setup, results, sines))
    return replace(evaluated, results=tuple(_in_words(setup, last, sines, each) for each in evaluated.results))


def _of_one_result(step: Measure, last: Measure | None) -> Measure:
    """A reading that serves another's result: without delay as what is subtracted, a sine as one of all of them."""
    if step.quantity == MARK_AT_ZERO.name:
        return replace(step, purpose=GROUND)
    return replace(last, repeat=step.repeat) if last is not None and step.quantity == ALIAS.name else step


def _in_words(setup: Setup, last: Measure | None, sines: Sequence[Reading], result: Result) -> Result:
    """The clock's result with what each sine says of it in place of the aliases."""
    if result.quantity != CLOCK.name or last is None or result.statement is None:
        return result
    said = clocks(setup, last, sines)
    orders = tr(" and ").join(f"{order} ×" for order in sorted({each.order for each in said}))
    rate_hz = next(reading.more[RATE] for reading in sines if RATE in reading.more)
    errors = tuple(1e6 * relative_error(1.0 + each.error, 1.0, setup.job.error) for each in said)
    applied = tr("{count} sines beside {orders} {rate}", count=len(said), orders=orders, rate=show(rate_hz, "Hz"))
    return replace(
        result, applied=applied, applied_value=None,
        applied_unit="", expected=0.0, unit="ppm", readings=errors, reading=result.statement.estimate,
    )  # fmt: skip


def _together(setup: Setup, results: Sequence[Result], sines: Sequence[Reading]) -> Iterator[Finding]:
    """The jitter of the sampling instants, and whether clock and delay say the same."""
    clock, delay = (
        next((r for r in results if r.quantity == name and r.budget), None) for name in (CLOCK.name, DELAY.name)
    )
    if clock is not None and (jitter := jitter_of(sines)) is not None:
        yield _jitter(clock, *jitter)
    if clock is None or delay is None or clock.budget is None or delay.budget is None:
        return
    to_ppm = PER_RATIO["ppm"] / PER_RATIO[DELAY.error_in]
    lines = (replace(line, sensitivity=line.sensitivity * to_ppm) for line in delay.budget.contributions)
    in_ppm = replace(delay.budget, unit="ppm", estimate=delay.budget.estimate * to_ppm, contributions=tuple(lines))
    apart = state(difference(in_ppm, clock.budget, shared=()), setup.job.coverage)
    agree = (
        tr("no more than their uncertainty")
        if abs(apart.estimate) <= apart.expanded
        else tr("more than their uncertainty")
    )
    yield Finding(
        name="delay against clock",
        channel=clock.channel,
        path=delay.path,
        value=apart.estimate,
        u=apart.expanded,
        k=apart.k,
        unit="ppm",
        sentence=tr(
            "clock by delay less clock by sines {estimate}, {agree}.",
            estimate=format_value_u(apart.estimate, apart.expanded, "ppm", signed=True),
            agree=agree,
        ),
    )


def _jitter(clock: Result, jitter_s2: float, u_s2: float) -> Finding:
    """The jitter with its U; where it is not told from none, what it lies below."""
    most_ps = _PS_PER_S * math.sqrt(max(jitter_s2, 0.0) + 2.0 * u_s2)
    jitter_ps = _PS_PER_S * math.sqrt(max(jitter_s2, 0.0))
    shows = jitter_s2 > 2.0 * u_s2
    u_ps = _PS_PER_S * u_s2 / math.sqrt(jitter_s2) if shows else most_ps  # k = 2 over twice the root
    said = format_value_u(jitter_ps, u_ps, "ps") if shows else tr("below {most_ps:.2g} ps", most_ps=most_ps)
    return Finding(
        name="sampling jitter", channel=clock.channel, path=clock.path, value=jitter_ps if shows else 0.0, u=u_ps,
        unit="ps",
        sentence=tr("with that of the source, apart from noise: {said} (rms).", said=said),
    )  # fmt: skip


def specification(unit: Unit) -> Iterator[str]:
    """What the unit is held against."""
    stated = rated(unit, Rated)
    if unit.s_per_div:
        yield tr("time factors ±{time}", time=shown.percent(stated.time))
    if stated.time_magnified:
        yield tr("magnified ±{time_magnified}", time_magnified=shown.percent(stated.time_magnified))
    if stated.time_linearity:
        yield tr(
            "marks within ±{time_linearity} of eight divisions", time_linearity=shown.percent(stated.time_linearity)
        )
    if stated.time_delay:
        yield tr("delay ±{time_delay}", time_delay=shown.percent(stated.time_delay))
    if stated.time_clock:
        yield tr("sample clock ±{time_clock}", time_clock=shown.number(1e6 * stated.time_clock, "ppm"))


def headings(_setup: Setup, parts: Sequence[PartResult]) -> Iterator[Heading]:
    """What the calibration guide asks of the time base."""
    read = count(parts, RATING.name)
    others = [name for name in (LINEARITY.name, DELAY.name, CLOCK.name) if count(parts, name)]
    by = ", ".join((*([tr_count(read, "time factor")] if read else []), *map(tr, others)))
    yield heading(tr("Horizontal deflection"), bool(by), by, tr("sequence time_base"))
