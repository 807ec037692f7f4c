"""Reports for the tests: invented readings of invented units, put through the real analysis.

The readings are made here by formulas of this file (a Gaussian, a rippling or a flat response; range errors drawn from
a seeded generator); errors, budgets, statements and verdicts are the analysis' own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

from harness import quantities
from harness.analysis import estimate
from harness.analysis.curve import Band, Curve, Flag, LevelPoint
from harness.analysis.deflection import deflection_error
from harness.analysis.estimate import Budget, state
from harness.analysis.graticule import Reader
from harness.analysis.joint import difference
from harness.analysis.verdict import (
    EQUALITY_TEXT,
    RULE_TEXT,
    Limits,
    Rule,
    Verdict,
    decide_statement,
    overall,
)
from harness.models import Setup
from harness.report import particulars
from harness.report.checklist import checklist
from harness.report.html import html_page
from harness.report.model import (
    Finding,
    PartResult,
    PlainReading,
    Report,
    Result,
    Standard,
    Word,
)
from harness.report.summary import beside, with_particulars
from harness.steps import Dc, TimeMarks, View
from sequences.bandwidth.response import half_power, response_band
from sequences.bandwidth.response_model import HalfPower, ReadingModel, ResponsePlan, ResponseReading
from sequences.time_base.span import time_base_error

RANGES_V = (5e-3, 1e-2, 2e-2, 5e-2, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
TIME_FACTORS_S = (1e-7, 1e-6, 1e-5, 1e-4, 1e-3, 1e-2)
RATED_HZ, REFERENCE_HZ = 40e6, 50e3
HOSTILE = "</style><script>alert('x')</script>\x1b[31m=cmd|' /C calc'!A1 [bold]{{ 7*7 }} $\\frac{1}{0}$ \u202ecod.exe"

Shape = Callable[[float], float]


def gaussian(f3_hz: float) -> Shape:
    """A response in dB that falls as a Gaussian does."""
    return lambda f: -10.0 * math.log10(2.0) * (f / f3_hz) ** 2


def rippling(f3_hz: float) -> Shape:
    """A response that falls through half power, recovers above it and falls for good."""
    return lambda f: -0.6 * (f / f3_hz) ** 2 - 3.4 * math.exp(-((math.log(f / (1.25 * f3_hz)) / 0.22) ** 2))


def flat(_f3_hz: float) -> Shape:
    """A response that no generator of this bench reaches the end of."""
    return lambda f: -0.4 * (f / 250e6) ** 2


def setup(*, rule: Rule = "guarded", simulation: str | None = None, serial: str = "NF-20417", **job: Any) -> Setup:
    """The bench, the unit and the job of the examples."""
    scpi = {"maker": "Aldermoor", "certificate": "BRK-2026-0114", "certified": "2026-02-11", "due": "2027-02-11"}
    bench = {
        "name": "Radio lab, bench 2", "location": "Brackwater, room 1.14",
        "calibrator": {**scpi, "model": "Purbeck", "serial": "1182", "address": "TCPIP0::192.0.2.11::5025::SOCKET"},
        "generator": {**scpi, "model": "Durlston", "serial": "0377", "frequency_high": 250e6},
        "counter": {**scpi, "model": "Peveril", "serial": "2201"},
        "reference": {**scpi, "model": "Anvil", "serial": "0093", "bandwidth": 500e6},
        "paths": {
            "direct": {"label": "50 ohm lead", "termination": 50.0, "termination_tolerance": 0.01, "maximum": 30.0},
            "divider": {"label": "divider probe ×10", "divides_by": 10.0, "tolerance": 0.02},
        },
    }  # fmt: skip
    if simulation:
        bench["simulation"] = simulation
    unit = {
        "maker": "Northfen", "model": "Plover", "volts_per_div": RANGES_V, "s_per_div": TIME_FACTORS_S,
        "magnifier": 10.0, "bandwidth": RATED_HZ, "input": {"maximum": 400.0},
    }  # fmt: skip
    header = {
        "title": "Verification of an oscilloscope", "unit": "units/plover.toml", "bench": "bench.toml",
        "serial": serial, "rule": rule, "operator": "I. Marrow", "laboratory": "Radio laboratory, Brackwater",
        "customer": "Deck department", "customer_reference": "inventory 3308",
        "environment": {"temperature": 22.6, "humidity": 0.47, "note": "bench lamp off"},
        "sequence": [
            {"use": "vertical", "method": "dc", "levels": 1}, {"use": "bandwidth", "reference_frequency": "50 kHz"},
            {"use": "time_base"},
        ],
    } | job  # fmt: skip
    return Setup.from_header({"bench": bench, "unit": unit, "job": header})


def verdict_of(budget: Budget, limits: Limits, rule: Rule) -> Verdict:
    """Decide a budget as a run would."""
    return decide_statement(state(budget), limits, rule, budget=budget)


def deflection_point(
    *, channel: int, path: str, volts_per_div: float, error: float, rng: np.random.Generator, rule: Rule, repeats: int
) -> Result:
    """One range, read by eye to 0.1 div (interpolated to 0.05) at six divisions."""
    applied_v = 6.0 * volts_per_div
    true_div = 6.0 * (1.0 + error)
    readings = tuple(round(round((true_div + rng.normal(0.0, 0.02)) / 0.05) * 0.05, 6) for _ in range(repeats))
    budget = deflection_error(
        readings,
        volts_per_div=volts_per_div,
        applied_v=applied_v,
        applied=[
            replace(
                estimate.rectangular("calibrator", half_width=0.0025 * applied_v, unit="V", value=applied_v),
                origin="calibrator",
            )
        ],
        reader=Reader(resolution_div=0.05, scatter_div=0.02),
        definition="indication",
    )
    limits = Limits.symmetric(3.0)
    verdict = verdict_of(budget, limits, rule)
    return Result(
        quantity="deflection", is_error=True, channel=channel, path=path,
        setting=quantities.show(volts_per_div, "V") + "/div",
        setting_value=volts_per_div, setting_unit="V/div", applied_unit="V",
        applied=quantities.show(applied_v, "V"), applied_value=applied_v, expected=6.0,
        readings=readings, reading=math.fsum(readings) / len(readings), unit="div", statement=state(budget),
        budget=budget, limits=limits, verdict=verdict, word=verdict.word, stimulus=Dc(level_v=applied_v),
        view=View(channel=channel, volts_per_div=volts_per_div, s_per_div=1e-3, ground_line_div=-3.0),
    )  # fmt: skip


def time_point(*, s_per_div: float, magnifier: int, error: float, rng: np.random.Generator, rule: Rule) -> Result:
    """One time factor over eight divisions."""
    span = round(round((8.0 * (1.0 + error) + rng.normal(0.0, 0.02)) / 0.05) * 0.05, 6)
    budget = time_base_error(
        (span,), expected_div=8.0, period=[estimate.rectangular("marks", half_width=1e-4)],
        reader=Reader(resolution_div=0.05, scatter_div=0.02), definition="indication",
    )  # fmt: skip
    limits = Limits.symmetric(5.0 if magnifier > 1 else 3.0)
    verdict = verdict_of(budget, limits, rule)
    factor = quantities.show(s_per_div, "s") + "/div" + (f" ×{magnifier}" if magnifier > 1 else "")
    return Result(
        quantity="time factor", is_error=True, channel=1, path="direct", setting=factor,
        setting_value=s_per_div / magnifier,
        setting_unit="s/div",
        applied_unit="s",
        applied=f"marks of {quantities.show(s_per_div / magnifier, 's')}", applied_value=s_per_div / magnifier,
        expected=8.0, readings=(span,), reading=span, unit="div", statement=state(budget), budget=budget,
        limits=limits, verdict=verdict, word=verdict.word,
        stimulus=TimeMarks(period_s=s_per_div / magnifier, level_vpp=1.0),
        view=View(channel=1, volts_per_div=0.5, s_per_div=s_per_div, magnifier=magnifier, ground_line_div=-3.0),
    )  # fmt: skip


def skipped(point: Result, remark: str) -> Result:
    """The same point, left out."""
    return replace(
        point, readings=(), reading=None, statement=None, budget=None, verdict=None, word="not measured",
        remarks=(remark,),
    )  # fmt: skip


def response(*, channel: int, shape: Shape, rule: Rule, seed: int, frequencies_hz: Sequence[float] = ()) -> Result:
    """A response read to 0.05 div at frequencies about the crossing, and what the analysis makes of it."""
    rng = np.random.default_rng(seed)
    plan = ResponsePlan(
        rated_hz=RATED_HZ, reference_hz=REFERENCE_HZ, min_hz=1e3, max_hz=250e6, deflection_div=6.0,
        reader=ReadingModel(resolution_div=0.05, scatter_div=0.02), u_level_db=0.05, u_reference_meter_db=0.02,
        u_frequency_rel=1e-6,
    )  # fmt: skip
    asked = [REFERENCE_HZ] * 3 + (list(frequencies_hz) or _around(shape)) + [REFERENCE_HZ] * 2
    readings = tuple(
        ResponseReading(
            frequency_hz=f,
            deflection_div=round(
                round((6.0 * 10 ** (shape(f) / 20.0) + rng.normal(0.0, 0.02)) / 0.05) * 0.05, 6
            ),
            purpose="reference" if f == REFERENCE_HZ else "refine",
        )
        for f in asked
    )  # fmt: skip
    half = half_power(readings, plan)
    limits, statement, verdict = Limits(low=RATED_HZ), None, None
    if half.budget is not None and half.interval_hz is not None:
        low, high = half.interval_hz
        statement = replace(state(half.budget), low=low, high=high)
        verdict = decide_statement(statement, limits, rule, budget=half.budget)
    word: Word = "not measured" if verdict is None else verdict.word
    if half.bound_hz is not None and half.bound_hz > RATED_HZ:
        word = "pass"
    curve = Curve(
        status=half.status, reference_hz=half.reference_hz, drop_db=half.drop_db, reference_div=half.reference_div,
        slope_db_per_ln=half.slope_db_per_ln, points=half.points, readings_used=half.readings_used,
        band=_band(readings, plan), level=_levels(sorted({r.frequency_hz for r in readings})),
        level_method="levelled once on the reference oscilloscope, its own roll-off corrected; repeated at the end",
        flags=half.flags,
    )  # fmt: skip
    return Result(
        quantity="half-power frequency", channel=channel, path="direct", setting="5 mV/div", setting_value=5e-3,
        setting_unit="V/div", unit="Hz", statement=statement, budget=half.budget,
        at_least=half.bound_hz if statement is None else None, result_unit="Hz", limits=limits, verdict=verdict,
        word=word, sentence=_sentence(channel, half, word), curve=curve,
    )  # fmt: skip


def _around(shape: Shape) -> list[float]:
    """Frequencies as a search would take them: coarse from below, close about the first crossing."""
    coarse = [1e5, 1e6, 5e6, 1e7, 2e7, 3e7, 4e7, 6e7, 7.5e7, 8e7, 1e8, 1.6e8, *[2.5e8] * 6]
    below = max((f for f in coarse if all(shape(g) > -3.01 for g in coarse if g <= f)), default=1e7)
    return coarse + [round(below * x, -3) for x in (1.02, 1.06, 1.1, 1.15, 1.2, 1.28) if below * x < 250e6]


def _band(readings: Sequence[ResponseReading], plan: ResponsePlan) -> Band:
    grid = np.geomspace(min(r.frequency_hz for r in readings), max(r.frequency_hz for r in readings), 121)
    value, u = response_band(readings, plan, grid)

    def numbers(array: Any) -> tuple[float | None, ...]:
        return tuple(float(x) if math.isfinite(x) else None for x in array)

    return Band(
        frequency_hz=tuple(float(f) for f in grid),
        response_db=numbers(value), low_db=numbers(value - 2.0 * u), high_db=numbers(value + 2.0 * u),
    )  # fmt: skip


def _levels(frequencies_hz: Sequence[float]) -> tuple[LevelPoint, ...]:
    return tuple(
        LevelPoint(frequency_hz=f, level_db=0.3 * (f / 250e6) ** 2 - 0.02, u_db=0.03 + 0.05 * f / 250e6)
        for f in frequencies_hz
    )


def _sentence(channel: int, result: HalfPower, word: Word) -> str:
    rated = f"rated {quantities.show(RATED_HZ, 'Hz')}"
    if result.frequency_hz is None:
        return f"Channel {channel} has no half-power frequency within the generator's range; {rated}: {word}."
    return f"Channel {channel} falls to half power at {quantities.show(result.frequency_hz, 'Hz')}; {rated}: {word}."


def standards(*, overdue: bool = False) -> tuple[Standard, ...]:
    """The standards of the bench; one past its due date if asked."""
    rows = (
        ("calibrator", "Purbeck no. 1182"), ("generator", "Durlston no. 0377"),
        ("counter", "Peveril no. 2201"), ("reference", "Anvil no. 0093"),
    )  # fmt: skip
    return tuple(
        Standard(
            role=role, label=f"Aldermoor {label}", identity=f"ALDERMOOR,{label.split()[0]},{label.split()[2]},1.04",
            certificate=f"BRK-2026-011{i}", certificate_by="Harbour Standards Laboratory", certified="2026-02-11",
            due="2026-09-30" if overdue and role == "generator" else "2027-02-11",
            overdue=overdue and role == "generator",
        )
        for i, (role, label) in enumerate(rows)
    )  # fmt: skip


def build(
    *,
    rule: Rule = "guarded",
    error_scale: float = 0.006,
    bad: tuple[int, float] | None = None,
    f3_hz: float = 48e6,
    shape: Callable[[float], Shape] = gaussian,
    simulation: str | None = None,
    overdue: bool = False,
    repeats: int = 2,
    seed: int = 7,
) -> Report:
    """A whole report of a two-channel unit: deflection straight and through the divider, response, time base."""
    rng = np.random.default_rng(seed)
    points = []
    for channel in (1, 2):
        for path, ranges in (("direct", RANGES_V), ("divider", (0.05, 0.5, 5.0) if channel == 1 else ())):
            for n, volts in enumerate(ranges):
                error = float(rng.normal(0.0, error_scale))
                if bad is not None and channel == 1 and path == "direct" and n == bad[0]:
                    error = bad[1]
                points.append(
                    deflection_point(
                        channel=channel, path=path, volts_per_div=volts, error=error, rng=rng, rule=rule,
                        repeats=repeats,
                    )
                )  # fmt: skip
    times = [
        time_point(s_per_div=s, magnifier=m, error=float(rng.normal(0.0, 0.005)), rng=rng, rule=rule)
        for m in (1, 10) for s in (TIME_FACTORS_S if m == 1 else TIME_FACTORS_S[:3])
    ]  # fmt: skip
    responses = tuple(
        response(channel=c, shape=shape(f3_hz * (1.0 + 0.03 * (c - 1))), rule=rule, seed=seed + c) for c in (1, 2)
    )
    return assemble(
        setup(rule=rule, simulation=simulation, allow_overdue=overdue),
        tuple(points), responses, tuple(times), overdue=overdue,
    )  # fmt: skip


def assemble(
    on: Setup, points: tuple[Result, ...], responses: tuple[Result, ...], times: tuple[Result, ...], *, overdue: bool
) -> Report:
    """Put the parts together with a verdict and a next step."""
    word = overall([p.verdict for p in (*points, *times) if p.verdict] + [r.verdict for r in responses if r.verdict])
    finished = all(p.word != "not measured" for p in points)
    first, second = (next(p for p in points if p.channel == c and p.budget) for c in (1, 2))
    assert first.budget is not None
    assert second.budget is not None
    one, other = replace(first.budget, quantity="channel 1"), replace(second.budget, quantity="channel 2")
    match = state(difference(one, other, shared=("calibrator",)))
    finding = Finding(
        name="channel match", channel=None, path="direct", value=match.estimate, u=match.expanded, unit="%",
        sentence=f"On {first.setting}, channel 1 less channel 2 is {match.text(signed=True)}.",
    )  # fmt: skip
    deviations = ["Channel 2, 0.1 V/div was read again: the first reading was withdrawn by the operator."]
    if overdue:
        deviations.append("The generator's certificate ran out on 2026-09-30, before this run; the job allowed it.")
    if not finished:
        deviations.append("The run was stopped before its end; what is missing is marked “not measured”.")
    report = Report(
        number="20261125-0915-NF-20417", id="8f1c0a52d7e94b6fa1d3c5e7f9b02468",
        journal_sha256="9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08", issued="2026-11-25",
        title=on.job.title or "Verification of an oscilloscope", setup=on,
        program="Halfpower 0.1.0", started="2026-11-25T09:15:02+00:00", ended="2026-11-25T10:41:37+00:00",
        finished=finished, simulated=on.bench.simulation is not None, overall=word,
        sentence=f"{on.unit.maker} {on.unit.model} no. {on.job.serial} {word}"
        + (" what its maker rates." if word != "cannot be decided" else " at the stated uncertainty."),
        next_step={
            "meets": "Put it back into service.",
            "does not meet": "Have it adjusted, then verify it again as left.",
            "cannot be decided": "Measure the undecided points with a smaller uncertainty, or by more repeats.",
        }[word],
        rule_text=RULE_TEXT[on.job.rule], equality_text=EQUALITY_TEXT,
        error_text="Error of indication: (indicated − applied)/applied, in percent.",
        parts=(
            PartResult(name="vertical", use="vertical", title="Vertical deflection", finished=finished, results=points,
                       findings=(finding,), left_out=("Channel 1, 10 V/div: the calibrator ends at 50 V.",)),
            PartResult(name="bandwidth", use="bandwidth", title="Half-power frequency", finished=True,
                       results=responses),
            PartResult(name="time_base", use="time_base", title="Time base", finished=True, results=times),
        ),
        standards=standards(overdue=overdue), deviations=tuple(deviations),
        notes=("10:02 Fan of the unit is loud.",), facts=(), not_stated=(), statements=(),
        signatures=particulars.signatures(on.job), checklist=(),
    )  # fmt: skip
    return with_particulars(replace(report, checklist=checklist(on, report.parts)))


def with_parts(report: Report, change: Callable[[PartResult], PartResult]) -> Report:
    """The report with every part changed."""
    return replace(report, parts=tuple(change(part) for part in report.parts))


@cache
def meets() -> Report:
    """Every point passes."""
    return build(error_scale=0.003)


@cache
def does_not_meet() -> Report:
    """One range far out, one just about a limit, and a bandwidth that falls short."""
    return build(bad=(3, 0.062), f3_hz=34e6, seed=11)


@cache
def as_left() -> Report:
    """A unit as left, with the run as found beside it: one range adjusted, a bandwidth that stays short."""
    found = build(bad=(3, 0.062), f3_hz=34e6, seed=11)
    left = build(f3_hz=34e6, seed=11)
    on = setup(condition="as left", operator_function="technician", authorised_by="", next_due="2027-11-30")
    later = replace(
        left, setup=on, number="20261126-1030-NF-20417", id="0d2b7c5e9a1f4386b2c4d6e8f0a1b3c5", issued="2026-11-26",
        started="2026-11-26T10:30:11+00:00", ended="2026-11-26T11:52:40+00:00",
        signatures=particulars.signatures(on.job),
    )  # fmt: skip
    return beside(with_particulars(later), found)


@cache
def undecided() -> Report:
    """Errors near the limits: nothing fails, not everything passes."""
    return build(bad=(5, 0.031), seed=3, error_scale=0.003, repeats=1)


@cache
def conditional() -> Report:
    """The rule with four words."""
    return build(rule="non-binary", bad=(5, 0.031), seed=3, error_scale=0.004, repeats=1)


@cache
def incomplete() -> Report:
    """Stopped in the middle; a skipped point; the time base not begun."""
    whole = build(error_scale=0.003)
    part = whole.parts[0]
    points = tuple(
        skipped(p, "skipped by the operator" if i == 4 else "the run ended before it") if i == 4 or i > 14 else p
        for i, p in enumerate(part.results)
    )
    cut = replace(part, results=points, finished=False, findings=())
    rest = tuple(replace(p, finished=False, results=()) for p in whole.parts[1:])
    return replace(
        whole, parts=(cut, *rest), finished=False, overall="cannot be decided", next_step="Resume the run.",
        sentence="The verification of Northfen Plover no. NF-20417 is not complete: it cannot be decided.",
    )  # fmt: skip


@cache
def overdue_standard() -> Report:
    """A standard past its due date, on a simulated bench: both marks."""
    return build(error_scale=0.003, overdue=True, simulation="sim/bench.toml")


@cache
def several_crossings() -> Report:
    """A response that recovers above its first half-power frequency."""
    return build(error_scale=0.003, shape=rippling, f3_hz=42e6)


@cache
def above_generator() -> Report:
    """A response that has not fallen at the highest frequency of the generator."""
    return build(error_scale=0.003, shape=flat)


@cache
def hostile() -> Report:
    """Text that means something to a browser, a terminal, a spreadsheet, a template and a formula, in every field."""
    base = build(error_scale=0.003, overdue=True, simulation="sim/bench.toml")
    on = setup(simulation="sim/bench.toml", serial=HOSTILE + "9" * 500, operator=HOSTILE, laboratory=HOSTILE,
               customer=HOSTILE, customer_reference=HOSTILE, title=HOSTILE,
               environment={"temperature": 22.6, "note": HOSTILE})  # fmt: skip

    def result(p: Result) -> Result:
        budget = p.budget and replace(
            p.budget, quantity=HOSTILE, contributions=tuple(replace(c, name=HOSTILE) for c in p.budget.contributions)
        )
        return replace(
            p, quantity=HOSTILE, path=HOSTILE, setting=HOSTILE + p.setting, applied=HOSTILE, remarks=(HOSTILE,),
            budget=budget, sentence=HOSTILE if p.sentence else "",
            curve=p.curve and replace(p.curve, level_method=HOSTILE, flags=(Flag(code=HOSTILE, sentence=HOSTILE),)),
        )  # fmt: skip

    def part(one: PartResult) -> PartResult:
        plain = PlainReading(purpose=HOSTILE, channel=1, path=HOSTILE, applied=HOSTILE, setting=HOSTILE,
                             quantity=HOSTILE, expected=None, value=1.5, unit=HOSTILE, status=HOSTILE)  # fmt: skip
        return replace(
            one, name=HOSTILE, use=HOSTILE, title=HOSTILE, results=tuple(result(r) for r in one.results),
            findings=tuple(
                replace(f, name=HOSTILE, path=HOSTILE, sentence=HOSTILE, unit=HOSTILE) for f in one.findings
            ),
            plain=(plain,), left_out=(HOSTILE,),
        )  # fmt: skip

    identity = dict.fromkeys(("number", "title", "program", "started", "ended"), HOSTILE)
    texts = dict.fromkeys(("sentence", "next_step", "rule_text", "equality_text", "error_text"), HOSTILE)
    return with_parts(
        replace(
            base, setup=on, deviations=(HOSTILE,), notes=(HOSTILE,),
            standards=tuple(
                replace(s, label=HOSTILE, identity=HOSTILE, certificate=HOSTILE, certified=HOSTILE, due=HOSTILE)
                for s in base.standards
            ),
            **identity,  # type: ignore[arg-type]
            **texts,  # type: ignore[arg-type]
        ),
        part,
    )  # fmt: skip


@cache
def far_names() -> Report:
    """Names that run from right to left, and one of 500 characters."""
    on = setup(
        serial="\u05d0\u05d1\u05d2-" + "7" * 496, customer="\u05d0\u05d5\u05e0\u05d9\u05d9\u05d4 (3308)",
        laboratory="\u0645\u062e\u062a\u0628\u0631 1.14, Brackwater", operator="W" * 500,
        laboratory_address="\u05e8\u05d7\u05d5\u05d1 2, Brackwater", item_condition="ok " * 150,
    )  # fmt: skip
    base = build(bad=(3, 0.062), seed=11)
    named = f"{on.unit.maker} {on.unit.model}, no. {on.job.serial}, does not meet its rating: 1 of 34 points fail."
    return with_particulars(replace(base, setup=on, sentence=named, signatures=particulars.signatures(on.job)))


@cache
def plain_only() -> Report:
    """A sequence of the user's own: readings without a judgement."""
    base = meets()
    rows = tuple(
        PlainReading(purpose="warm-up", channel=1, path="direct", applied="300 mV", setting="50 mV/div",
                     quantity="deflection", expected=6.0, value=6.0 - 0.02 * n if n < 3 else None, unit="div",
                     status="read" if n < 3 else "skipped")
        for n in range(4)
    )  # fmt: skip
    part = PartResult(name="warm_up", use="warm_up.py", title="Warm-up", finished=True, plain=rows)
    return replace(
        base, parts=(part,), overall="cannot be decided", sentence="There is nothing to judge in these readings.",
        next_step="Read them as they stand.",
    )  # fmt: skip


EXAMPLES: dict[str, Callable[[], Report]] = {
    one.__name__: one
    for one in (
        meets, does_not_meet, as_left, undecided, conditional, incomplete, overdue_standard, several_crossings,
        above_generator, hostile, far_names, plain_only,
    )
}  # fmt: skip


@cache
def html_of(name: str) -> str:
    """The page of an example, made once for all tests."""
    return html_page(EXAMPLES[name]())
