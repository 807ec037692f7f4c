"""The results of a report: overview, tables of each part, what did not pass, as found beside as left.   [pure]"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Final

from harness.report import shown
from harness.report.blocks import (
    Block,
    Chart,
    Figure,
    Line,
    Section,
    Span,
    Table,
    bullets,
    number,
    paragraph,
    row,
    strong,
    text,
    text_of,
    word,
)
from harness.report.pairs import PairGroup, change_text, pair_groups, pair_name

if TYPE_CHECKING:
    from collections.abc import Mapping

    from harness.analysis.curve import Curve
    from harness.report.model import Adjustment, Finding, PartResult, Report, Result

_ROOMY: Final = 104  # characters of a terminal for every column
_ROOM: Final = 76  # and for what was applied


# --- at a glance -------------------------------------------------------------------------------------------------


def overview(report: Report) -> Table:
    """Every part with what it says of each channel, and its verdicts."""
    return Table(
        caption="Overview", look="wordy",
        columns=(
            text("Part", 2.0, wraps=True), text("Results", 3.4, wraps=True), text("Verdicts", 2.4, wraps=True),
            text("State", 1.0, wraps=True),
        ),
        rows=tuple(
            row(
                Span(text=part.title, to=f"#part{n}"), "; ".join(shown.overview(part)) or "–", _tally(part),
                "finished" if part.finished else "not finished",
            )
            for n, part in enumerate(report.parts)
        ),
    )  # fmt: skip


def _tally(part: PartResult) -> Line:
    """How often each word was said: "21 ✓ pass, 1 ✗ fail"."""
    said: list[Span] = []
    for each, count in shown.tally(part):
        said += (Span(text=f"{', ' * bool(said)}{count} "), *word(each))
    return tuple(said) or (Span(text="nothing to judge", look="faint"),)


def by_eye(report: Report) -> Iterator[Section]:
    """What an eye has proved of each part, and what agrees as far as it can read."""
    if not report.by_eye:
        return
    names = ("Proved", "Agree", "Outside, not proved", "Fail")
    yield Section(title="As far as an eye can read", key="eye", note="ILAC-G8:09/2019, non-binary", blocks=(
        Table(
            columns=(
                text("Part", 2.0, wraps=True), number("Points"), *map(number, names),
                text("Agree within", 1.2, wraps=True), text("Limits", wraps=True),
            ),
            rows=tuple(
                row(
                    each.part, *map(str, (each.points, each.proved, each.agree, each.disagree, each.failed)),
                    "–" if each.within_div is None else shown.number(each.within_div, "div", 3).replace("", "±", 1),
                    "; ".join(each.limits) or "–",
                )
                for each in report.by_eye
            ),
        ),
        paragraph(
            "Proved: inside the limits by the uncertainty or more. Agree: inside them by less; no error is seen, "
            "and none excluded.", small=True,
        ),
    ))  # fmt: skip


def left_open(report: Report) -> Iterator[Section]:
    """What did not pass, and what was not measured."""
    if some := shown.not_passed(report):
        lines = ((*word(each), Span(text=f": {said}")) for each, said in some)
        yield Section(title="What did not pass", key="open", blocks=(bullets(lines, brief=True),))
    if missing := shown.not_measured(report):
        yield Section(title="What was not measured", blocks=(bullets(missing, brief=True),))


# --- parts -------------------------------------------------------------------------------------------------------


def part_section(part: PartResult, key: str, blocks: Iterable[Block]) -> Section:
    """A part of the run under its heading."""
    return Section(title=part.title, note=text_of(_tally(part)), key=key, blocks=tuple(blocks))


def results(report: Report, part: PartResult, budgets: Mapping[int, str]) -> Iterator[Block]:
    """The tables of a part: what a technician looks for; `budgets` has the key of each point's."""
    if not part.finished:
        yield paragraph((strong("Not finished:"), Span(text=" the run ended before the end of this part.")))
    for group in shown.result_groups(part):
        yield (_by_channel if group.channel is None else _by_setting)(report, group, budgets)
    if part.plain:
        yield _plain(report, part)
    if not (part.results or part.plain):
        yield paragraph("No results.")


def behind(part: PartResult, figures: Sequence[Figure] = ()) -> Iterator[Block]:
    """What stands behind the tables of a part: sentences, further results, pictures, what was left out."""
    for result in part.results:
        if said := shown.in_words(result):
            yield paragraph(said)
        if result.curve is not None and result.curve.points:
            yield _chart(result, result.curve)
    if part.findings:
        yield Section(title="Further results", blocks=(bullets(map(_finding, part.findings)),))
    yield from figures
    if part.left_out:
        yield Section(title="Left out, said before the run", blocks=(bullets(part.left_out),))


def _by_setting(report: Report, group: shown.ResultGroup, budgets: Mapping[int, str]) -> Table:
    return Table(
        caption=shown.group_title(report, group), look="cards",
        columns=(
            text("Setting", 1.3), number("Applied", 2.1, room=_ROOM, wraps=True), number("Ideal", 0.9, room=_ROOMY),
            number("Reading", 1.1), number(shown.result_name(group.results[0])), number("U", 0.9),
            number("k", 0.6, room=_ROOMY), number("Limits", 1.2), text("Verdict", 1.9, wraps=True),
        ),
        rows=tuple(
            row(
                r.setting, r.applied, Span(text=shown.number(r.expected, r.unit), number=r.expected),
                Span(text=shown.reading_text(r), number=r.reading), *_amount(r, budgets),
                shown.limits_text(r.limits, r.result_unit), word(r.word, r.remarks), kind=shown.KIND[r.word],
            )
            for r in group.results
        ),
    )  # fmt: skip


