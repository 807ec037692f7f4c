"""The report as the type-setter gets it: what stands on its first page, on every page, and the blocks.   [pure]"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from harness.report import blocks as b
from harness.report import rest, shown
from harness.report.photographs import figures as photographed
from harness.report.report_page import FIRST, on_paper
from harness.report.short import below, whole
from harness.words.clean import shortened

if TYPE_CHECKING:
    from harness.report.model import Report
    from harness.report.plot_style import Picture

_WHOLE_LINE: Final = 90  # characters in a line of a table
_AS_WIDE: Final = 14  # characters of a cell that is as wide as it is
_MARGIN_TEXT: Final = 52  # characters of a name in the margin of a page


def sheet(
    report: Report,
    pictures: Sequence[Picture] = (),
    *,
    short: bool = False,
    photographs: Mapping[str, bytes] | None = None,
) -> dict[str, Any]:
    """Everything that is printed, ready for JSON; the pictures come under the part that they belong to."""
    figures = [b.Figure(picture=picture) for picture in pictures]
    figures += [] if short else photographed(report, photographs or {})
    blocks = below(report, figures, folded=True) if short else on_paper(report, figures)
    unit, job = report.setup.unit, report.setup.job
    name = shortened(f"{unit.maker} {unit.model}", _MARGIN_TEXT)
    return {
        "title": report.title,
        "subject": f"{unit.maker} {unit.model}, no. {job.serial}",
        "laboratory": job.laboratory,
        "number": report.number,
        "issued": report.issued,
        "overall": _line(b.word(report.overall))[0],
        "sentence": report.sentence,
        "next_step": "" if short else report.next_step,
        "found": report.adjustment.sentence if report.adjustment is not None else "",
        "running": f"{name}, no. {shortened(job.serial, _MARGIN_TEXT)}",
        "marks": [*shown.marks(report)],
        "short": short,
        "groups": []
        if short
        else [
            [*printed(rest.groups([g for title in titles for g in report.facts if g.title == title]), 2)]
            for titles in FIRST
        ],
        "blocks": [*printed(blocks)],
        "statements": [whole(report)] if short else [fact.text for fact in report.statements],
    }


def printed(blocks: Iterable[b.Block], level: int = 1) -> Iterator[dict[str, Any]]:
    """Blocks one below another, each section's heading before them; the kind of each goes under "is"."""
    for block in blocks:
        match block:
            case b.Section():
                yield _heading(block.title, block.note, level)
                yield from printed(block.blocks, 2)
            case b.Paragraph():
                yield {"is": "paragraph", "said": _line(block.said), "small": block.small}
            case b.Facts():
                yield {"is": "facts", "entries": [[fact.name, _line(fact.said)] for fact in block.entries]}
            case b.Bullets():
                yield {"is": "bullets", "entries": [_line(entry) for entry in block.entries]}
            case b.Table():
                if block.caption:
                    yield _heading(block.caption, block.note, level)
                yield _table(block)
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


def _heading(text: str, note: str, level: int) -> dict[str, Any]:
    return {"is": "heading", "text": text, "note": note, "level": level}


def _table(table: b.Table) -> dict[str, Any]:
    return {
        "is": "table",
        "small": table.small,
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
    """How columns share the width: by their texts, and where that is too much, the short ones as they are (0)."""
    wide = [max(cell, len(c.name)) for cell, c in zip(b.longest(table), table.columns, strict=True)]
    return wide if sum(wide) < _WHOLE_LINE else [each if each > _AS_WIDE else 0 for each in wide]


def _line(line: b.Line) -> list[dict[str, str]]:
    """The spans of a line, without what they leave out."""
    named = ({"text": s.text, "sign": s.sign, "kind": s.kind, "look": s.look} for s in line)
    return [{name: said for name, said in span.items() if said or name == "text"} for span in named]
