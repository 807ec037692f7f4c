"""What a report must say besides its numbers, after ISO/IEC 17025:2017, clause 7.8.   [pure]

Each particular stands beside the clause that asks for it. The letters are those of 7.8.2.1 (all reports), 7.8.4.1
(calibration) and 7.8.6.2 (statements of conformity), from memory of the standard's text and in our own words: check
them against the standard before citing them elsewhere. Sampling (k) and results from others (p) do not occur here.
Over 400 lines because every hole of a sentence that a language fills is named on a line.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from harness.analysis.estimate import COVERAGE
from harness.analysis.verdict import EQUALITY_TEXT, RULE_TEXT, worst_false_acceptance
from harness.measurement import evaluations, rating_names
from harness.report import issued, shown
from harness.report.model import Fact, FactGroup, Signature
from harness.words.language import day, localised, tr, tr_count, tr_later

if TYPE_CHECKING:
    from harness.journal.issues import Issue
    from harness.models import Bench, Job, Setup, Unit
    from harness.report.model import PartResult, Report, Result, Standard

ERROR_TEXT: Final = {
    "indication": tr_later("Error as indication: (indicated − applied) / applied."),
    "deflection factor": tr_later(
        "Error as deflection factor: the set factor's true value against its nominal, (applied − "
        "indicated) / indicated."
    ),
}
ALONE: Final = tr_later("from the record of the run alone")
"""What a report is made from."""
_READ: Final = {"eye": tr_later("by eye"), "remote": tr_later("over its interface")}


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What tells this report from every other, and its days (ISO)."""

    number: str
    id: str
    journal_sha256: str
    program: str
    started: str
    ended: str
    issued: str
    issued_stated: bool = False  # else it is the day on which the run ended
    issue: Issue | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Worked:
    """What was measured, and on what it rests."""

    setup: Setup
    parts: tuple[PartResult, ...]
    standards: tuple[Standard, ...]
    found: Report | None = None  # the run before the adjustment


def facts(identity: Identity, worked: Worked) -> tuple[FactGroup, ...]:
    """Every particular that the files and the run state; what they leave open is for `not_stated`."""
    setup = worked.setup
    job, bench, unit = setup.job, setup.bench, setup.unit
    groups = (
        ("Report", _report(identity, worked.found)),
        ("Laboratory", _laboratory(job, bench)),
        ("Customer", _customer(job)),
        (tr_later("Unit under test"), _unit(job, unit)),
        ("Work", _work(identity, worked)),
        ("Conditions", _conditions(job, worked.found)),
        (tr_later("Statement of conformity"), _conformity(worked)),
        (tr_later("Uncertainty and traceability"), _uncertainty(worked)),
    )
    found = ((title, tuple(fact for fact in some if fact.text)) for title, some in groups)
    return tuple(FactGroup(title=title, facts=some) for title, some in found if some)


def _fact(name: str, text: str, clause: str = "") -> Fact:
    return Fact(name=name, text=text, clause=clause)


def _joined(*texts: str) -> str:
    return ", ".join(text for text in texts if text)


def _report(identity: Identity, found: Report | None) -> Iterator[Fact]:
    yield _fact("Number", tr("{number}, identity {id}", number=identity.number, id=identity.id), "7.8.2.1 d")
    yield from issued.facts(identity.issue, issued.day_of_issue(identity.issued, stated=identity.issued_stated))
    if found is not None:
        by = f"by {found.setup.job.operator}" if found.setup.job.operator else ""
        yield _fact(
            "As found",
            _joined(tr("run {number}", number=found.number), tr("identity {id}", id=found.id), by),
            "7.8.4.1 d",
        )
        yield _fact("Journal, as found", issued.digest(found.journal_sha256))
    yield _fact("Journal", issued.digest(identity.journal_sha256))
    yield _fact("Made by", f"{identity.program}, {tr(ALONE)}")


