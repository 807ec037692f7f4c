"""The report on one page, in plain words: verdict, table of ranges, response, who, when and with what.   [pure]

It is the short form of a report that has everything else, and names it.

References
----------
ISO/IEC 17025:2017, clause 7.8.1.3 (results in a simplified way, where the customer agreed; from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from harness.report import blocks as b
from harness.report import rest, shown
from harness.report.report_page import answer
from harness.words.clean import shortened
from harness.words.language import day, tr, tr_count, tr_later, tr_look
from harness.words.spelling import SIGN

if TYPE_CHECKING:
    from harness.report.model import PartResult, Report, Result

_PLAIN: Final = {"V/div": tr_later("volts per division (V/div)"), "s/div": tr_later("time per division (s/div)")}
_MAGNIFIED: Final = " ×"
_HALF_POWER: Final = "bandwidth: the −3 dB frequency"
_LONGEST: Final = 12  # rows of one column of results; more stand beside one another
_FEW: Final = 3  # columns, of which twice as many fill half a page
_TITLE_ROWS: Final = 3  # that a title and a head take the room of
_LONGEST_TEXT: Final = 60
_MEANS: Final = {
    "V/div": tr_later("V/div, s/div: what one division of the screen stands for"),
    "s/div": tr_later("V/div, s/div: what one division of the screen stands for"),
    "Hz": tr_later("−3 dB (half power): the frequency at which the trace has shrunk to 71 %"),
    "±": tr_later("±: the true value lies so near to the result, with about 95 %"),
    "pass": tr_later("✓ pass"),
    "conditional pass": tr_later("(✓) conditional pass: within the limits, by less than ±"),
    "conditional fail": tr_later("(✗) conditional fail: outside the limits, by no more than ±"),
    "fail": tr_later("✗ fail"),
    "undecided": tr_later("? undecided: nearer to a limit than ±"),
    "not measured": tr_later("– not measured"),
}


def page(report: Report, figures: Sequence[b.Figure]) -> b.Page:
    """The short form as a page of its own."""
    unit, serial = report.setup.unit, report.setup.job.serial
    name = shortened(
        tr("{maker} {unit_model} no. {serial}", maker=unit.maker, unit_model=unit.model, serial=serial), _LONGEST_TEXT
    )
    return b.Page(
        title=f"{name} – {report.number}",
        heading=name,
        beside=tr("Report {number}, short form", number=report.number),
        running=tr("{name} · Report {number}", name=name, number=shortened(report.number, _LONGEST_TEXT)),
        program=report.program,
        marks=shown.marks(report),
        blocks=tuple(blocks(report, figures)),
        footer=(b.paragraph(whole(report)),),
    )


def blocks(report: Report, figures: Sequence[b.Figure] = ()) -> Iterator[b.Block]:
    """What stands below its title."""
    yield replace(answer(report), next_step=None)
    yield from below(report, figures)


def below(report: Report, figures: Sequence[b.Figure] = (), *, folded: bool = False) -> Iterator[b.Block]:
    """What stands below the verdict; `folded`, long tables as two halves beside one another: paper does not scroll."""
    tables = [_folded(table) if folded else table for part in report.parts for table in _tables(part)]
    left: list[b.Table] = []
    right: list[b.Table] = []
    for table in tables:
        min((left, right), key=lambda column: sum(_TITLE_ROWS + len(each.rows) for each in column)).append(table)
    yield _facts(report)
    yield b.Beside(columns=tuple(tuple(column) for column in (left, right) if column))
    yield from _responses(report, figures)
    yield _standards(report)
    yield b.paragraph(" · ".join(_means(report)), small=True)
    yield from rest.signatures(report).blocks


def whole(report: Report) -> str:
    """Where the rest stands."""
    told = len(report.deviations) + len(report.notes)
    more = tr(", and {remarks} on how the work went", remarks=tr_count(told, "remark")) if told else ""
    return tr(
        "Short form of report {number}, which has every reading, uncertainty and particular{more}. {not_accredited}",
        number=report.number,
        more=more,
        not_accredited=tr(shown.NOT_ACCREDITED),
    )


def _facts(report: Report) -> b.Block:
    job = report.setup.job
    said: list[tuple[str, b.Line]] = [
        (
            "Oscilloscope",
            b.line(shown.unit_named(report)),
        )
    ]
    named = (
        ("Whose", job.customer), (tr("Checked by"), ", ".join(filter(None, (job.operator, job.laboratory)))),
        ("When", day(report.ended[:10])), (tr("Next time"), day(job.next_due) if job.next_due else ""),
        (tr("Looked at"), _looked_at(report)), ("Rule", report.rule_text.split(":")[0].split(",")[0]),
    )  # fmt: skip
    return b.facts([*said, *((name, b.line(text)) for name, text in named if text)])


def _looked_at(report: Report) -> str:
    """What somebody saw that is not as it should be, or that all is."""
    looks = [look for part in report.parts for look in part.looks]
    told = [f"{tr_look(each.what)}: {', '.join(filter(None, (tr(each.answer), each.remark)))}" for each in looks]
    wrong = [text for text, each in zip(told, looks, strict=True) if each.answer != "yes" or each.remark]
    if not looks:
        return ""
    return f"{tr_count(len(looks), 'check')}, {'; '.join(wrong) if wrong else tr('all as they should be')}"


# --- ranges ------------------------------------------------------------------------------------------------------


def _tables(part: PartResult) -> Iterator[b.Table]:
    """A table a quantity: a row a setting, a column a channel and path."""
    for quantity in dict.fromkeys(result.quantity for result in part.results if result.curve is None):
        yield _ranges(part, [r for r in part.results if r.curve is None and r.quantity == quantity])


def _ranges(part: PartResult, results: Sequence[Result]) -> b.Table:
    unit, several = results[0].setting_unit, len({r.path for r in results}) > 1
    series = dict.fromkeys(_series(r) for r in results)
    names = [
        " ".join(filter(None, (tr("Ch. {channel}{several}", channel=channel, several=f", {path}" * several), behind)))
        for channel, path, behind in series
    ]
    settings = dict.fromkeys(_setting(r) for r in sorted(results, key=lambda r: r.setting_value))
    said, column = _limits(results, series, names)
    rows = []
    for setting in settings:
        these = [r for r in results if _setting(r) == setting]
        cells = (_cell([r for r in these if _series(r) == each]) for each in series)
        own = ["; ".join(dict.fromkeys(_limit(r) for r in these))] if column else []
        rows.append(b.row(_whole(setting), *own, *cells, _u(these)))
    columns = (unit, *([">Limits"] if column else []), *(f">{name}" for name in names), ">±")
    applied = dict.fromkeys(r.corrected or r.applied for r in results)
    alone = len({r.quantity for r in part.results}) == 1
    what = tr(_PLAIN[unit] if results[0].is_error and alone else results[0].quantity)
    note = ", ".join(filter(None, (*(applied if len(applied) == 1 else ()), said)))
    return b.table(columns, rows, caption=f"{part.title}: {what}", note=note, small=True)


def _setting(r: Result) -> str:
    number, _, behind = r.setting.partition("/div")
    return number if behind.startswith(_MAGNIFIED) else number + behind


def _series(r: Result) -> tuple[int, str, str]:
    """Channel, path, and the magnifier: "×10"."""
    behind = r.setting.partition("/div")[2]
    return r.channel, r.path, behind.strip() if behind.startswith(_MAGNIFIED) else ""


def _limit(r: Result) -> str:
    return shown.limits_text(r.limits, r.result_unit)


def _limits(
    results: Sequence[Result], series: Iterable[tuple[int, str, str]], names: Sequence[str]
) -> tuple[str, bool]:
    """The limits in words, where each column has its own, and whether they need a column themselves."""
    by_series = [{_limit(r) for r in results if _series(r) == each} for each in series]
    every = set().union(*by_series)
    if len(every) == 1:
        return tr("limits {pop}", pop=every.pop()), False
    if any(len(each) > 1 for each in by_series):
        return "", True
    return "limits " + ", ".join(f"{name} {each.pop()}" for name, each in zip(names, by_series, strict=True)), False


def _folded(table: b.Table) -> b.Table:
    """A long table of few columns as two halves beside one another."""
    n = (len(table.rows) + 1) // 2
    if len(table.rows) <= _LONGEST or len(table.columns) > _FEW:
        return table
    none: tuple[b.Line, ...] = ((),) * len(table.columns)
    halves = [
        b.Row(cells=(*one.cells, *(table.rows[n + i].cells if n + i < len(table.rows) else none)))
        for i, one in enumerate(table.rows[:n])
    ]
    columns: tuple[b.Column, ...] = (*table.columns, *table.columns)
    return b.Table(caption=table.caption, note=table.note, columns=columns, rows=tuple(halves), small=True)


def _worst(results: Sequence[Result]) -> Result:
    """The worst of the results of one setting."""
    return max(results, key=lambda r: (shown.WORDS.index(r.word), abs(r.statement.estimate) if r.statement else 0.0))


def _cell(results: Sequence[Result]) -> b.Span:
    """The result of a setting, the worst where there are several, with the sign of its verdict."""
    if not results:
        return b.Span(text="–")
    one = _worst(results)
    of = tr(" (worst of {count})", count=len(results)) if len(results) > 1 else ""
    return b.Span(
        text=f"{_whole(shown.cells(one).value)}{of}",
        sign=SIGN[one.word],
        kind=shown.KIND[one.word],
        heard=tr(one.word),
    )


def _u(results: Sequence[Result]) -> str:
    """The largest uncertainty of a row."""
    known = [r for r in results if r.statement is not None]
    if not known:
        return "–"
    return _whole(f"±{shown.cells(max(known, key=lambda r: r.statement.expanded)).u}")  # type: ignore[union-attr]


def _whole(text: str) -> str:
    """A value that breaks in no line."""
    return text.replace(" ", "\N{NO-BREAK SPACE}")


# --- the rest ----------------------------------------------------------------------------------------------------


def _responses(report: Report, figures: Sequence[b.Figure]) -> Iterator[b.Block]:
    results = [result for part in report.parts for result in part.results if result.curve is not None]
    groups: dict[str, list[Result]] = {}
    for result in results:
        drop_db = None if result.curve is None else result.curve.drop_db
        bandwidth = drop_db is not None and (result.limits is None or result.limits.high is None)
        groups.setdefault(tr(_HALF_POWER if bandwidth else result.quantity), []).append(result)
    for title, some in groups.items():
        several = len({r.channel for r in some}) < len(some)
        said = [
            (
                tr("Channel {channel}{several}", channel=r.channel, several=f", {r.setting}" * several),
                (
                    _cell([r]),
                    b.Span(
                        text=tr(" {u}, rated {limits}", u=_u([r]), limits=shown.limits_text(r.limits, r.result_unit))
                    ),
                ),
            )
            for r in some
        ]
        yield b.Section(title=shown.capital(title), blocks=(b.facts(said),))
    if figures and results:
        yield b.Gallery(figures=tuple(figures))


def _standards(report: Report) -> b.Paragraph:
    said = [
        f"{tr(each.role)} {each.label if each.label != '?' else tr('(not named)')}"
        + (
            tr(" (certificate {certificate}{due})", certificate=each.certificate, due=_until(each.due))
            if each.certificate
            else ""
        )
        for each in report.standards
    ]
    return b.paragraph((b.strong(tr("With: ")), b.Span(text=f"{'; '.join(said) or tr('nothing that is named')}.")))


def _until(due: str) -> str:
    return tr(", valid to {day}", day=day(due)) if due else ""


def _means(report: Report) -> list[str]:
    """What the words on this page mean, as far as they stand there."""
    results = [result for part in report.parts for result in part.results]
    used = {r.setting_unit for r in results} | {r.word for r in results} | {r.result_unit for r in results} | {"±"}
    return list(dict.fromkeys(tr(said) for word, said in _MEANS.items() if word in used))
