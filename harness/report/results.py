"""The report as JSON: versioned, every number with its unit in the key or beside it, never NaN nor infinity.

Where a unit depends on the point, it ends the key as well ("estimate_percent", "reading_div"); a unit of the user's own
stands beside the number in "unit". null means that there is no value, or, for degrees of freedom and ratios, infinity.
Keys are only ever added within a version.
"""

from __future__ import annotations

import math
from dataclasses import asdict, fields
from typing import TYPE_CHECKING, Any, Final

from harness.report import shown
from harness.words.json_text import json_text

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    from harness.analysis.curve import Curve
    from harness.analysis.estimate import Budget, Statement
    from harness.analysis.verdict import Limits, Verdict
    from harness.report.model import Adjustment, PartResult, Report, Result

FORMAT: Final = "halfpower-report"
VERSION: Final = 2

_SUFFIX: Final = {
    "%": "percent", "": "ratio", "ratio": "ratio", "ppm": "ppm", "div": "div", "V": "v", "Vpp": "vpp", "s": "s",
    "ns": "ns", "Hz": "hz", "dB": "db", "Ω": "ohm", "V/div": "v_per_div", "s/div": "s_per_div",
}  # fmt: skip


def results(report: Report) -> dict[str, Any]:
    """The report as values that JSON holds."""
    plain = {
        "format": FORMAT,
        "version": VERSION,
        "number": report.number,
        "id": report.id,
        "journal_sha256": report.journal_sha256,
        "issued": report.issued,
        "title": report.title,
        "program": report.program,
        "started": report.started,
        "ended": report.ended,
        "finished": report.finished,
        "simulated": report.simulated,
        "marks": list(shown.marks(report)),
        "overall": report.overall,
        "sentence": report.sentence,
        "next_step": report.next_step,
        "rule": report.setup.job.rule,
        "rule_text": report.rule_text,
        "equality_text": report.equality_text,
        "error_definition": report.setup.job.error,
        "error_text": report.error_text,
        "accreditation": shown.NOT_ACCREDITED,
        "unit": _unit(report),
        "job": _job(report),
        "standards": [_plain(standard) for standard in report.standards],
        "by_eye": [_plain(row) for row in report.by_eye],
        "parts": [_part(part) for part in report.parts],
        "deviations": list(report.deviations),
        "notes": list(report.notes),
        "photographs": [_plain(photograph) for photograph in report.photographs],
        "facts": [{"title": g.title, "facts": [_plain(fact) for fact in g.facts]} for g in report.facts],
        "not_stated": list(report.not_stated),
        "statements": [_plain(fact) for fact in report.statements],
        "signatures": [_plain(signature) for signature in report.signatures],
        "checklist": [_plain(heading) for heading in report.checklist],
        "adjustment": None if report.adjustment is None else _adjustment(report.adjustment),
    }
    if report.issue is not None:
        plain["issue"] = asdict(report.issue)
    return {key: _finite(value) for key, value in plain.items()}


def to_json(report: Report) -> str:
    """The report as JSON text; the same report gives the same bytes."""
    return json_text(results(report), indent=1) + "\n"


def keyed(name: str, unit: str, value: Any) -> dict[str, Any]:
    """A number under a key that ends in its unit, or with the unit beside it."""
    if unit in _SUFFIX:
        return {f"{name}_{_SUFFIX[unit]}": value}
    return {name: value, f"{name}_unit": unit}


def _plain(value: DataclassInstance) -> dict[str, Any]:
    return {field.name: getattr(value, field.name) for field in fields(value)}


def _finite(value: Any) -> Any:
    match value:
        case float():
            return value if math.isfinite(value) else None
        case dict():
            return {key: _finite(item) for key, item in value.items()}
        case list() | tuple():
            return [_finite(item) for item in value]
        case _:
            return value


def _unit(report: Report) -> dict[str, Any]:
    unit = report.setup.unit
    return {
        "maker": unit.maker,
        "model": unit.model,
        "serial": report.setup.job.serial,
        "channels": unit.channels,
        "rated_bandwidth_hz": unit.bandwidth,
        **{  # those that every unit has
            f"{key}_tolerance_ratio": getattr(unit.tolerance, key)
            for key, field in type(unit.tolerance).model_fields.items()
            if field.default is not None
        },
        "read": unit.read,
        "resolution_div": unit.resolution,
    }


def _job(report: Report) -> dict[str, Any]:
    job, bench = report.setup.job, report.setup.bench
    return {
        "condition": job.condition,
        "operator": job.operator,
        "laboratory": job.laboratory,
        "customer": job.customer,
        "customer_reference": job.customer_reference,
        "bench": bench.name,
        "location": bench.location,
        "temperature_celsius": job.environment.temperature,
        "humidity_ratio": job.environment.humidity,
        "environment_note": job.environment.note,
    }


