"""From a journal to what the report says: the numbers, the verdicts, the words.   [pure]

Nothing but the journal is read: its header holds bench, unit, job and the options of every part.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, assert_never

import numpy as np

from harness.analysis.estimate import COVERAGE, state
from harness.analysis.pulse import PulseFlag
from harness.analysis.response import HALF_POWER_DB, HalfPower, response_band
from harness.analysis.sine_fit import SineFlag
from harness.analysis.verdict import EQUALITY_TEXT, RULE_TEXT, Limits, decide, decide_statement, overall
from harness.assess import applied_at_input, budget_for, ideal, limits_for
from harness.assess.response import Levelled, Wanted, levelled, result
from harness.errors import AnalysisError
from harness.journal import Contents
from harness.models import Setup
from harness.quantities import show
from harness.report.findings import findings
from harness.report.model import Band, LevelPoint, PartResult, PlainReading, Point, Report, Response, Word
from harness.report.words import deviations, next_step, sentence, standards
from harness.steps import Dc, FastEdge, Measure, NoSignal, Reading, Sine, Square, Stimulus, TimeMarks

_ERROR_TEXT: Final = {
    "indication": "Error as indication: (indicated − applied) / applied.",
    "deflection factor": "Error as deflection factor: the set factor's true value against its nominal, "
    "(applied − indicated) / indicated.",
}
QUANTITY: Final = {  # what a reading's quantity is called in a report
    "deflection": "deflection",
    "peak_to_peak": "deflection",
    "span": "time factor",
    "rise_time": "rise time",
    "overshoot": "overshoot",
    "top_aberration": "top aberration",
}
_FLAGS: Final = {flag.name: flag.value for flag in (*SineFlag, *PulseFlag)}
_BAND_POINTS: Final = 121
_HALF_POWER_WITHIN_DB: Final = 0.02  # "3 dB" is half power too: common practice
_BEYOND_LEVEL: Final = 1.01  # of the highest frequency of the level table
_Taken = tuple[Measure, Reading]


def summarise(contents: Contents) -> Report:
    """Work out everything that a report says of a run, finished or not."""
    header = contents.header
    setup = Setup.from_header(header["setup"])
    parts = tuple(_part(setup, entry, contents) for entry in header["parts"])
    finished = contents.closed_at is not None
    ended = contents.closed_at or (contents.records[-1].at if contents.records else str(header["started"]))
    used = tuple(standards(setup, dt.date.fromisoformat(ended[:10]), contents))
    words = [point.word for part in parts for point in part.points]
    words += [response.word for part in parts for response in part.responses]
    whole = overall([word if word != "not measured" else "undecided" for word in words])
    if not finished and whole == "meets":
        whole = "cannot be decided"
    return Report(
        number=str(header["run"]),
        title=setup.job.title or f"Verification of {setup.unit.maker} {setup.unit.model}, no. {setup.job.serial}",
        setup=setup,
        program=str(header["program"]),
        started=str(header["started"]),
        ended=ended,
        finished=finished,
        simulated=setup.bench.simulation is not None,
        overall=whole,
        sentence=sentence(setup, whole, parts, finished=finished),
        next_step=next_step(setup, whole, finished=finished),
        rule_text=RULE_TEXT[setup.job.rule],
        equality_text=EQUALITY_TEXT,
        error_text=_ERROR_TEXT[setup.job.error],
        parts=parts,
        standards=used,
        deviations=tuple(deviations(setup, contents, parts, used)),
        notes=tuple(event.text for event in contents.events if event.what == "note"),
    )


# --- parts -------------------------------------------------------------------------------------------------------


def _part(setup: Setup, entry: Mapping[str, Any], contents: Contents) -> PartResult:
    name, use = str(entry["name"]), str(entry["use"])
    taken = [
        (record.step, record.reply)
        for record in contents.replies(name)
        if isinstance(record.step, Measure) and isinstance(record.reply, Reading)
    ]
    points: tuple[Point, ...] = ()
    responses: tuple[Response, ...] = ()
    plain: tuple[PlainReading, ...] = ()
    match entry.get("evaluate", use):
        case "vertical" | "time_base" | "pulse":
            points = tuple(_points(setup, taken))
        case "bandwidth":
            responses = tuple(_responses(setup, entry.get("options", {}), taken))
        case _:
            plain = tuple(_plain(step, reading) for step, reading in taken)
    return PartResult(
        name=name,
        use=use,
        title=str(entry.get("title", name)),
        finished=contents.parts.get(name) == "finished",
        points=points,
        responses=responses,
        findings=tuple(findings(setup, points)),
        plain=plain,
        left_out=tuple(entry.get("left_out", ())),
    )


def _plain(step: Measure, reading: Reading) -> PlainReading:
    return PlainReading(
        purpose=step.purpose,
        channel=step.view.channel,
        path=step.path,
        applied=describe_applied(step.stimulus),
        setting=f"{show(step.view.volts_per_div, 'V')}/div",
        quantity=step.quantity,
        expected=step.expected,
        value=reading.value,
        unit="s" if step.quantity == "rise_time" else "" if step.quantity in ("overshoot", "top_aberration") else "div",
        status=reading.status,
    )


def describe_applied(stimulus: Stimulus) -> str:
    """What a source put out, in words."""
    match stimulus:
        case NoSignal():
            return "nothing"
        case Dc(level_v=level_v):
            return f"{show(level_v, 'V', 6)} DC"
        case Square(level_vpp=level, frequency_hz=frequency_hz):
            return f"{show(level, 'V', 6)} square, {show(frequency_hz, 'Hz')}"
        case Sine(level_vpp=level, frequency_hz=frequency_hz):
            return f"{show(level, 'Vpp')} sine, {show(frequency_hz, 'Hz', 5)}"
        case TimeMarks(period_s=period_s):
            return f"marks of {show(period_s, 's')}"
        case FastEdge(level_vpp=level):
            return f"{show(level, 'V')} fast edge"
        case _:
            assert_never(stimulus)


# --- points ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    step: Measure
    readings: tuple[Reading, ...]

    @property
    def read(self) -> bool:
        return any(reading.status == "read" for reading in self.readings)


def _points(setup: Setup, taken: Sequence[_Taken]) -> Iterator[Point]:
    grounds = {_place(step): reading for step, reading in taken if step.purpose == "ground"}
    groups = _groups([(step, reading) for step, reading in taken if step.purpose != "ground"])
    read_somewhere = {_place(group.step) for group in groups if group.read}
    order = list(dict.fromkeys(group.step.path for group in groups))

    def by_setting(group: _Group) -> tuple[Any, ...]:
        step = group.step
        return order.index(step.path), step.view.channel, step.quantity, step.view.magnifier, _setting_value(step)

    for group in sorted(groups, key=by_setting):
        lowered = not group.read and _place(group.step) in read_somewhere
        off_screen = all(reading.status == "off_screen" for reading in group.readings)
        if lowered and off_screen:
            continue  # the level was lowered and the range read after all
        yield _point(setup, group, grounds.get(_place(group.step)))


def _place(step: Measure) -> tuple[object, ...]:
    view = step.view
    return step.path, view.channel, view.volts_per_div, view.s_per_div, view.magnifier


def _groups(taken: Sequence[_Taken]) -> list[_Group]:
    gathered: dict[tuple[object, ...], list[_Taken]] = {}
    for step, reading in taken:
        gathered.setdefault((step.path, step.view, step.stimulus, step.quantity), []).append((step, reading))
    return [_Group(step=items[0][0], readings=tuple(reading for _, reading in items)) for items in gathered.values()]


def _setting_value(step: Measure) -> float:
    return step.view.volts_per_div if step.quantity in ("deflection", "peak_to_peak") else step.view.s_per_div


def _setting(step: Measure) -> str:
    if step.quantity in ("deflection", "peak_to_peak"):
        return f"{show(step.view.volts_per_div, 'V')}/div"
    magnified = f" ×{step.view.magnifier:g}" if step.view.magnifier != 1 else ""
    return f"{show(step.view.s_per_div, 's')}/div{magnified}"


def _point(setup: Setup, group: _Group, ground: Reading | None) -> Point:
    step = group.step
    values = tuple(r.value for r in group.readings if r.status == "read" and r.value is not None)
    scale, unit = _shown_in(step)
    remarks = [_flag_words(flag) for reading in group.readings for flag in reading.flags]
    limits = _rated(setup, step)
    statement = budget = verdict = None
    word: Word = "not measured"
    if not values:
        remarks.append("off the screen" if group.readings[0].status == "off_screen" else "left out by the operator")
    else:
        try:
            budget = budget_for(setup, group.step, group.readings, () if ground is None else (ground,))
            statement = state(budget, COVERAGE)
            verdict = None if limits is None else decide_statement(statement, limits, setup.job.rule, budget=budget)
            word = verdict.word if verdict else "undecided"
        except AnalysisError as error:
            word = "undecided"
            remarks.append(str(error))
    ground_div = ground.value if ground is not None and ground.value is not None else 0.0
    mean = sum(values) / len(values) - (ground_div if step.quantity == "deflection" else 0.0) if values else None
    return Point(
        quantity=QUANTITY[step.quantity],
        channel=step.view.channel,
        path=step.path,
        setting=_setting(step),
        setting_value=_setting_value(step),
        applied=describe_applied(step.stimulus),
        applied_value=_applied_value(setup, step),
        expected=ideal(setup, step) * scale,
        readings=tuple(value * scale for value in values),
        reading=None if mean is None else mean * scale,
        unit=unit,
        statement=statement,
        budget=budget,
        limits=limits,
        verdict=verdict,
        word=word,
        remarks=tuple(dict.fromkeys(remarks)),
        stimulus=step.stimulus,
        view=step.view,
    )


def _rated(setup: Setup, step: Measure) -> Limits | None:
    try:
        return limits_for(setup, step)
    except AnalysisError:
        return None  # no rating: read and reported, not judged


def _flag_words(flag: str) -> str:
    """A flag of a driver in words; one of a user's own driver as it is."""
    named = {name.lower().replace("_", " "): text for name, text in _FLAGS.items()}
    return f"the record {named[flag]}" if flag in named else flag