def _laboratory(job: Job, bench: Bench) -> Iterator[Fact]:
    yield _fact("Laboratory", job.laboratory, "7.8.2.1 b")
    yield _fact("Address", job.laboratory_address, "7.8.2.1 b")
    simulated = tr("simulated by {simulation}", simulation=bench.simulation) if bench.simulation else ""
    position = tr("position {position}", position=job.position) if job.position else ""
    yield _fact("Place of the work", _joined(bench.location, bench.name, position, simulated), "7.8.2.1 c")


def _customer(job: Job) -> Iterator[Fact]:
    yield _fact("Customer", job.customer, "7.8.2.1 e")
    yield _fact("Contact", job.customer_contact, "7.8.2.1 e")
    yield _fact("Reference", job.customer_reference)


def _unit(job: Job, unit: Unit) -> Iterator[Fact]:
    yield _fact("Oscilloscope", f"{unit.maker} {unit.model}", "7.8.2.1 g")
    yield _fact("Serial number", job.serial, "7.8.2.1 g")
    answers = (
        tr("{answers_as}, the serial number that the unit itself gives", answers_as=job.answers_as)
        if job.answers_as
        else ""
    )
    yield _fact("Answers as", answers, "7.8.2.1 g")
    yield _fact("Condition", job.item_condition, "7.8.2.1 g")
    yield _fact("State", tr(job.condition), "7.8.4.1 d")
    yield _fact("Received", day(job.received) if job.received else "", "7.8.2.1 h")


def _work(identity: Identity, worked: Worked) -> Iterator[Fact]:
    unit, found = worked.setup.unit, worked.found
    days = tr("{started} to {ended}", started=shown.moment(identity.started), ended=shown.moment(identity.ended))
    if found is not None:
        days = tr(
            "as found {started} to {ended}; as left {days}",
            started=shown.moment(found.started),
            ended=shown.moment(found.ended),
            days=days,
        )
    yield _fact("Performed", days, "7.8.2.1 i")
    yield _fact("Method", worked.setup.job.method, "7.8.2.1 f")
    yield _fact("Sequences", "; ".join(dict.fromkeys(part.title for part in worked.parts)), "7.8.2.1 f")
    step = tr(", to {resolution}", resolution=shown.number(unit.resolution, "div")) if unit.resolution else ""
    yield _fact(
        "Reading",
        tr(
            "{read}{step}, scatter {scatter}; graticule {vertical_div} by {horizontal_div} div",
            read=tr(_READ[unit.read]),
            step=step,
            scatter=shown.number(unit.scatter, "div"),
            vertical_div=shown.number(unit.vertical_div),
            horizontal_div=shown.number(unit.horizontal_div),
        ),
        "7.8.2.1 f",
    )


def _conditions(job: Job, found: Report | None) -> Iterator[Fact]:
    """The room; of two runs each, where they differ."""
    rooms = [list(_room(job))] if found is None else [list(_room(found.setup.job)), list(_room(job))]
    if len(rooms) == 1 or rooms[0] == rooms[1]:
        yield from rooms[-1]
        return
    for state, room in zip(("as found", "as left"), rooms, strict=True):
        yield from (_fact(f"{fact.name}, {state}", fact.text, fact.clause) for fact in room)


def _room(job: Job) -> Iterator[Fact]:
    room = job.environment
    temperature = _within(room.temperature, room.temperature_within)
    yield _fact("Temperature", f"{temperature} °C" if temperature else "", "7.8.4.1 b")
    humidity = _within(hundred(room.humidity), hundred(room.humidity_within))
    yield _fact("Relative humidity", f"{humidity} %" if humidity else "", "7.8.4.1 b")
    yield _fact("Room", room.note, "7.8.4.1 b")


def hundred(share: float | None) -> float | None:
    """A share in percent."""
    return None if share is None else 100.0 * share


def _within(value: float | None, within: float | None) -> str:
    if value is None:
        return ""
    digits = [f"{value:.3g}"] + ([] if within is None else [f"{within:.2g}"])
    places = max(len(text.partition(".")[2]) for text in digits)  # to the same place
    texts = [shown.minus(localised(f"{each:.{places}f}")) for each in (value, within) if each is not None]
    return texts[0] if within is None else f"({' ± '.join(texts)})"