def _part(part: PartResult) -> dict[str, Any]:
    return {
        "name": part.name,
        "use": part.use,
        "title": part.title,
        "finished": part.finished,
        "results": [_result(result) for result in part.results],
        "findings": [
            {"name": f.name, "channel": f.channel, "path": f.path, "sentence": f.sentence}
            | keyed("value", f.unit, f.value)
            | keyed("expanded_u", f.unit, f.u)
            | {"k": None if f.u is None else f.k}
            for f in part.findings
        ],
        "readings": [
            {
                "purpose": p.purpose, "channel": p.channel, "path": p.path, "applied": p.applied,
                "setting": p.setting, "quantity": p.quantity, "status": p.status,
            } | keyed("ideal", p.unit, p.expected) | keyed("value", p.unit, p.value)
            for p in part.plain
        ],
        **({"looked_at": [asdict(look) for look in part.looks]} if part.looks else {}),
        "left_out": list(part.left_out),
        "missing": list(part.missing),
    }  # fmt: skip


def _adjustment(a: Adjustment) -> dict[str, Any]:
    return {
        "number": a.number,
        "id": a.id,
        "journal_sha256": a.journal_sha256,
        "started": a.started,
        "ended": a.ended,
        "overall": a.overall,
        "sentence": a.sentence,
        "summary": a.summary,
        "pairs": [
            {
                "word": pair.word,
                "found": None if pair.found is None else _result(pair.found),
                "left": None if pair.left is None else _result(pair.left),
                "change": None if pair.change is None else _statement(pair.change),
            }
            for pair in a.pairs
        ],
    }


def _result(r: Result) -> dict[str, Any]:
    unit = r.result_unit
    return {
        "quantity": r.quantity,
        "channel": r.channel,
        "path": r.path,
        "setting": r.setting,
        **keyed("setting_value", r.setting_unit, r.setting_value),
        "applied": r.applied,
        **({"applied_corrected": r.corrected} if r.corrected else {}),
        **(keyed("applied_value", r.applied_unit, r.applied_value) if r.applied_unit else {}),
        **keyed("ideal", r.unit, r.expected),
        **keyed("reading", r.unit, r.reading),
        **keyed("readings", r.unit, list(r.readings)),
        "result": None if r.statement is None else _statement(r.statement),
        **({} if r.at_least is None else keyed("at_least", unit, r.at_least)),
        "limits": _limits(r.limits, unit),
        "verdict": _verdict(r.verdict, unit),
        "word": r.word,
        "sentence": r.sentence,
        "remarks": list(r.remarks),
        "budget": None if r.budget is None else _budget(r.budget),
        "curve": None if r.curve is None else _curve(r.curve),
    }


def _statement(s: Statement) -> dict[str, Any]:
    return {
        **keyed("estimate", s.unit, s.estimate),
        **keyed("u", s.unit, s.u),
        **keyed("expanded_u", s.unit, s.expanded),
        **keyed("low", s.unit, s.low),
        **keyed("high", s.unit, s.high),
        "k": s.k,
        "probability": s.probability,
        "degrees_of_freedom": s.dof_eff,
        "method": s.method,
    }


def _limits(limits: Limits | None, unit: str) -> dict[str, Any] | None:
    return None if limits is None else {**keyed("low", unit, limits.low), **keyed("high", unit, limits.high)}


def _verdict(v: Verdict | None, unit: str) -> dict[str, Any] | None:
    if v is None:
        return None
    return {
        "word": v.word,
        "sentence": v.sentence,
        "rule": v.rule,
        **keyed("guard_band", unit, v.guard_band),
        "acceptance": _limits(v.acceptance, unit),
        "test_uncertainty_ratio": v.tur,
        "conformance_probability": v.conformance_probability,
    }


def _budget(b: Budget) -> dict[str, Any]:
    return {
        "quantity": b.quantity,
        **keyed("estimate", b.unit, b.estimate),
        **keyed("u", b.unit, b.u),
        "degrees_of_freedom": b.dof_eff,
        "contributions": [
            {
                "name": c.name,
                **keyed("value", c.unit, c.value),
                **keyed("half_width", c.unit, c.half_width),
                "distribution": c.distribution,
                "divisor": c.divisor,
                **keyed("u", c.unit, c.u),
                "sensitivity": c.sensitivity,
                **keyed("contribution", b.unit, c.contribution),
                "origin": c.origin,
                "degrees_of_freedom": c.dof,
                "known_from": c.known_from,
            }
            for c in b.contributions
        ],
        "correlations": [{"one": one, "other": other, "r": r} for one, other, r in b.correlations],
    }


def _curve(c: Curve) -> dict[str, Any]:
    return {
        "status": c.status,
        "reference_hz": c.reference_hz,
        "reference_div": c.reference_div,
        **({"limits_db": list(c.limits_db)} if c.drop_db is None else {"drop_db": c.drop_db}),
        "slope_db_per_ln_f": c.slope_db_per_ln,
        "recovers_hz": c.recovers_hz,
        "lowest": c.lowest,
        "readings_used": c.readings_used,
        "flags": [_plain(flag) for flag in c.flags],
        "points": [_plain(point) for point in c.points],
        "level_method": c.level_method,
        "level": [{"frequency_hz": x.frequency_hz, "level_db": x.level_db, "u_db": x.u_db} for x in c.level],
    }