def _applied_value(setup: Setup, step: Measure) -> float:
    if isinstance(step.stimulus, TimeMarks):
        return step.stimulus.period_s
    return applied_at_input(setup, step)


def _shown_in(step: Measure) -> tuple[float, str]:
    match step.quantity:
        case "rise_time":
            return 1e9, "ns"
        case "overshoot" | "top_aberration":
            return 100.0, "%"
        case _:
            return 1.0, "div"


# --- response ----------------------------------------------------------------------------------------------------


def _responses(setup: Setup, options: Mapping[str, Any], taken: Sequence[_Taken]) -> Iterator[Response]:
    wanted = Wanted.from_options(options, setup)
    level = [(step, reading) for step, reading in taken if step.display == "reference" and reading.status == "read"]
    channels = dict.fromkeys(step.view.channel for step, _ in taken if step.display == "unit")
    for channel in channels:
        shown = [(step, r) for step, r in taken if step.display == "unit" and step.view.channel == channel]
        usable = [(step, r) for step, r in shown if r.status == "read"]
        try:
            found = levelled(setup, wanted, level, usable)
        except AnalysisError as error:
            yield _response(setup, wanted, shown[0][0], None, reason=str(error))
        else:
            yield _response(setup, wanted, shown[0][0], found)


def _response(setup: Setup, wanted: Wanted, first: Measure, found: Levelled | None, *, reason: str = "") -> Response:
    """A channel against its rating; one that cannot be reckoned stays in the report, with the reason."""
    rated_hz, channel = setup.unit.bandwidth, first.view.channel
    half = HalfPower(status="failed", reference_hz=wanted.reference_hz, drop_db=wanted.drop_db)
    if found is not None:
        half = result(found)
        reason = _not_judged(setup, wanted, found, half)
    word: Word = "undecided"
    verdict = None
    if not reason:
        word, verdict = _judge(setup, half, rated_hz)
    level = found.level if found else ()
    return Response(
        channel=channel,
        path=first.path,
        setting=f"{show(first.view.volts_per_div, 'V')}/div",
        rated_hz=rated_hz,
        result=half,
        band=_band(found) if found else Band(frequency_hz=(), response_db=(), low_db=(), high_db=()),
        level=tuple(LevelPoint(frequency_hz=p.frequency_hz, level_db=p.level_db, u_db=p.u_db) for p in level),
        verdict=verdict,
        word=word,
        sentence=f"Channel {channel}: {_half_power_words(half, wanted)} Rated {show(rated_hz, 'Hz')}: {word}.",
        level_method=found.method if found else "",
        remarks=(reason,) if reason else (),
    )


