"""The results of a report: overview, tables of each part, what did not pass, as found beside as left.   [pure]"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from harness.report import blocks as b
from harness.report import shown
from harness.words.language import localised, tr, tr_look

if TYPE_CHECKING:
    from collections.abc import Mapping

    from harness.analysis.curve import Curve
    from harness.report.model import Adjustment, Finding, Pair, PartResult, Report, Result


# --- at a glance -------------------------------------------------------------------------------------------------


def overview(report: Report) -> b.Table:
    """Every part with what it says of each channel, and its verdicts."""
    return b.table(
        ("Part", "Results", "Verdicts", "State"),
        (
            b.row(
                b.Span(text=part.title, to=f"#part{n}"), "; ".join(shown.overview(part)) or "–", _tally(part),
                tr("finished") if part.finished else tr("not finished"),
            )
            for n, part in enumerate(report.parts)
        ),
        caption=tr("Overview"), look="wordy",
    )  # fmt: skip


def _tally(part: PartResult) -> b.Line:
    """How often each word was said: "21 ✓ pass, 1 ✗ fail"."""
    said: list[b.Span] = []
    for each, count in shown.tally(part):
        said += (b.Span(text=f"{', ' * bool(said)}{count} "), *b.word(each))
    if part.looks:
        noes = sum(look.answer == "no" for look in part.looks)
        seen = tr(
            "{count} looked at{value}",
            count=len(part.looks),
            value=tr(", {noes} not as it should be", noes=noes) if noes else "",
        )
        said.append(b.Span(text=f"{', ' * bool(said)}{seen}"))
    return tuple(said) or (b.Span(text=tr("nothing to judge"), look="faint"),)


def by_eye(report: Report) -> Iterator[b.Section]:
    """What an eye has proved of each part, and what agrees as far as it can read."""
    if not report.by_eye:
        return
    table = b.table(
        ("Part", ">Points", ">Proved", ">Agree", ">Outside, not proved", ">Fail", "Agree within", "Limits"),
        (
            b.row(
                each.part, *map(str, (each.points, each.proved, each.agree, each.disagree, each.failed)),
                "–" if each.within_div is None else shown.number(each.within_div, "div", 3).replace("", "±", 1),
                "; ".join(each.limits) or "–",
            )
            for each in report.by_eye
        ),
    )  # fmt: skip
    means = b.paragraph(
        tr(
            "Proved: inside the limits by the uncertainty or more. Agree: inside them by less; no "
            "error is seen, and none excluded."
        ),
        small=True,
    )
    title, note = tr("As far as an eye can read"), tr("ILAC-G8:09/2019, non-binary")
    yield b.Section(title=title, key="eye", note=note, blocks=(table, means))


def left_open(report: Report) -> Iterator[b.Section]:
    """What did not pass, and what was not measured."""
    if some := shown.not_passed(report):
        lines = ((*b.word(each), b.Span(text=f": {said}")) for each, said in some)
        yield b.Section(title=tr("What did not pass"), key="open", blocks=(b.bullets(lines, brief=True),))
    if missing := shown.not_measured(report):
        yield b.Section(title=tr("What was not measured"), blocks=(b.bullets(missing, brief=True),))


# --- parts -------------------------------------------------------------------------------------------------------


def part_section(part: PartResult, key: str, blocks: Iterable[b.Block]) -> b.Section:
    """A part of the run under its heading."""
    return b.Section(title=part.title, note=b.text_of(_tally(part)), key=key, blocks=tuple(blocks))


def results(report: Report, part: PartResult, budgets: Mapping[int, str]) -> Iterator[b.Block]:
    """The tables of a part: what a technician looks for; `budgets` has the key of each point's."""
    if not part.finished:
        yield b.paragraph(
            (b.strong(tr("Not finished:")), b.Span(text=tr(" the run ended before the end of this part.")))
        )
    for group in shown.result_groups(part):
        yield (_by_setting if group[0].curve is None else _by_channel)(report, group, budgets)
    if part.plain:
        yield _plain(report, part)
    if part.looks:
        yield _looks(part)
    if not (part.results or part.plain or part.looks):
        yield b.paragraph(tr("No results."))


