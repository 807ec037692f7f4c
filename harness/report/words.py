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
from harness.quantities import often, show
from harness.report import by_eye
from harness.report.model import Agreement, PartResult, Result, Standard
from harness.report.particulars import places
from harness.report.shown import capital, moment
from harness.steps import Reading
from harness.words.clean import shortened
from harness.words.language import day, localised, tr, tr_count, tr_kept, tr_later

NO_SIGNAL: Final = tr_later("no signal: the connection is in question")  # the remark of such a point
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
    "conditionally meets": tr_later(
        "Where a limit has to be proved, the points that conditionally pass need a verification "
        "with a smaller uncertainty."
    ),
    "does not meet": tr_later(
        "On the points that fail, readings of this oscilloscope should not rest on its rating "
        "until it has been adjusted or repaired, and verified again."
    ),
    "cannot be decided": tr_later(
        "The points that are open have been shown neither to keep their limits nor to miss them; "
        "whoever rests on them should not take the rating as confirmed."
    ),
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
    name = tr(
        "{shortened}, no. {serial},",
        shortened=shortened(f"{maker} {model}", _LONGEST_NAME),
        serial=shortened(serial, _LONGEST_NAME),
    )
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
                    tr(
                        "{total} of {points} pass, {unsure} lie inside their limits by less than their uncertainty",
                        total=total - len(unsure),
                        points=tr_count(total, "point"),
                        unsure=_some(unsure),
                    )
                )
            )
            return tr("{name} conditionally meets its rating: {why}.", name=name, why=why)
        case "meets":
            untried = sum(len(part.left_out) for part in parts)
            but = tr(" What could not be tried: {untried}, named under deviations.", untried=untried) if untried else ""
            every = tr("all {total} points pass", total=total) if total != 1 else tr("its one point passes")
            return tr("{name} meets its rating: {every}.{but}", name=name, every=every, but=but)
        case "does not meet":
            return tr(
                "{name} does not meet its rating: {failed} ({failed_2}).{read}",
                name=name,
                failed=_of(failed, total, tr("{count} of {points} fails"), tr("{count} of {points} fail")),
                failed_2=_some(failed),
                read=read,
            )
        case "cannot be decided":
            if not finished:
                return tr("{name} cannot be decided: the run is not finished.", name=name)
            why = tr(" nothing was judged.")
            if unsure:
                said = _of(unsure, total, tr("{count} of {points} is open"), tr("{count} of {points} are open"))
                why = f" {said} ({_some(unsure)})."
            return tr("{name} cannot be decided:{why}{read}", name=name, why=why, read=read)
        case _:
            assert_never(whole)


def _of(some: Sequence[str], total: int, one: str, many: str) -> str:
    return (one if len(some) == 1 else many).format(count=len(some), points=tr_count(total, "point"))


def _some(entries: Sequence[str], most: int = 3) -> str:
    more = tr("; and {count} more", count=len(entries) - most) if len(entries) > most else ""
    return "; ".join(entries[:most]) + more


def next_step(setup: Setup, whole: Overall, parts: Sequence[PartResult], *, finished: bool) -> str:
    """What to do next; a rehearsal is advised only where it would name something."""
    if not finished:
        return tr("Resume the run; nothing that was read is lost.")
    if whole == "does not meet":
        after = tr(" Adjust or repair, then run the job again as left.") if setup.job.condition == "as found" else ""
        return tr("Do not use it within this rating on the points that fail.{after}", after=after)
    if whole == "cannot be decided":
        return " ".join(_to_decide(setup, parts))
    if whole == "conditionally meets":
        return tr(
            "File this report with the unit. Where a limit must be proved, rehearse the job: it names what would help."
        )
    return tr("File this report with the unit.")


def advice(whole: Overall, *, finished: bool) -> str:
    """What whoever owns the unit may make of the verdict: an opinion, and never part of the statement."""
    return tr(_ADVICE[whole]) if finished else ""


def _to_decide(setup: Setup, parts: Sequence[PartResult]) -> Iterator[str]:
    """One sentence for each kind of point that is open."""
    results = [result for part in parts for result in part.results if result.word in _OPEN]
    points = [result for result in results if result.curve is None]
    if any(remark.startswith(tr(NO_SIGNAL)) for result in results for remark in result.remarks):
        yield tr("Look at the connections of the points without a signal.")
    if any(point.word == "not measured" for point in points):
        yield tr("Run the job again for the points that were not measured.")
    judged = [point for point in points if point.budget is not None and point.limits is not None]
    never = [point for point in judged if not _can_pass(setup, point)]
    if never:
        yield tr(
            "Rehearse the job: it names, for each point that cannot pass as it is, the cheapest change that helps."
        )
    if len(judged) > len(never):
        named = never or any(point.word == "not measured" for point in points)
        these = tr("other open points") if named else tr("open points")
        yield (
            tr(
                "On the {these} the error lies nearer to its limit than its uncertainty: read them more "
                "often, or finer, or take a better standard.",
                these=these,
            )
        )
    if any(point.word != "not measured" and point.limits is None for point in points):
        yield tr("State a rating in the unit file for what is to be judged.")
    if any(point.budget is None and point.word != "not measured" for point in points):
        yield tr("See the remarks at the points that could not be reckoned.")
    if len(results) > len(points):
        yield tr(
            "For the bandwidth see the remark at its channel; a smaller target or a better known level decides more."
        )
    if not results:
        yield tr(
            "Nothing was read that has a rating: name a sequence that judges, or state the rating in the unit file."
        )


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
                tr(
                    "The certificate of the {role} ({label}) is dated {certified}, after the day on which "
                    "the run began.",
                    role=standard.role,
                    label=standard.label,
                    certified=standard.certified,
                )
            )