def _judge(setup: Setup, half: HalfPower, rated_hz: float) -> tuple[Word, Any]:
    """At least the rated bandwidth: one-sided, in Hz."""
    limits = Limits(low=rated_hz)
    if half.status == "found" and half.frequency_hz is not None and half.u_rel is not None:
        u_hz = half.u_rel * half.frequency_hz
        verdict = decide(half.frequency_hz, u_hz, half.k * u_hz, limits, setup.job.rule, unit="Hz")
        return verdict.word, verdict
    if half.status == "above_generator" and half.bound_hz is not None and half.bound_hz >= rated_hz * (1 - 1e-9):
        return "pass", None
    return "undecided", None


def _not_judged(setup: Setup, wanted: Wanted, found: Levelled, half: HalfPower) -> str:
    """Why a frequency is stated but not held against the rating, if it is not."""
    if abs(wanted.drop_db - HALF_POWER_DB) > _HALF_POWER_WITHIN_DB:
        return f"The rating is of half power; a drop of {wanted.drop_db:.4g} dB is reported, not judged."
    if setup.bench.reference is None:
        return ""
    if not found.level:
        return "The level was not read on the reference, so the sine is not known well enough to judge by."
    known_to_hz = found.level[-1].frequency_hz
    if half.frequency_hz is not None and half.frequency_hz > _BEYOND_LEVEL * known_to_hz:
        return f"The level was read on the reference up to {show(known_to_hz, 'Hz')} only."
    return ""


