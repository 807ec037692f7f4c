"""The report as the type-setter gets it: what stands on its first page, on every page, and the blocks.   [pure]"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

from harness.report import blocks as b
from harness.report import rest, shown
from harness.report.photographs import figures as photographed
from harness.report.report_page import FIRST, annex, certificate
from harness.report.short import below, whole
from harness.words.clean import shortened
from harness.words.language import code, day, tr, tr_later

if TYPE_CHECKING:
    from harness.report.model import Report
    from harness.report.plot_style import Picture

Part: TypeAlias = Literal["both", "certificate", "annex", "short"]
"""What is printed: the report as one file, one of its two parts as a file of its own, or the short form."""

_OPINIONS: Final = {
    False: tr_later("It contains no opinions and no interpretations."),
    True: tr_later(
        "What stands under “Opinion” rests on the results and is no part of the statement of "
        "conformity; it contains no other opinions and no interpretations."
    ),
}
_MOST_ROWS: Final = 1000  # of a table that is printed
_MOST_IN_ANNEX: Final = 600  # of all its tables
_WHOLE_LINE: Final = 90  # characters in a line of a table
_IN_A_LINE: Final = 125  # of a table that has one column
_BETWEEN: Final = 2  # two columns
_WORD: Final = re.compile(r"[^ ]*\d (?:[kMG]?Hz|[mµnp]?s|[mkµ]?V|%|dB|div)\b|[^ ,-]+[,-]?")
_LINES: Final = 6  # that the longest text of a column may take
_AS_WIDE: Final = 14  # characters of a cell that is as wide as it is
_MARGIN_TEXT: Final = 52  # characters of a name in the margin of a page


def sheet(
    report: Report,
    pictures: Sequence[Picture] = (),
    *,
    part: Part = "both",
    advice: bool = False,
    photographs: Mapping[str, bytes] | None = None,
) -> dict[str, Any]:
    """Everything that is printed, ready for JSON; `advice`: with an opinion for the customer, if there is one."""
    figures = [b.Figure(picture=picture) for picture in pictures]
    opinion = report.advice if advice else ""
    unit, job = report.setup.unit, report.setup.job
    name = shortened(f"{unit.maker} {unit.model}", _MARGIN_TEXT)
    told: dict[str, Any] = {
        "part": part,
        "title": report.title,
        "subject": tr("{maker} {unit_model}, no. {serial}", maker=unit.maker, unit_model=unit.model, serial=job.serial),
        "laboratory": job.laboratory,
        "number": report.number,
        "overall": _line(b.word(report.overall))[0],
        "sentence": report.sentence,
        "found": report.adjustment.sentence if report.adjustment is not None else "",
        "running": tr("{name}, no. {serial}", name=name, serial=shortened(job.serial, _MARGIN_TEXT)),
        "marks": [*shown.marks(report)],
        "groups": [],
        "blocks": [],
        "annex": [],
        "statements": [*_statements(report, opinion)],
        "language": code(),
        "words": {
            "report": tr("Report {number}", number=report.number),
            "certificate": tr(", part 1 of 2"),
            "annex": tr(", part 2 of 2: annex"),
            "behind": tr(", annex"),
            "issued": tr("issued {when}", when=day(report.issued) or tr("not yet")),
            "page": tr("page {page} of {pages}"),
            "continued": tr(", continued"),
            "sign": tr("name, date, signature"),
            "attached": tr("Every value of this report, for machines"),
        },
    }
    if part == "short":
        return told | {
            "blocks": [*printed(below(report, figures, folded=True))], "statements": [whole(report)],
        }  # fmt: skip
    if part != "annex":
        told["groups"] = [
            [*printed(rest.groups([g for title in titles for g in report.facts if g.title == title]), 2)]
            for titles in FIRST
        ]
        told["blocks"] = [*_cut(printed(certificate(report, opinion)), _MOST_ROWS, in_all=False)]
    if part != "certificate":
        behind = annex(report, [*figures, *photographed(report, photographs or {})])
        told["annex"] = [_heading(tr("Annex"), tr("to report {number}", number=report.number), 1)]
        told["annex"] += _cut(printed(behind), _MOST_IN_ANNEX, in_all=True)
    else:
        told["statements"][-1] = tr("End of part 1 of 2 of report {number}; part 2 is its annex.", number=report.number)
    return told


def _statements(report: Report, opinion: str) -> Iterator[str]:
    """What the report says about itself; paper has no advice besides an opinion that is called one."""
    for fact in report.statements:
        yield tr(_OPINIONS[bool(opinion)]) if fact.name == "Opinions" else fact.text


def printed(blocks: Iterable[b.Block], level: int = 1, named: str = "") -> Iterator[dict[str, Any]]:
    """Blocks one below another, each section's heading before them; the kind of each goes under "is".

    A table has the name of the heading above it, for the pages that it goes on.
    """
    for block in blocks:
        match block:
            case b.Section():
                yield _heading(block.title, block.note, level)
                yield from printed(block.blocks, 2, block.title)
            case b.Paragraph():
                yield {"is": "paragraph", "said": _line(block.said), "small": block.small}
            case b.Facts():
                yield {"is": "facts", "entries": [[fact.name, _line(fact.said)] for fact in block.entries]}
            case b.Bullets():
                yield {"is": "bullets", "entries": [_line(entry) for entry in block.entries]}
            case b.Table():
                if block.caption:
                    yield _heading(block.caption, block.note, level)
                    named = block.caption
                yield _table(block) | {"named": named}
            case b.Figure(picture=picture):
                yield {"is": "figure", "caption": picture.caption, "alt": picture.alt, "svg": picture.svg}
            case b.Gallery():
                yield {"is": "beside", "columns": [[*printed([figure])] for figure in block.figures]}
            case b.Beside():
                yield {"is": "beside", "columns": [[*printed(column)] for column in block.columns]}
            case b.Signatures():
                lines = [[role, ", ".join(filter(None, who))] for role, *who in block.lines]
                yield {"is": "signatures", "lines": lines}
            case _:
                pass


def _cut(blocks: Iterable[dict[str, Any]], most: int, *, in_all: bool) -> Iterator[dict[str, Any]]:
    """Tables of at most so many rows, each or in all, but for what is judged.

    Nobody reads hundreds of pages of readings, and a cell costs the type-setter 15 kB.
    """
    room = most
    for block in blocks:
        rows = block.get("rows", [])
        if len(rows) <= room or any(row["kind"] for row in rows):
            yield block
        else:
            yield from [block | {"rows": rows[:room]}] if room else []
            said = tr(
                "{room} of {count} rows are printed; the attached results hold them all.", room=room, count=len(rows)
            )
            yield {"is": "paragraph", "said": _line(b.line(said)), "small": True}
        room = max(room - len(rows), 0) if in_all else most


def _heading(text: str, note: str, level: int) -> dict[str, Any]:
    return {"is": "heading", "text": text, "note": note, "level": level}


def _table(table: b.Table) -> dict[str, Any]:
    return {
        "is": "table",
        "small": table.small,
        "foot": table.foot,
        "compact": table.look == "compact",
        "columns": [
            {"name": column.name, "right": column.right, "share": share}
            for column, share in zip(table.columns, _shares(table), strict=True)
        ],
        "rows": [
            {"cells": [_line(cell) for cell in row.cells], "kind": row.kind, "total": row.total} for row in table.rows
        ],
    }


def _shares(table: b.Table) -> list[int]:
    """How columns share the width: by their texts, and where that is too much, the short ones as they are (0).

    Where a word, or a number with its unit, would not fit, the others share by these, and a little by their texts.
    """
    wide = [max(cell, len(c.name)) for cell, c in zip(b.longest(table), table.columns, strict=True)]
    if sum(wide) < _WHOLE_LINE:
        return wide
    shares = [each if each > _AS_WIDE else 0 for each in wide]
    texts = ([c.name, *(b.text_of(row.cells[n]) for row in table.rows)] for n, c in enumerate(table.columns))
    words = [max((len(word) for text in some for word in _WORD.findall(text)), default=0) for some in texts]
    room = _IN_A_LINE - sum(each for each in wide if each <= _AS_WIDE) - _BETWEEN * len(wide)
    if all(room * share >= word * sum(shares) for share, word in zip(shares, words, strict=True) if share):
        return shares
    return [word + share // _LINES if share else 0 for word, share in zip(words, shares, strict=True)]


def _line(line: b.Line) -> list[dict[str, str]]:
    """The spans of a line, without what they leave out."""
    named = ({"text": s.text, "sign": s.sign, "kind": s.kind, "look": s.look} for s in line)
    return [{name: said for name, said in span.items() if said or name == "text"} for span in named]
