"""From the readings of a part to points, each with its budget and its word; and what has moved meanwhile.   [pure]"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from harness.analysis.estimate import Budget, state
from harness.analysis.joint import difference
from harness.analysis.pulse import PulseFlag
from harness.analysis.record import CLIPPED
from harness.analysis.rounding import format_pair, format_value_u
from harness.analysis.sine_fit import SineFlag
from harness.analysis.verdict import decide_statement
from harness.assess import (
    applied_at_input,
    as_applied,
    budget_for,
    ideal,
    rated_limits,
    true_level,
    true_period_ratio,
)
from harness.errors import AnalysisError
from harness.measurement import quantity_of
from harness.models import Setup
from harness.quantities import show
from harness.report.model import Evaluated, Finding, Result, Word
from harness.report.readings import (
    Group,
    Return,
    Taken,
    grouped,
    missing,
    name_of,
    place_of,
    setting_of,
    setting_value,
)
from harness.report.words import NO_SIGNAL
from harness.steps import NOT_SETTLED, Dc, Measure, NoSignal, Reading, Status, Stimulus, TimeMarks
from harness.words.language import tr, tr_later
from harness.words.signals import describe

DRIFT: Final = tr_later("drift over the run")
_CORRECTED_DIGITS: Final = 9
_MARKS: Final = {NOT_SETTLED: tr_later("read while it still moved: it never stood still as asked")}
_FLAGS: Final = {
    "clipped": CLIPPED,
    **{flag.name.lower().replace("_", " "): flag.value for flag in (*SineFlag, *PulseFlag)},
}
_NOT_READ: Final[Mapping[Status, str]] = {
    "read": tr_later("no value"),
    "skipped": tr_later("left out by the operator"),
    "off_screen": tr_later("off the screen"),
    "no_signal": NO_SIGNAL,
}

Together = Callable[[Setup, Sequence[Result]], Iterator[Finding]]


def evaluate_points(
    setup: Setup,
    entry: Mapping[str, Any],
    taken: Sequence[Taken],
    together: Together = lambda _setup, _points: iter(()),
) -> Evaluated:
    """Every point of a part by the budget and the limits of its quantity; `together`: what they say besides."""
    groups, returned = grouped(taken)
    results = tuple(_results(setup, groups))
    return Evaluated(
        results=results,
        findings=(*together(setup, results), *_drifts(setup, returned)),
        missing=tuple(missing(entry, ((r.channel, r.path, r.quantity, r.setting) for r in results))),
    )


def _results(setup: Setup, groups: Sequence[Group]) -> Iterator[Result]:
    read_somewhere = {place_of(group.step) for group in groups if group.read}
    order = list(dict.fromkeys(group.step.path for group in groups))

    def by_setting(group: Group) -> tuple[Any, ...]:
        step = group.step
        return order.index(step.path), step.view.channel, step.quantity, step.view.magnifier, setting_value(step)

    for group in sorted(groups, key=by_setting):
        lowered = not group.read and place_of(group.step) in read_somewhere
        off_screen = all(reading.status == "off_screen" for reading in group.readings)
        if lowered and off_screen:
            continue  # the level was lowered and the range read after all
        yield result_of(setup, group)


def result_of(setup: Setup, group: Group, budget_of: Callable[[], Budget] | None = None) -> Result:
    """A point by its budget and limits; `budget_of` where other readings than its own and its ground line are in it."""
    step, ground, applied = group.step, group.ground, as_applied(group.step, group.readings)
    values = tuple(r.value for r in group.readings if r.status == "read" and r.value is not None)
    scale, unit = quantity_of(step).shown_in
    rating = quantity_of(step).rating
    is_error = rating is not None and rating.is_error
    remarks = list(remarks_of(group.readings))
    remarks += [
        tr("ground line: {flag}", flag=_flag_words(flag)) for flag in (ground.flags if ground is not None else ())
    ]
    limits = rated_limits(setup, step)
    statement = budget = verdict = None
    word: Word = "not measured"
    if not values:
        remarks.append(not_read(group.readings))
    else:
        try:
            grounds = () if ground is None else (ground,)
            budget = budget_of() if budget_of else budget_for(setup, step, group.readings, grounds)
            statement = state(budget, setup.job.coverage)
            verdict = None if limits is None else decide_statement(statement, limits, setup.job.rule, budget=budget)
            word = verdict.word if verdict else "undecided"
        except AnalysisError as error:
            word = "undecided"
            remarks.append(str(error))
    ground_div = ground.value if ground is not None and ground.value is not None else 0.0
    mean = sum(values) / len(values) - (ground_div if quantity_of(step).from_ground else 0.0) if values else None
    return Result(
        quantity=name_of(step),
        is_error=is_error,
        channel=step.view.channel,
        path=step.path,
        setting=setting_of(step),
        setting_value=setting_value(step),
        setting_unit="V/div" if quantity_of(step).axis == "level" else "s/div",
        applied=_applied(step, applied),
        corrected=_corrected(setup, applied),
        applied_value=_applied_value(setup, applied),
        applied_unit="s" if isinstance(applied.stimulus, TimeMarks) else "V",
        expected=ideal(setup, applied) * scale,
        readings=tuple(value * scale for value in values),
        reading=None if mean is None else mean * scale,
        unit=unit,
        statement=statement,
        budget=budget,
        result_unit=statement.unit if statement is not None else "%" if is_error else unit,
        limits=limits,
        verdict=verdict,
        word=word,
        remarks=tuple(dict.fromkeys(remarks)),
        stimulus=step.stimulus,
        view=step.view,
    )


def rated_apart(made: Evaluated) -> Evaluated:
    """What the unit file does not rate is a further result: reported only, so that no verdict waits for it."""

    def is_rated(result: Result) -> bool:
        return result.limits is not None or result.statement is None

    return replace(
        made,
        results=tuple(result for result in made.results if is_rated(result)),
        findings=(*made.findings, *(_finding(result) for result in made.results if not is_rated(result))),
    )


def _finding(result: Result) -> Finding:
    s = result.statement
    assert s is not None
    said = format_value_u(s.estimate, s.expanded, s.unit, signed=result.is_error)
    remarks = f" ({'; '.join(result.remarks)})" if result.remarks else ""
    return Finding(
        name=result.quantity,
        channel=result.channel,
        path=result.path,
        value=s.estimate,
        u=s.expanded,
        k=s.k,
        unit=s.unit,
        sentence=tr(
            "channel {channel}, {setting}: {said}{remarks}, not rated.",
            channel=result.channel,
            setting=result.setting,
            said=said,
            remarks=remarks,
        ),
    )


def remarks_of(readings: Sequence[Reading]) -> Iterator[str]:
    """The flags of readings in words; what was no record of the applied signal has nothing to say."""
    return (_flag_words(flag) for each in readings if each.status != "no_signal" for flag in each.flags)


def not_read(readings: Sequence[Reading]) -> str:
    """Why there is no value."""
    return tr(_NOT_READ[readings[0].status])


def _flag_words(flag: str) -> str:
    """A flag of a driver in words; one of a user's own driver as it is."""
    if flag in _FLAGS:
        return tr("the record {flags}", flags=tr(_FLAGS[flag]))
    return tr(_MARKS[flag]) if flag in _MARKS else flag