def _half_power_words(half: HalfPower, wanted: Wanted) -> str:
    drop = (
        "half power"
        if abs(wanted.drop_db - half.drop_db) < 1e-9 and abs(half.drop_db - 3.0103) < 1e-3
        else (f"−{half.drop_db:.4g} dB")
    )
    match half.status:
        case "found" if half.frequency_hz is not None and half.u_rel is not None:
            expanded_hz = half.k * half.u_rel * half.frequency_hz
            return f"{drop} at {show(half.frequency_hz, 'Hz')} ± {show(expanded_hz, 'Hz', 2)} (k = {half.k:.2f})."
        case "above_generator" if half.bound_hz is not None:
            return f"{drop} lies above {show(half.bound_hz, 'Hz')} (95 %), the highest frequency that could be used."
        case "several_crossings" if half.frequency_hz is not None:
            return f"falls to {drop} more than once, first at {show(half.frequency_hz, 'Hz')}."
        case _:
            return f"{drop} was not found."


def _band(found: Levelled) -> Band:
    frequencies = [reading.frequency_hz for reading in found.readings if reading.purpose != "reference"]
    if len(set(frequencies)) < 2:
        return Band(frequency_hz=(), response_db=(), low_db=(), high_db=())
    grid = np.geomspace(min(frequencies), max(frequencies), _BAND_POINTS)
    value, u_db = response_band(found.readings, found.plan, grid)

    def plain(values: Any) -> tuple[float | None, ...]:
        return tuple(float(v) if np.isfinite(v) else None for v in values)

    return Band(
        frequency_hz=tuple(float(f) for f in grid),
        response_db=plain(value),
        low_db=plain(value - 2 * u_db),
        high_db=plain(value + 2 * u_db),
    )