def _looks(part: PartResult) -> b.Table:
    """What somebody saw, as they said it: no measurement."""
    rows = []
    for each in part.looks:
        said = ": ".join(filter(None, (tr(each.answer), each.remark)))
        rows.append(b.row(tr_look(each.what), tr_look(each.question), said))
    caption = tr("As it was seen; no measurement, and not part of the verdict")
    return b.table(("Looked at", "Question", "Answer"), rows, caption=caption)


def behind(part: PartResult, figures: Sequence[b.Figure] = ()) -> Iterator[b.Block]:
    """What stands behind the tables of a part: sentences, further results, pictures, what was left out."""
    yield from in_words(part)
    yield from figures
    if part.left_out:
        yield b.Section(title=tr("Left out, said before the run"), blocks=(b.bullets(part.left_out),))


def in_words(part: PartResult) -> Iterator[b.Block]:
    """The results of a part that are no rows of a table."""
    for result in part.results:
        if said := shown.in_words(result):
            yield b.paragraph(said)
        if result.curve is not None and result.curve.points:
            yield from _chart(result, result.curve)
    if part.findings:
        yield b.Section(title=tr("Further results"), blocks=(b.bullets(map(_finding, part.findings)),))


def _by_setting(report: Report, group: Sequence[Result], budgets: Mapping[int, str]) -> b.Table:
    stated = f">{shown.result_name(group[0])}"
    return b.table(
        ("Setting", ">Applied", "?>Ideal", ">Reading", stated, ">U", "?>k", ">Limits", "Verdict"),
        (
            b.row(
                r.setting, _applied(r), b.Span(text=shown.number(r.expected, r.unit), number=r.expected),
                b.Span(text=shown.reading_text(r), number=r.reading), *_amount(r, budgets),
                shown.limits_text(r.limits, r.result_unit), b.word(r.word, r.remarks), kind=shown.KIND[r.word],
            )
            for r in group
        ),
        caption=shown.group_title(report, group[0]), look="cards",
    )  # fmt: skip


def _applied(r: Result) -> b.Line:
    """What was applied as it is known, and below it what was set, where that is another thing."""
    return (
        (b.Span(text=r.corrected), b.Span(text=tr("set: {applied}", applied=r.applied), look="remark"))
        if r.corrected
        else b.line(r.applied)
    )


def _by_channel(report: Report, group: Sequence[Result], budgets: Mapping[int, str]) -> b.Table:
    return b.table(
        ("Channel", "?Path", "Setting", ">Result", ">U", "?>k", ">U, rel.", "?>Interval", ">Limits", "Verdict"),
        (
            b.row(
                tr("Channel {channel}", channel=r.channel),
                shown.path_label(report, r.path),
                r.setting,
                *_amount(r, budgets),
                shown.cells(r).relative,
                shown.cells(r).interval,
                shown.limits_text(r.limits, r.result_unit),
                b.word(r.word, shown.own_remarks(r)),
                kind=shown.KIND[r.word],
            )
            for r in group
        ),
        caption=shown.group_title(report, group[0]),
        look="wordy",
    )


def _amount(r: Result, budgets: Mapping[int, str]) -> tuple[b.Span, ...]:
    """Value, U and k of a result; U leads to its budget."""
    s, said = r.statement, shown.cells(r)
    if s is None:
        return tuple(b.Span(text=each) for each in (said.value, said.u, said.k))
    return (
        b.Span(text=said.value, number=s.estimate, look="strong" if r.word != "pass" else ""),
        b.Span(text=said.u, number=s.expanded, to=f"#{budgets.get(id(r), 'budgets')}"), b.Span(text=said.k, number=s.k),
    )  # fmt: skip


