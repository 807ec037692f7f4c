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

from harness.analysis.verdict import Limits
from harness.report import shown
from harness.words.clean import clean

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from harness.analysis.estimate import Statement
    from harness.analysis.verdict import Verdict
    from harness.report.model import Adjustment, Finding, PartResult, PlainReading, Point, Report, Response

Cell: TypeAlias = str | int | float | None

_FORMULA: Final = ("=", "+", "-", "@", "＝", "＋", "－", "＠", "'")


@dataclass(frozen=True, slots=True, kw_only=True)
class PointRow:
    """One result. `result` is an error, a half-power frequency or a finding; every unit stands in its own column."""

    part: str
    kind: str  # "point", "half-power frequency", "finding", "reading", "as found" or "change"
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
    """Every result of a report in its order: points, half-power frequencies, findings, plain readings.

    Of a unit as left, what was found follows: the points and frequencies as found, and how much each has changed.
    """
    rows: list[PointRow] = []
    for part in report.parts:
        rows += [_of_point(part.name, point) for point in part.points]
        rows += [_of_response(part.name, response) for response in part.responses]
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
        for part in report.parts for r in part.responses for p in r.result.points
    )  # fmt: skip


def budget_rows(report: Report) -> tuple[BudgetRow, ...]:
    """Every line of every budget; those of a half-power frequency give relative shares of it."""
    rows: list[BudgetRow] = []
    for part in report.parts:
        rows += [
            BudgetRow(
                part=part.name, quantity=p.quantity, channel=p.channel, path=p.path, setting=p.setting,
                contribution=c.name, value=c.value, half_width=c.half_width, unit=c.unit, distribution=c.distribution,
                divisor=c.divisor, standard_u=c.u, sensitivity=c.sensitivity, contribution_u=c.contribution,
                contribution_unit=p.budget.unit, degrees_of_freedom=c.dof,
            )
            for p in part.points if p.budget is not None for c in p.budget.contributions
        ]  # fmt: skip
        rows += [
            BudgetRow(
                part=part.name, quantity=r.quantity, channel=r.channel, path=r.path, setting=r.setting,
                contribution=line.name, value=None, half_width=None, unit="dB", distribution="normal", divisor=None,
                standard_u=line.u_db, sensitivity=None, contribution_u=line.u_rel, contribution_unit="ratio",
                degrees_of_freedom=line.degrees_of_freedom,
            )
            for r in part.responses for line in r.result.budget
        ]  # fmt: skip
    return tuple(rows)


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


def _of_point(part: str, p: Point) -> PointRow:
    return PointRow(
        part=part, kind="point", quantity=p.quantity, channel=p.channel, path=p.path, setting=p.setting,
        setting_value=p.setting_value, setting_unit=shown.setting_unit(p), applied=p.applied,
        applied_value=p.applied_value, applied_unit=shown.applied_unit(p), ideal=p.expected,
        reading=p.reading, reading_unit=p.unit, readings=len(p.readings),
        verdict=p.word, remarks="; ".join(p.remarks), **_stated(p.statement),
        **_judged(p.verdict, p.limits),
    )  # fmt: skip


def _of_response(part: str, r: Response) -> PointRow:
    result = r.result
    low, high = result.interval_hz or (result.bound_hz, None)
    u_hz = None if result.u_rel is None or result.frequency_hz is None else result.u_rel * result.frequency_hz
    return PointRow(
        part=part, kind=r.quantity, quantity=r.quantity, channel=r.channel, path=r.path,
        setting=r.setting, ideal=r.rated_hz, readings=result.readings_used, reading_unit="Hz",
        result=result.frequency_hz, result_unit="Hz", standard_u=u_hz, expanded_u=shown.expanded_hz(result),
        k=result.k if u_hz is not None else None, interval_low=low, interval_high=high, method=result.status,
        verdict=r.word, remarks="; ".join(r.remarks),
        **_judged(r.verdict, Limits(low=r.rated_hz) if r.verdict is None else r.verdict.limits),
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
    for pair in a.points:
        if pair.found is not None:
            yield replace(_of_point(part, pair.found), kind="as found")
        if pair.change is not None:
            point = pair.either
            yield PointRow(
                part=part, kind="change", quantity=point.quantity, channel=point.channel, path=point.path,
                setting=point.setting, applied=point.applied, remarks=pair.word, **_stated(pair.change),
            )  # fmt: skip
    for other in a.responses:
        if other.found is not None:
            yield replace(_of_response(part, other.found), kind="as found")
        if other.change_hz is not None:
            r = other.either
            yield PointRow(
                part=part, kind="change", quantity=r.quantity, channel=r.channel, path=r.path,
                setting=r.setting, result=other.change_hz, result_unit="Hz", expanded_u=other.expanded_hz,
                remarks=other.word,
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