# --- the statement of conformity ---------------------------------------------------------------------------------


def _conformity(worked: Worked) -> Iterator[Fact]:
    setup = worked.setup
    yield from _of_either("Specification", lambda one: specification(one, worked.parts), worked, "7.8.6.2 b")
    yield _fact("Applies to", applies_to(worked.parts), "7.8.6.2 a")
    yield _fact("Does not apply to", applies_not_to(worked.parts), "7.8.6.2 a")
    for name, words in (("Met", ("pass",)), (tr("Not met"), ("fail",)), ("Conditional", _CONDITIONAL), ("Open", _OPEN)):
        yield _fact(name, met(worked.parts, words), "7.8.6.2 b")
    yield from _of_either(tr("Decision rule"), lambda one: tr(RULE_TEXT[one.job.rule]), worked, "7.8.6.2 c")
    yield _fact("Equality", tr(EQUALITY_TEXT), "7.8.6.2 c")
    yield _fact("False acceptance", risks(worked.parts), "7.8.6.1")
    yield _fact("Agreed with the customer", setup.job.rule_agreed, "7.8.6.1")


def _of_either(name: str, said: Callable[[Setup], str], worked: Worked, clause: str) -> Iterator[Fact]:
    """What holds for the run; where the run as found was decided by another, that one as well."""
    text = said(worked.setup)
    yield _fact(name, text, clause)
    if worked.found is not None and (before := said(worked.found.setup)) != text:
        yield _fact(f"{name}, as found", before, clause)


_CONDITIONAL: Final = ("conditional pass", "conditional fail")
_OPEN: Final = ("undecided", "not measured")


def specification(setup: Setup, parts: Sequence[PartResult]) -> str:
    """What the unit is held against: each measurement's words, and the limits of what the user's own have stated."""
    some = [text for measured in evaluations() for text in measured.specification(setup.unit)]
    results = (result for part in parts for result in part.results if result.quantity not in rating_names())
    own = [f"{one.quantity} {shown.limits_text(one.limits, one.result_unit)}" for one in results if one.limits]
    after = tr(" after {document},", document=setup.unit.document) if setup.unit.document else ""
    return tr(
        "the maker's ratings{after} as the unit file states them: {joined}",
        after=after,
        joined=_joined(*dict.fromkeys((*some, *own))),
    )


def applies_to(parts: Sequence[PartResult]) -> str:
    """The results of which conformity is stated or denied, counted; an open one has been held against its limit too."""
    some = [_results_of(part, [one for one in part.results if one.word not in _OPEN]) for part in parts]
    return "; ".join(text for text in some if text) or tr("nothing: no result could be decided")


def _results_of(part: PartResult, some: Sequence[Result]) -> str:
    if not some:
        return ""
    channels = sorted({one.channel for one in some})
    listed = ", ".join(map(str, channels))
    on = tr("channel {channel}", channel=listed) if len(channels) == 1 else tr("channels {channels}", channels=listed)
    return f"{part.title}, {tr_count(len(some), 'result')}, {on}"


def applies_not_to(parts: Sequence[PartResult]) -> str:
    """The results that are open, and what is reported only."""
    reported = sum(len(part.findings) + len(part.plain) for part in parts)
    left_out = sum(len(part.left_out) for part in parts)
    some = [_results_of(part, [one for one in part.results if one.word in _OPEN]) for part in parts]
    some = [tr("{text}, open", text=text) for text in some if text]
    some += [tr("{results}, reported only", results=tr_count(reported, "further result")) if reported else ""]
    some += [
        tr("{points} that could not be tried, named under deviations", points=tr_count(left_out, "point"))
        if left_out
        else ""
    ]
    return "; ".join(text for text in some if text)