def _applied(step: Measure, applied: Measure) -> str:
    """What was put out; of a wave in place of time marks its period too, as it was counted."""
    if type(applied.stimulus) is type(step.stimulus):
        return describe(applied.stimulus)
    return tr(
        "{stimulus}, period {stimulus_2}",
        stimulus=describe(step.stimulus),
        stimulus_2=show(getattr(applied.stimulus, "period_s", 0.0), "s", 6),
    )


def _applied_value(setup: Setup, step: Measure) -> float:
    if isinstance(step.stimulus, TimeMarks):
        return step.stimulus.period_s * true_period_ratio(setup, step)
    return applied_at_input(setup, step)


def _corrected(setup: Setup, step: Measure) -> str:
    """What was put out by the known error of its source, with the digits to work the error out again."""
    set_to = step.stimulus
    if isinstance(set_to, NoSignal):
        return ""
    if isinstance(set_to, TimeMarks):
        true: Stimulus = replace(set_to, period_s=_applied_value(setup, step))
    elif isinstance(set_to, Dc):
        true = replace(set_to, level_v=true_level(setup, step))
    else:
        true = replace(set_to, level_vpp=true_level(setup, step))
    return "" if true == set_to else describe(true, _CORRECTED_DIGITS)


def _drifts(setup: Setup, returned: Sequence[Return]) -> Iterator[Finding]:
    """How far each pass's first point had moved at its end, and whether that is within what its budget allows for."""
    for pair in returned:
        step = pair.first.step
        try:
            first, again = (
                replace(
                    budget_for(setup, step, group.readings, () if group.ground is None else (group.ground,)),
                    quantity=when,
                )
                for group, when in ((pair.first, "first"), (pair.again, "again"))
            )
        except AnalysisError:
            continue  # one of the two was not read: there is nothing to compare
        moved = difference(again, first, shared=[line.origin for line in first.contributions if line.origin])
        stated, allowed = state(moved, setup.job.coverage), state(first, setup.job.coverage).expanded
        drift, expanded = stated.estimate, stated.expanded
        if abs(drift) <= expanded:
            judged = tr("no more than the two readings can tell")
        elif abs(drift) <= allowed:
            judged = tr(
                "within the ±{estimate} % that the point's budget allows for",
                estimate=format_pair(first.estimate, allowed)[1],
            )
        else:
            judged = tr(
                "more than the ±{estimate} % that the point's budget allows for: what was read in "
                "between may be off by as much; find out what moved, and take the channel again",
                estimate=format_pair(first.estimate, allowed)[1],
            )
        yield Finding(
            name=DRIFT,
            channel=step.view.channel,
            path=step.path,
            value=drift,
            u=expanded,
            k=stated.k,
            unit="%",
            sentence=tr(
                "channel {channel}, {step}: at the end of the pass {drift} from what was read first, {judged}.",
                channel=step.view.channel,
                step=setting_of(step),
                drift=format_value_u(drift, expanded, "%", signed=True),
                judged=judged,
            ),
        )
