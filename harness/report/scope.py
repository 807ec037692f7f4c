"""The scope of accreditation: no result states less than its smallest uncertainty, and what lies outside is marked.

ILAC-P14:09/2020, 5.4: what is reported is not smaller than the calibration and measurement capability of the scope.
[pure]
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

from harness.analysis.estimate import Budget, Statement, coverage_factor, normal, state
from harness.assess import PER_RATIO
from harness.models import ScopeLine, Setup
from harness.report import shown
from harness.report.model import Fact, Result
from harness.steps import Sine
from harness.words.language import tr, tr_count, tr_later

OUTSIDE: Final = tr_later("outside the scope of accreditation")
BY_BUDGET: Final = tr_later("; by its budget it is ")  # before the value that is a result's own
_RAISED: Final = tr_later("raised to the smallest U of the scope")
_LINE: Final = tr_later("raised to the smallest uncertainty of the scope of accreditation")
_STEPS: Final = 40  # of a bisection: to the last bits of what is added


def within_scope(setup: Setup, results: Iterable[Result]) -> tuple[Result, ...]:
    """The results as the scope lets them be stated; as they are where the laboratory has none."""
    lines = setup.bench.scope
    return tuple(_stated(setup, lines, result) if lines else result for result in results)


def _stated(setup: Setup, lines: Sequence[ScopeLine], result: Result) -> Result:
    if result.word == "not measured":
        return result
    line = next((line for line in lines if _holds(line, result)), None)
    if line is None:
        return replace(result, remarks=(*result.remarks, tr(OUTSIDE)))
    statement = result.statement
    least = None if statement is None else _least(line, statement)
    if statement is None or least is None or statement.expanded >= least:
        return result
    budget, raised = _raised(result.budget, statement, least)
    was = shown.value_and_u(statement.estimate, statement.expanded, statement.unit)[1]
    remark = f"U {tr(_RAISED)}{tr(BY_BUDGET)}{was}"
    made = replace(result, budget=budget, statement=raised, remarks=(*result.remarks, remark))
    if result.verdict is not None:
        made = made.decided(setup.job.rule)
    if not result.sentence:
        return made
    said = tr(
        "Channel {channel}: {quantity} {raised}: {word}.",
        channel=made.channel,
        quantity=made.quantity,
        raised=shown.with_u(raised, with_sign=made.is_error),
        word=made.word,
    )  # with no U but the raised
    return replace(made, sentence=said)


def _holds(line: ScopeLine, result: Result) -> bool:
    if line.quantity != result.quantity:
        return False
    frequency_hz = result.stimulus.frequency_hz if isinstance(result.stimulus, Sine) else None
    if result.statement is not None and result.statement.unit == "Hz":
        frequency_hz = result.statement.estimate
    per_div = {result.setting_unit: result.setting_value}
    return line.covers(volts_per_div=per_div.get("V/div"), s_per_div=per_div.get("s/div"), frequency_hz=frequency_hz)


def _least(line: ScopeLine, statement: Statement) -> float | None:
    """The smallest U in the unit of a statement, at its probability; the scope states it for k = 2."""
    if statement.unit == "dB":
        least = line.smallest_db
    else:
        least = line.smallest and line.smallest * PER_RATIO.get(statement.unit, abs(statement.estimate))
    return None if least is None else least * coverage_factor(statement.probability) / 2.0


def _raised(budget: Budget | None, statement: Statement, least: float) -> tuple[Budget | None, Statement]:
    """The budget with a line that brings its U to the smallest, and its statement."""
    made = statement
    if budget is not None:
        low, high = 0.0, least
        for _ in range(_STEPS):
            extra = 0.5 * (low + high)
            enough = state(_with(budget, extra), statement.probability).expanded >= least
            low, high = (low, extra) if enough else (extra, high)
        budget = _with(budget, high)
        made = state(budget, statement.probability)
    u = made.u if budget is not None else least / statement.k
    estimate = made.estimate
    return budget, replace(made, u=u, k=least / u, expanded=least, low=estimate - least, high=estimate + least)


def _with(budget: Budget, extra: float) -> Budget:
    return replace(budget, contributions=(*budget.contributions, normal(tr(_LINE), u=extra, unit=budget.unit)))


def facts(setup: Setup, results: Iterable[Result]) -> tuple[Fact, ...]:
    """What a report says of its scope; nothing where the laboratory has none."""
    if not setup.bench.scope:
        return ()
    remarks = [remark for result in results for remark in result.remarks]
    raised, outside = sum(tr(_RAISED) in remark for remark in remarks), remarks.count(tr(OUTSIDE))
    text = tr("No result is stated with an uncertainty smaller than the smallest of the laboratory's scope")
    text += (
        tr("; that of {results} was raised to it, as marked.", results=tr_count(raised, "result")) if raised else "."
    )
    if outside:
        text += tr(
            " {results}, marked so, {more} outside the scope.",
            results=tr_count(outside, "result"),
            more=tr("lies") if outside == 1 else tr("lie"),
        )
    text += tr(" What was found besides, without a verdict, lies outside the scope.")
    return (Fact(name="Scope of accreditation", text=text, clause="7.8.2.1, ILAC-P14"),)