def places(part: PartResult, chosen: Callable[[Result], bool]) -> list[str]:
    """Where the chosen results belong, short: "channel 2, 50 mV/div", "channel 1, half-power frequency"."""
    several_paths = len({result.path for result in part.results if result.curve is None}) > 1
    several = len({result.quantity for result in part.results}) > 1
    texts = []
    for result in filter(chosen, part.results):
        setting = f", {result.setting}" if result.curve is None else ""
        what = "" if result.is_error and not several else f", {tr(result.quantity)}"
        path = f", {result.path}" if several_paths and setting else ""
        texts.append(
            tr("channel {channel}{setting}{what}{path}", channel=result.channel, setting=setting, what=what, path=path)
        )
    return texts


def met(parts: Sequence[PartResult], words: Sequence[str]) -> str:
    """The results with one of these words: how many of all, and which, unless they are the most."""
    total = sum(len(part.results) for part in parts)
    some = [text for part in parts for text in places(part, lambda one: one.word in words)]
    if not some:
        return ""
    count = tr("{count} of {results}", count=len(some), results=tr_count(total, "result"))
    return count if words == ("pass",) else f"{count}: {'; '.join(some)}"


def risks(parts: Sequence[PartResult]) -> str:
    """How probable it is that what is accepted lies outside its limit: of these results, and over many units."""
    judged = [(one.word, one.statement, one.verdict) for part in parts for one in part.results]
    by_word: dict[str, list[float]] = {}
    overall = []
    for word, statement, verdict in judged:
        if verdict is not None and statement is not None:
            by_word.setdefault(word, []).append(1.0 - verdict.conformance_probability)
            if word == "pass":
                overall.append(worst_false_acceptance(statement.u, verdict.limits, verdict.guard_band) or 0.0)
    said = [
        tr(
            "of the results with the word {word}, the least sure lies outside its limit with a "
            "probability of {by_word}",
            word=word,
            by_word=_risk(by_word[word]),
        )
        for word in ("pass", "conditional pass")
        if word in by_word
    ]
    if not said:
        return ""
    text = tr("Specific: {said}.", said="; ".join(said))
    if any(overall):
        text += tr(
            " Global: of all units whose errors scatter normally about the middle of two limits, "
            "however widely, no more than {overall} are accepted though they lie outside.",
            overall=_risk(overall),
        )
    return text


def _risk(risks_: Sequence[float]) -> str:
    """The largest, rounded up: a risk is never said smaller than it is."""
    percent = 100.0 * max(risks_)
    if percent < 0.01:
        return tr("less than 0.01 %")
    place = 10.0 ** (math.floor(math.log10(percent)) - 1)
    return localised(f"{math.ceil(percent / place - 1e-6) * place:.2g} %")


# --- uncertainty, traceability -----------------------------------------------------------------------------------


def _uncertainty(worked: Worked) -> Iterator[Fact]:
    yield _fact("Uncertainty", coverage(worked.parts), "7.8.4.1 a")
    yield _fact("Error", tr(ERROR_TEXT[worked.setup.job.error]))
    curves = (result.curve for part in worked.parts for result in part.results)
    if any(curve is not None and curve.drop_db is not None for curve in curves):
        yield _fact("Half power", tr(shown.DEFINITION_OF_BANDWIDTH))
    yield _fact("Traceability", traceability(worked), "7.8.4.1 c")


def coverage(parts: Sequence[PartResult]) -> str:
    """The expanded uncertainty in words, with the span of its coverage factors."""
    statements = [result.statement for part in parts for result in part.results if result.statement is not None]
    k = [statement.k for statement in statements]
    probability = shown.percent(statements[0].probability if statements else COVERAGE, 4)
    span = f" ({tr(' to ').join(dict.fromkeys(localised(f'{end:.2f}') for end in (min(k), max(k))))})" if k else ""
    return tr(
        "U is the expanded uncertainty: the standard uncertainty times the coverage factor k "
        "that stands beside each result{span}, for a coverage probability of about "
        "{probability}; worked out after JCGM 100:2008, in the unit of the result or as a share "
        "of it.",
        span=span,
        probability=probability,
    )


