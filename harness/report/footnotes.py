"""Remarks that several results share: a letter beside each verdict, and below its table what it means.   [pure]"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from string import ascii_lowercase
from typing import Final

from harness.report import blocks as b
from harness.report.scope import BY_BUDGET
from harness.words.language import tr, tr_later

_FIRM: Final = "\N{NO-BREAK SPACE}"
_VALUE: Final = tr_later("what stands beside the letter")


def gathered(sections: Sequence[b.Section]) -> Iterator[b.Block]:
    """Sections of results, what their shared remarks mean below each table; a remark of one result stays beside it."""
    said = Counter(_shared(remark.text) for section in sections for remark in _remarks(section.blocks))
    shared = (text for text, count in said.items() if count > 1)
    letters = dict(zip(shared, ascii_lowercase, strict=False))
    for section in sections:
        yield replace(section, blocks=tuple(_block(block, letters) for block in section.blocks))


def _shared(text: str) -> str:
    """A remark without the value that is its result's own."""
    general, own, _ = text.partition(tr(BY_BUDGET))
    return f"{general}{tr(BY_BUDGET)}{tr(_VALUE)}" if own else text


def _remarks(blocks: Iterable[b.Block]) -> Iterator[b.Span]:
    for block in blocks:
        if isinstance(block, b.Section):
            yield from _remarks(block.blocks)
        elif isinstance(block, b.Table):
            yield from (span for row in block.rows for cell in row.cells for span in _of_verdict(cell))


def _of_verdict(cell: b.Line) -> b.Line:
    return tuple(span for span in cell if span.look == "remark") if cell and cell[0].kind else ()


def _block(block: b.Block, letters: dict[str, str]) -> b.Block:
    if isinstance(block, b.Section):
        return replace(block, blocks=tuple(_block(each, letters) for each in block.blocks))
    if isinstance(block, b.Table):
        rows = (replace(row, cells=tuple(_cell(cell, letters) for cell in row.cells)) for row in block.rows)
        has = {_shared(remark.text) for remark in _remarks([block])}
        means = [f"{letter}: {text}" for text, letter in letters.items() if text in has]
        foot = [block.foot.removesuffix(".")] if block.foot else []
        return replace(block, rows=tuple(rows), foot="; ".join(foot + means) + "." * bool(foot or means))
    return block


def _cell(cell: b.Line, letters: dict[str, str]) -> b.Line:
    marked = set(_of_verdict(cell))
    return tuple(_mark(span, letters) if span in marked else span for span in cell)


def _mark(span: b.Span, letters: dict[str, str]) -> b.Span:
    letter = letters.get(_shared(span.text))
    if letter is None:
        return span
    own = span.text.partition(tr(BY_BUDGET))[2].replace(" ", _FIRM)
    return b.Span(text=f" {letter}{_FIRM if own else ''}{own}", look="mark")
