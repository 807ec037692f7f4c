"""Tidy tables: one row a point, a response reading or a budget line; as CSV after RFC 4180.

Text is UTF-8 without a byte-order mark, lines end in CR LF, numbers are written in full (shortest form that reads back
to the same double) with a decimal point, and a missing or infinite value is an empty cell.

A spreadsheet takes a cell that begins with = + - @ for a formula. Text cells that begin with one of these (or its
full-width form), or with an apostrophe, get one apostrophe in front: whoever reads the file back takes one leading
apostrophe off every text cell. Numbers are never touched.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from harness.words.clean import clean

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from harness.analysis.estimate import Statement
    from harness.analysis.verdict import Limits, Verdict
    from harness.report.model import Adjustment, Finding, PartResult, PlainReading, Report, Result

Cell: TypeAlias = str | int | float | None

_FORMULA: Final = ("=", "+", "-", "@", "＝", "＋", "－", "＠", "'")


@dataclass(frozen=True, slots=True, kw_only=True)
class PointRow:
    """One result. `result` is an error, a half-power frequency or a finding; every unit stands in its own column."""

    part: str
    kind: str  # "point", the quantity of a curve, "finding", "reading", "as found" or "change"
    quantity: str
    channel: int | None = None
    path: str = ""
    setting: str = ""
    setting_value: float | None = None
    setting_unit: str = ""
    applied: str = ""
    applied_value: float | None = None
    applied_unit: str = ""
    ideal: float | None = None
    reading: float | None = None
    reading_unit: str = ""
    readings: int | None = None
    result: float | None = None
    result_unit: str = ""
    standard_u: float | None = None
    expanded_u: float | None = None
    k: float | None = None
    probability: float | None = None
    degrees_of_freedom: float | None = None
    interval_low: float | None = None
    interval_high: float | None = None
    method: str = ""
    limit_low: float | None = None
    limit_high: float | None = None
    guard_band: float | None = None
    acceptance_low: float | None = None
    acceptance_high: float | None = None
    test_uncertainty_ratio: float | None = None
    conformance_probability: float | None = None
    verdict: str = ""
    remarks: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseRow:
    """One reading of a response, as the fit saw it."""

    part: str
    channel: int
    path: str
    setting: str
    frequency_hz: float
    response_db: float
    u_db: float
    fitted_db: float | None
    residual: float | None
    purpose: str
    used: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetRow:
    """One line of the budget of one result."""

    part: str
    quantity: str
    channel: int
    path: str
    setting: str
    contribution: str
    value: float | None
    half_width: float | None
    unit: str
    distribution: str
    divisor: float | None
    standard_u: float | None
    sensitivity: float | None
    contribution_u: float
    contribution_unit: str
    degrees_of_freedom: float


def point_rows(report: Report) -> tuple[PointRow, ...]:
    """Every result of a report in its order: results, findings, plain readings.

    Of a unit as left, what was found follows: the results as found, and how much each has changed.
    """
    rows: list[PointRow] = []
    for part in report.parts:
        rows += [_of_result(part.name, result) for result in part.results]
        rows += [_of_finding(part, finding) for finding in part.findings]
        rows += [_of_plain(part, plain) for plain in part.plain]
    if report.adjustment is not None:
        rows += _of_adjustment(report.adjustment)
    return tuple(rows)


def response_rows(report: Report) -> tuple[ResponseRow, ...]:
    """Every reading of every response."""
    return tuple(
        ResponseRow(
            part=part.name, channel=r.channel, path=r.path, setting=r.setting, frequency_hz=p.frequency_hz,
            response_db=p.response_db, u_db=p.u_db, fitted_db=p.fitted_db, residual=p.residual, purpose=p.purpose,
            used=p.used,
        )
        for part in report.parts for r in part.results if r.curve is not None for p in r.curve.points
    )  # fmt: skip


def budget_rows(report: Report) -> tuple[BudgetRow, ...]:
    """Every line of every budget."""
    return tuple(
        BudgetRow(
            part=part.name, quantity=r.quantity, channel=r.channel, path=r.path, setting=r.setting,
            contribution=c.name, value=c.value, half_width=c.half_width, unit=c.unit, distribution=c.distribution,
            divisor=c.divisor, standard_u=c.u, sensitivity=c.sensitivity, contribution_u=c.contribution,
            contribution_unit=r.budget.unit, degrees_of_freedom=c.dof,
        )
        for part in report.parts for r in part.results if r.budget is not None for c in r.budget.contributions
    )  # fmt: skip


def points_csv(report: Report) -> str:
    """The results as CSV, one row a point."""
    return _csv(PointRow, point_rows(report))


def response_csv(report: Report) -> str:
    """The response readings as CSV."""
    return _csv(ResponseRow, response_rows(report))


def budget_csv(report: Report) -> str:
    """The budgets as CSV, one row a line."""
    return _csv(BudgetRow, budget_rows(report))


def safe_cell(value: Any) -> Cell:
    """Make a cell that no spreadsheet takes for a formula, and that reads back to the same value."""
    match value:
        case bool():
            return "true" if value else "false"
        case float():
            return repr(value) if math.isfinite(value) else ""
        case str():
            text = clean(value)
            return "'" + text if text.startswith(_FORMULA) else text
        case None:
            return ""
        case dt.date():
            return value.isoformat()
        case _:
            return int(value)


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """Rows of values as CSV, by the rules above; a date or time as ISO writes it."""
    file = io.StringIO()
    writer = csv.writer(file, dialect="excel", lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([safe_cell(value) for value in row] for row in rows)
    return file.getvalue()


def _csv(row: type, rows: Iterable[Any]) -> str:
    names = [f.name for f in fields(row)]
    return csv_text(names, ([getattr(one, name) for name in names] for one in rows))


def _of_result(part: str, r: Result) -> PointRow:
    cells = _stated(r.statement) | _judged(r.verdict, r.limits)
    if r.at_least is not None:
        cells |= {"interval_low": r.at_least, "result_unit": r.result_unit}
    return PointRow(
        part=part, kind="point" if r.curve is None else r.quantity, quantity=r.quantity, channel=r.channel,
        path=r.path, setting=r.setting, setting_value=r.setting_value, setting_unit=r.setting_unit, applied=r.applied,
        applied_value=r.applied_value, applied_unit=r.applied_unit, ideal=r.expected, reading=r.reading,
        reading_unit=r.unit, readings=len(r.readings) if r.curve is None else r.curve.readings_used, verdict=r.word,
        remarks="; ".join(r.remarks), **cells,
    )  # fmt: skip


def _stated(s: Statement | None) -> dict[str, Any]:
    if s is None:
        return {}
    return {
        "result": s.estimate, "result_unit": s.unit, "standard_u": s.u, "expanded_u": s.expanded, "k": s.k,
        "probability": s.probability, "degrees_of_freedom": s.dof_eff, "interval_low": s.low, "interval_high": s.high,
        "method": s.method,
    }  # fmt: skip


def _judged(v: Verdict | None, limits: Limits | None) -> dict[str, Any]:
    cells: dict[str, Any] = {}
    if limits is not None:
        cells |= {"limit_low": limits.low, "limit_high": limits.high}
    if v is not None:
        cells |= {
            "guard_band": v.guard_band, "test_uncertainty_ratio": v.tur,
            "conformance_probability": v.conformance_probability,
        }  # fmt: skip
        if v.acceptance is not None:
            cells |= {"acceptance_low": v.acceptance.low, "acceptance_high": v.acceptance.high}
    return cells


def _of_adjustment(a: Adjustment) -> Iterable[PointRow]:
    part = f"as found, {a.number}"
    for pair in a.pairs:
        if pair.found is not None:
            yield replace(_of_result(part, pair.found), kind="as found")
        if pair.change is not None:
            r = pair.either
            yield PointRow(
                part=part, kind="change", quantity=r.quantity, channel=r.channel, path=r.path, setting=r.setting,
                applied=r.applied, remarks=pair.word, **_stated(pair.change),
            )  # fmt: skip


def _of_finding(part: PartResult, f: Finding) -> PointRow:
    return PointRow(
        part=part.name, kind="finding", quantity=f.name, channel=f.channel, path=f.path, result=f.value,
        result_unit=f.unit, expanded_u=f.u, k=None if f.u is None else f.k, remarks=f.sentence,
    )  # fmt: skip


def _of_plain(part: PartResult, p: PlainReading) -> PointRow:
    return PointRow(
        part=part.name, kind="reading", quantity=p.quantity, channel=p.channel, path=p.path, setting=p.setting,
        applied=p.applied, ideal=p.expected, reading=p.value, reading_unit=p.unit, remarks=f"{p.purpose}: {p.status}",
    )  # fmt: skip