def traceability(worked: Worked) -> str:
    """By which certificates the results rest on the units of the SI, and where the chain is not stated."""
    issued: dict[str, list[str]] = {}
    for standard in worked.standards:
        if standard.certificate:
            by = standard.certificate_by or tr("an issuer that is not stated")
            issued.setdefault(by, []).append(f"{tr(standard.role)} {standard.certificate}")
    bare = [standard.role for standard in worked.standards if not standard.certificate]
    chain = "; ".join(tr("{some}, issued by {by}", some=", ".join(some), by=by) for by, some in issued.items())
    said = []
    if worked.setup.bench.simulation:
        said.append(tr("The bench was simulated, so nothing here is traceable."))
    elif issued:
        said.append(
            tr("The results are traceable to the SI through the certificates of the standards, as far as those are.")
        )
    said += [tr("Certificates: {chain}.", chain=chain)] if issued else []
    said += [tr("No certificate is stated for: {bare}; there the chain is open.", bare=", ".join(bare))] if bare else []
    return " ".join(said)


# --- what is not there, and what must be said --------------------------------------------------------------------


def not_stated(setup: Setup, used: Sequence[Standard], issue: Issue | None = None) -> tuple[str, ...]:
    """The particulars that the files leave open, by what a reader would call them."""
    job, room = setup.job, setup.job.environment
    asked = (
        (tr("the laboratory's name"), job.laboratory),
        (tr("the laboratory's address"), job.laboratory_address),
        (tr("where the work was done"), setup.bench.location),
        (tr("the customer's name"), job.customer),
        (tr("the customer's contact"), job.customer_contact),
        (tr("the unit's condition"), job.item_condition),
        (tr("the laboratory's procedure"), job.method),
        (tr("the temperature"), room.temperature),
        (tr("the humidity"), room.humidity),
        (tr("the customer's agreement to the decision rule"), job.rule_agreed),
        (tr("the document that the ratings come from"), str(setup.unit.document or "")),
        (tr("who did the work"), job.operator),
        (tr("who authorises the report"), job.authorised_by if issue is None else tr("whoever approves it")),
    )
    missing = [name for name, value in asked if value is None or value == ""]
    missing += [tr("the certificate of the {role}", role=s.role) for s in used if not s.certificate]
    missing += [tr("the due date of the {role}", role=s.role) for s in used if not s.due]
    return tuple(missing)


def statements(identity: Identity, job: Job) -> tuple[Fact, ...]:
    """What the report must say about itself."""
    interval = tr("Next verification, as the customer asked: {day}.", day=day(job.next_due)) if job.next_due else ""
    return (
        _fact("Scope", tr("The results relate only to the unit named above, as it was measured."), "7.8.2.1 l"),
        _fact(
            "Copies",
            tr("This report is not to be reproduced except in full without the approval of the laboratory."),
            "7.8.2.1, note",
        ),
        _fact(
            "Opinions",
            tr(
                "It contains no opinions and no interpretations; what to do next is advice and no part "
                "of the statement of conformity."
            ),
            "7.8.7",
        ),
        _fact("Interval", interval or tr("It recommends no calibration interval."), "7.8.4.3"),
        _fact("Accreditation", tr(shown.NOT_ACCREDITED)),
        _fact("End", tr("End of report {number}.", number=identity.number), "7.8.2.1 d"),
    )


def signatures(job: Job, issue: Issue | None = None) -> tuple[Signature, ...]:
    """Who did the work and who authorises the report (7.8.2.1 o): what the job says of that was said beforehand."""
    name, function = job.authorised_by, job.authorised_function
    if issue is not None:
        name, function = (issue.approval.by, issue.approval.function) if issue.approval is not None else ("", "")
    return (
        Signature(role="Performed by", name=job.operator, function=job.operator_function),
        Signature(role="Authorised by", name=name, function=function),
    )