def _corrected(setup: Setup, used: Sequence[Standard]) -> Iterator[str]:
    """The known errors that were taken off."""
    roles = {standard.role for standard in used}
    for role, instrument in setup.bench.instruments():
        if role not in roles:
            continue
        said = []
        for line in instrument.known_error:
            parts = [localised(f"{100.0 * line.of_value:+.6g} %")] if line.of_value else []
            parts += [f"{'+' if line.floor > 0 else ''}{show(line.floor, 'V')}"] if line.floor else []
            said.append(f"{line.function} {tr(' and ').join(parts)}")
        if said:
            yield tr(
                "Known errors of the {role} ({label}) were corrected: {said}.",
                role=role,
                label=instrument.label,
                said="; ".join(said),
            )


def deviations(
    setup: Setup, contents: Contents, parts: Sequence[PartResult], used: Sequence[Standard]
) -> Iterator[str]:
    """What was not as planned, what was corrected, and what the equipment could not do."""
    if contents.header["setup"]["bench"].get("simulation"):
        yield tr("Simulated bench: no real instrument was measured.")
    for standard in used:
        if standard.overdue:
            yield tr(
                "The {role} ({label}) was past its due date, {due}.",
                role=standard.role,
                label=standard.label,
                due=day(standard.due),
            )
    if outside_k := setup.unit.kelvin_outside(setup.job.environment.temperature):
        yield (
            tr(
                "The room was {outside_k:g} K outside the temperatures at which the maker's tolerances "
                "hold; those with a coefficient are widened by it, the others are taken as they stand.",
                outside_k=outside_k,
            )
        )
    yield from _from_the_future(contents, used)
    yield from _corrected(setup, used)
    for part in parts:
        yield from map(tr_kept, part.left_out)
        if not part.finished:
            yield tr(
                "{title}: not finished{more}{missing}.",
                title=part.title,
                more=tr("; missing: ") if part.missing else "",
                missing="; ".join(part.missing),
            )
    skipped = [r for r in contents.records if isinstance(r.reply, Reading) and r.reply.status == "skipped"]
    if skipped:
        yield tr("{count} readings were left out by the operator.", count=len(skipped))
    if contents.withdrawn:
        yield tr(
            "{count} readings were withdrawn and taken again; both are in the journal.", count=len(contents.withdrawn)
        )
    yield from _interrupted(contents)
    yield from _happened(contents, {part.name: part for part in parts})


_IN_PASSING: Final = ("resumed", "guardian")  # events that are told as interruptions, or as what came of them


def _interrupted(contents: Contents) -> Iterator[str]:
    """When the run stood still, in plain words: what was read before stands, and nothing was read twice."""
    if times := [
        tr("from {last_at} to {went_on_at}", last_at=moment(each.last_at), went_on_at=moment(each.went_on_at))
        for each in contents.interruptions
    ]:
        yield (
            tr(
                "The work was interrupted {count} and went on where it had stopped: {times}. Readings "
                "taken before stand.",
                count=often(len(times)),
                times="; ".join(times),
            )
        )
    if any(event.what == "guardian" for event in contents.events):
        yield tr("A second program beside the run had to see to its outputs; the journal has what it did.")


def _happened(contents: Contents, parts: Mapping[str, PartResult]) -> Iterator[str]:
    """The events of the run: as they stand, or how many there were of a kind."""
    counts: Counter[str] = Counter()
    told: set[str] = set()
    for event in contents.events:
        if event.what == "ended early" and event.part in parts:
            part = parts[event.part]
            yield tr(
                "{title} ended early{more}: {event_text}",
                title=part.title,
                more=tr(" at first") if part.finished else "",
                event_text=event.text,
            )
        elif event.what == "not judged" and event.part in parts:
            yield tr(
                "{title} could not be judged when it ended: {event_text}",
                title=parts[event.part].title,
                event_text=event.text,
            )
        elif event.what in _TOLD:
            if event.text not in told:  # a run that is gone on with may say it again
                yield event.text
            told.add(event.text)
        elif event.what not in (*AS_PLANNED, *_IN_PASSING):
            counts[event.what] += 1
    for what, count in sorted(counts.items()):
        times = tr("once; it") if count == 1 else tr("{count} times; each", count=count)
        yield tr("{replace}: {times} is in the journal.", replace=what.replace("_", " "), times=times)