def _by_channel(report: Report, group: shown.ResultGroup, budgets: Mapping[int, str]) -> Table:
    return Table(
        caption=shown.group_title(report, group), look="wordy",
        columns=(
            text("Channel", 1.1), text("Path", 2.0, wraps=True, room=_ROOMY), text("Setting", 1.2, room=_ROOM),
            number("Result", 1.4), number("U", 1.1), number("k", 0.6, room=_ROOMY), number("U, rel.", 0.9, room=_ROOM),
            number("Interval", 2.2, room=_ROOMY, wraps=True), number("Limits", 1.3), text("Verdict", 1.6, wraps=True),
        ),
        rows=tuple(
            row(
                f"Channel {r.channel}", shown.path_label(report, r.path), r.setting, *_amount(r, budgets),
                shown.cells(r).relative, shown.cells(r).interval, shown.limits_text(r.limits, r.result_unit),
                word(r.word, shown.own_remarks(r)), kind=shown.KIND[r.word],
            )
            for r in group.results
        ),
    )  # fmt: skip


def _amount(r: Result, budgets: Mapping[int, str]) -> tuple[Span, ...]:
    """Value, U and k of a result; U leads to its budget."""
    s, said = r.statement, shown.cells(r)
    if s is None:
        return tuple(Span(text=each) for each in (said.value, said.u, said.k))
    return (
        Span(text=said.value, number=s.estimate, look="strong" if r.word != "pass" else ""),
        Span(text=said.u, number=s.expanded, to=f"#{budgets.get(id(r), 'budgets')}"), Span(text=said.k, number=s.k),
    )  # fmt: skip


def _chart(r: Result, curve: Curve) -> Chart:
    fitted = ((f, y) for f, y in zip(curve.band.frequency_hz, curve.band.response_db, strict=True) if y is not None)
    return Chart(
        readings=tuple((p.frequency_hz, p.response_db) for p in curve.points), fitted=tuple(fitted),
        half_power_hz=None if r.statement is None else r.statement.estimate, drop_db=curve.drop_db,
        rated_hz=None if r.limits is None else r.limits.low,
    )  # fmt: skip


def _plain(report: Report, part: PartResult) -> Table:
    return Table(
        caption="Readings", note="without a judgement",
        columns=(
            text("Purpose", 1.5, wraps=True), text("Ch.", 0.5), text("Path", 1.8, wraps=True, room=_ROOMY),
            text("Applied", 1.6, wraps=True), text("Setting", 1.2), text("Quantity", 1.3, wraps=True, room=_ROOMY),
            number("Ideal", room=_ROOMY), number("Reading", 1.2), text("Status", 1.1, wraps=True),
        ),
        rows=tuple(
            row(
                p.purpose, str(p.channel), shown.path_label(report, p.path), p.applied, p.setting, p.quantity,
                Span(text=shown.number(p.expected, p.unit if p.expected is not None else ""), number=p.expected),
                Span(text=shown.number(p.value, p.unit if p.value is not None else ""), number=p.value), p.status,
            )
            for p in part.plain
        ),
    )  # fmt: skip


def _finding(f: Finding) -> Line:
    """A further result as a sentence with its number."""
    value = Span(text=shown.number(f.value, f.unit, 3), number=f.value, look="faint")
    u = () if f.u is None else (
        Span(text=", U = ", look="faint"), Span(text=shown.number(f.u, f.unit, 2), number=f.u, look="faint"),
        Span(text=f", k = {f.k:g}", look="faint"),
    )  # fmt: skip
    said = Span(text=f"{shown.capital(f.name)}: {shown.minus(f.sentence)} ")
    return (said, Span(text="(", look="faint"), value, *u, Span(text=")", look="faint"))


# --- as found and as left ----------------------------------------------------------------------------------------


def adjustment(report: Report, found: Adjustment) -> Section:
    """The results before and after an adjustment."""
    pairs = (_pairs(report, group) for group in pair_groups(found))
    return Section(title="As found and as left", key="adjustment", blocks=(paragraph(found.summary), *pairs))


def _pairs(report: Report, group: PairGroup) -> Table:
    return Table(
        caption=shown.group_title(report, group), note="as found and as left", look="wordy",
        columns=(
            text("Setting", 1.3), number("As found", 2.0, wraps=True),
            text("Verdict", 1.2, wraps=True, label="Verdict as found"), number("As left", 2.0, wraps=True),
            text("Verdict", 1.2, wraps=True, label="Verdict as left"), number("Limits", 1.5, room=_ROOMY),
            number("Change", 1.8, wraps=True), text("Changed", 1.8, wraps=True),
        ),
        rows=tuple(
            row(
                pair_name(group, pair), shown.stated_text(pair.found), _word_of(pair.found),
                shown.stated_text(pair.left), _word_of(pair.left),
                shown.limits_text(pair.either.limits, pair.either.result_unit), change_text(pair),
                Span(text=pair.word, look="strong" if pair.word == "changed" else ""),
                kind="none" if pair.left is None else shown.KIND[pair.left.word],
            )
            for pair in group.pairs
        ),
    )  # fmt: skip


def _word_of(one: Result | None) -> Line:
    return word(one.word) if one is not None else (Span(text="–"),)
