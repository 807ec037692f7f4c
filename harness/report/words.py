"""The words of a report: the verdict in a sentence, what to do next, what was not as planned.   [pure]"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Final, assert_never

from harness.analysis.planning import reach
from harness.analysis.verdict import Overall
from harness.journal.journal import Contents
from harness.models import Setup
from harness.quantities import counted, often, show
from harness.report import by_eye
from harness.report.model import Agreement, PartResult, Result, Standard
from harness.report.particulars import places
from harness.report.shown import capital, moment
from harness.steps import Reading
from harness.words.clean import shortened

NO_SIGNAL: Final = "no signal: the connection is in question"  # the remark of such a point
_OPEN: Final = ("undecided", "conditional pass", "conditional fail", "not measured")
_TOLD: Final = (
    "ended early",
    "outputs",
    "not guarded",
    "faults",
    "taken as warm",
    "another model",
    "by hand",
    "by itself",
    "adjusted",
    "clock",
    "self-calibration",
)  # events that a reader is told as they stand
AS_PLANNED: Final = ("note", "off", "warm-up", "photograph")
_ADVICE: Final[dict[Overall, str]] = {
    "meets": "",
    "conditionally meets": "Where a limit has to be proved, the points that conditionally pass need a verification "
    "with a smaller uncertainty.",
    "does not meet": "On the points that fail, readings of this oscilloscope should not rest on its rating until it "
    "has been adjusted or repaired, and verified again.",
    "cannot be decided": "The points that are open have been shown neither to keep their limits nor to miss them; "
    "whoever rests on them should not take the rating as confirmed.",
}
_LONGEST_NAME: Final = 60  # characters: a sentence stays one


def standards(setup: Setup, day: dt.date, contents: Contents) -> Iterator[Standard]:
    """The standards on the bench of the run, whether a reading was taken with them or not."""
    answered = contents.header.get("identities", {})
    for role, instrument in setup.bench.instruments():
        if role in ("unit", "switch"):
            continue
        yield Standard(
            role=role,
            label=instrument.label,
            identity=str(answered.get(role, instrument.identity or "")),
            certificate=instrument.certificate or "",
            certificate_by=instrument.certificate_by or "",
            certified=instrument.certified.isoformat() if instrument.certified else "",
            due=instrument.due.isoformat() if instrument.due else "",
            overdue=instrument.due is not None and instrument.due < day,
        )


def sentence(
    setup: Setup, whole: Overall, parts: Sequence[PartResult], seen: Sequence[Agreement], *, finished: bool
) -> str:
    """The verdict in one sentence; `seen`: what an eye has proved, and what agrees as far as it can read."""
    maker, model, serial = setup.unit.maker, setup.unit.model, setup.job.serial  # in full among the particulars
    name = f"{shortened(f'{maker} {model}', _LONGEST_NAME)}, no. {shortened(serial, _LONGEST_NAME)},"
    total = sum(len(part.results) for part in parts)
    failed = [entry for part in parts for entry in places(part, lambda one: one.word == "fail")]
    sure = ("pass", "fail") if whole == "conditionally meets" else ("pass", "fail", "conditional pass")
    unsure = [entry for part in parts for entry in places(part, lambda one: one.word not in sure)]
    read = f" {capital(by_eye.sentence(seen))}." if seen else ""
    match whole:
        case "conditionally meets":
            why = (
                by_eye.sentence(seen)
                if seen
                else (
                    f"{total - len(unsure)} of {counted(total, 'point')} pass, "
                    f"{_some(unsure)} lie inside their limits by less than their uncertainty"
                )
            )
            return f"{name} conditionally meets its rating: {why}."
        case "meets":
            untried = sum(len(part.left_out) for part in parts)
            but = f" What could not be tried: {untried}, named under deviations." if untried else ""
            every = f"all {total} points pass" if total != 1 else "its one point passes"
            return f"{name} meets its rating: {every}.{but}"
        case "does not meet":
            return f"{name} does not meet its rating: {_of(failed, total, 'fails', 'fail')} ({_some(failed)}).{read}"
        case "cannot be decided":
            if not finished:
                return f"{name} cannot be decided: the run is not finished."
            why = (
                f" {_of(unsure, total, 'is open', 'are open')} ({_some(unsure)})." if unsure else " nothing was judged."
            )
            return f"{name} cannot be decided:{why}{read}"
        case _:
            assert_never(whole)


def _of(some: Sequence[str], total: int, one: str, many: str) -> str:
    return f"{len(some)} of {counted(total, 'point')} {one if len(some) == 1 else many}"


def _some(entries: Sequence[str], most: int = 3) -> str:
    more = f"; and {len(entries) - most} more" if len(entries) > most else ""
    return "; ".join(entries[:most]) + more


def next_step(setup: Setup, whole: Overall, parts: Sequence[PartResult], *, finished: bool) -> str:
    """What to do next; a rehearsal is advised only where it would name something."""
    if not finished:
        return "Resume the run; nothing that was read is lost."
    if whole == "does not meet":
        after = " Adjust or repair, then run the job again as left." if setup.job.condition == "as found" else ""
        return f"Do not use it within this rating on the points that fail.{after}"
    if whole == "cannot be decided":
        return " ".join(_to_decide(setup, parts))
    if whole == "conditionally meets":
        return (
            "File this report with the unit. Where a limit must be proved, rehearse the job: it names what would help."
        )
    return "File this report with the unit."


def advice(whole: Overall, *, finished: bool) -> str:
    """What whoever owns the unit may make of the verdict: an opinion, and never part of the statement."""
    return _ADVICE[whole] if finished else ""


def _to_decide(setup: Setup, parts: Sequence[PartResult]) -> Iterator[str]:
    """One sentence for each kind of point that is open."""
    results = [result for part in parts for result in part.results if result.word in _OPEN]
    points = [result for result in results if result.curve is None]
    if any(remark.startswith(NO_SIGNAL) for result in results for remark in result.remarks):
        yield "Look at the connections of the points without a signal."
    if any(point.word == "not measured" for point in points):
        yield "Run the job again for the points that were not measured."
    judged = [point for point in points if point.budget is not None and point.limits is not None]
    never = [point for point in judged if not _can_pass(setup, point)]
    if never:
        yield "Rehearse the job: it names, for each point that cannot pass as it is, the cheapest change that helps."
    if len(judged) > len(never):
        named = never or any(point.word == "not measured" for point in points)
        these = "other open points" if named else "open points"
        yield (
            f"On the {these} the error lies nearer to its limit than its uncertainty: read them more often, "
            "or finer, or take a better standard."
        )
    if any(point.word != "not measured" and point.limits is None for point in points):
        yield "State a rating in the unit file for what is to be judged."
    if any(point.budget is None and point.word != "not measured" for point in points):
        yield "See the remarks at the points that could not be reckoned."
    if len(results) > len(points):
        yield "For the bandwidth see the remark at its channel; a smaller target or a better known level decides more."
    if not results:
        yield "Nothing was read that has a rating: name a sequence that judges, or state the rating in the unit file."


def _can_pass(setup: Setup, point: Result) -> bool:
    """Whether any reading could pass here: if none, only other equipment or another reader can help."""
    assert point.budget is not None
    assert point.limits is not None
    return reach(point.budget, point.limits, setup.job.rule, setup.job.coverage).acceptance is not None


def _from_the_future(contents: Contents, used: Sequence[Standard]) -> Iterator[str]:
    """Certificates that did not exist yet."""
    for standard in used:
        if standard.certified > contents.header["started"][:10]:  # both are written year first
            yield (
                f"The certificate of the {standard.role} ({standard.label}) is dated {standard.certified}, "
                "after the day on which the run began."
            )


def _corrected(setup: Setup, used: Sequence[Standard]) -> Iterator[str]:
    """The known errors that were taken off."""
    roles = {standard.role for standard in used}
    for role, instrument in setup.bench.instruments():
        if role not in roles:
            continue
        said = []
        for line in instrument.known_error:
            parts = [f"{100.0 * line.of_value:+.6g} %"] if line.of_value else []
            parts += [f"{'+' if line.floor > 0 else ''}{show(line.floor, 'V')}"] if line.floor else []
            said.append(f"{line.function} {' and '.join(parts)}")
        if said:
            yield f"Known errors of the {role} ({instrument.label}) were corrected: {'; '.join(said)}."


def deviations(
    setup: Setup, contents: Contents, parts: Sequence[PartResult], used: Sequence[Standard]
) -> Iterator[str]:
    """What was not as planned, what was corrected, and what the equipment could not do."""
    if contents.header["setup"]["bench"].get("simulation"):
        yield "Simulated bench: no real instrument was measured."
    for standard in used:
        if standard.overdue:
            yield f"The {standard.role} ({standard.label}) was past its due date, {standard.due}."
    if outside_k := setup.unit.kelvin_outside(setup.job.environment.temperature):
        yield (
            f"The room was {outside_k:g} K outside the temperatures at which the maker's tolerances hold; those with a "
            "coefficient are widened by it, the others are taken as they stand."
        )
    yield from _from_the_future(contents, used)
    yield from _corrected(setup, used)
    for part in parts:
        yield from part.left_out
        if not part.finished:
            yield f"{part.title}: not finished{'; missing: ' if part.missing else ''}{'; '.join(part.missing)}."
    skipped = [r for r in contents.records if isinstance(r.reply, Reading) and r.reply.status == "skipped"]
    if skipped:
        yield f"{len(skipped)} readings were left out by the operator."
    if contents.withdrawn:
        yield f"{len(contents.withdrawn)} readings were withdrawn and taken again; both are in the journal."
    yield from _interrupted(contents)
    yield from _happened(contents, {part.name: part for part in parts})


_IN_PASSING: Final = ("resumed", "guardian")  # events that are told as interruptions, or as what came of them


def _interrupted(contents: Contents) -> Iterator[str]:
    """When the run stood still, in plain words: what was read before stands, and nothing was read twice."""
    if times := [f"from {moment(each.last_at)} to {moment(each.went_on_at)}" for each in contents.interruptions]:
        yield (
            f"The work was interrupted {often(len(times))} and went on where it had stopped: {'; '.join(times)}. "
            "Readings taken before stand."
        )
    if any(event.what == "guardian" for event in contents.events):
        yield "A second program beside the run had to see to its outputs; the journal has what it did."


def _happened(contents: Contents, parts: Mapping[str, PartResult]) -> Iterator[str]:
    """The events of the run: as they stand, or how many there were of a kind."""
    counts: Counter[str] = Counter()
    told: set[str] = set()
    for event in contents.events:
        if event.what == "ended early" and event.part in parts:
            part = parts[event.part]
            yield f"{part.title} ended early{' at first' if part.finished else ''}: {event.text}"
        elif event.what == "not judged" and event.part in parts:
            yield f"{parts[event.part].title} could not be judged when it ended: {event.text}"
        elif event.what in _TOLD:
            if event.text not in told:  # a run that is gone on with may say it again
                yield event.text
            told.add(event.text)
        elif event.what not in (*AS_PLANNED, *_IN_PASSING):
            counts[event.what] += 1
    for what, count in sorted(counts.items()):
        times = "once; it" if count == 1 else f"{count} times; each"
        yield f"{what.replace('_', ' ')}: {times} is in the journal."