def _chart(r: Result, curve: Curve) -> Iterator[b.Chart]:
    readings = tuple((p.frequency_hz, p.response_db) for p in curve.points)
    if curve.drop_db is None:
        if len(curve.limits_db) > 1:  # about 0 dB, where a chart of characters has its rows
            line_db = -min(curve.limits_db)
            yield b.Chart(readings=readings, fitted=(), half_power_hz=None, rated_hz=None, drop_db=line_db)
        return
    fitted = ((f, y) for f, y in zip(curve.band.frequency_hz, curve.band.response_db, strict=True) if y is not None)
    yield b.Chart(
        readings=readings, fitted=tuple(fitted),
        half_power_hz=None if r.statement is None else r.statement.estimate, drop_db=curve.drop_db,
        rated_hz=None if r.limits is None else r.limits.low,
    )  # fmt: skip


def _plain(report: Report, part: PartResult) -> b.Table:
    return b.table(
        ("Purpose", "Ch.", "?Path", "Applied", "Setting", "?Quantity", "?>Ideal", ">Reading", "Status"),
        (
            b.row(
                tr(p.purpose),
                str(p.channel),
                shown.path_label(report, p.path),
                p.applied,
                p.setting,
                tr(p.quantity),
                b.Span(text=shown.number(p.expected, p.unit if p.expected is not None else ""), number=p.expected),
                b.Span(text=shown.number(p.value, p.unit if p.value is not None else ""), number=p.value),
                tr(p.status.replace("_", " ")),
            )
            for p in part.plain
        ),
        caption=tr("Readings"),
        note=tr("without a judgement"),
    )


def _finding(f: Finding) -> b.Line:
    """A further result as a sentence with its number."""
    text, text_u = shown.value_and_u(f.value, f.u, f.unit)
    value = b.Span(text=text, number=f.value, look="faint")
    u = () if f.u is None else (
        b.Span(text=", U = ", look="faint"), b.Span(text=text_u, number=f.u, look="faint"),
        b.Span(text=f", k = {localised(f'{f.k:.2f}')}", look="faint"),
    )  # fmt: skip
    said = b.Span(text=f"{shown.capital(tr(f.name))}: {shown.minus(f.sentence)} ")
    return (said, b.Span(text="(", look="faint"), value, *u, b.Span(text=")", look="faint"))


# --- as found and as left ----------------------------------------------------------------------------------------


def adjustment(report: Report, found: Adjustment) -> b.Section:
    """The results before and after an adjustment."""
    groups = shown.grouped(found.pairs, lambda pair: pair.either)
    tables = (_pairs(report, group) for group in groups)
    return b.Section(title=tr("As found and as left"), key="adjustment", blocks=(b.paragraph(found.summary), *tables))


def _pairs(report: Report, group: Sequence[Pair]) -> b.Table:
    return b.table(
        ("Setting", ">As found", "Verdict", ">As left", "Verdict", "?>Limits", ">Change", "Changed"),
        (
            b.row(
                pair_name(group, pair), shown.stated_text(pair.found), _word_of(pair.found),
                shown.stated_text(pair.left), _word_of(pair.left),
                shown.limits_text(pair.either.limits, pair.either.result_unit), change_text(pair),
                b.Span(text=tr(pair.word), look="strong" if pair.word == "changed" else ""),
                kind="none" if pair.left is None else shown.KIND[pair.left.word],
            )
            for pair in group
        ),
        caption=shown.group_title(report, group[0].either), note=tr("as found and as left"), look="wordy",
    )  # fmt: skip


def pair_name(group: Sequence[Pair], pair: Pair) -> str:
    """What a pair is of, in its group; with what was applied where a range was tried by several levels or signals."""
    result = pair.either
    if result.curve is not None:
        return tr("channel {channel}", channel=result.channel)
    several = sum(other.either.setting == result.setting for other in group) > 1
    return f"{result.setting}, {result.applied}" if several else result.setting


def change_text(pair: Pair) -> str:
    """How much a result changed, with the uncertainty of the change; a dash where only one state is known."""
    statement = pair.either.statement
    return "–" if pair.change is None or statement is None else shown.with_u(pair.change, size=statement.estimate)


def _word_of(one: Result | None) -> b.Line:
    return b.word(one.word) if one is not None else (b.Span(text="–"),)
