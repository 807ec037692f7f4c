"""A page that is too large for a browser, as several: what is long goes on on further pages.   [pure]

Fifty thousand readings are 17 MB of tables, with which a browser is busy for minutes and a telephone never done.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import count
from typing import Final

from harness.report import blocks as b
from harness.report.markup import html
from harness.words.language import tr

_WHOLE: Final = 4000  # rows of a page that is left as it is
_ROOM: Final = 1000  # rows of a section that stay on the first page
_FURTHER: Final = 3000  # rows of a further page


def pages(page: b.Page, name: str) -> dict[str, str]:
    """A page and its further ones as HTML, each by the name of its file; the first is `name`."""
    if _rows(page.blocks) <= _WHOLE:
        return {name: html(page)}
    stem, _, ending = name.rpartition(".")
    names = (f"{stem}-{n}.{ending}" for n in count(2))
    first: list[b.Block] = []
    further: dict[str, b.Page] = {}
    for block in page.blocks:
        kept, rest = _cut((block,), _ROOM)
        runs = [*_runs(rest)]
        own = [next(names) for _ in runs]
        title = block.title if isinstance(block, b.Section) else page.heading
        if runs and isinstance(kept[0], b.Section):
            kept = [replace(kept[0], blocks=(*kept[0].blocks, _continued(own)))]
        first += kept
        for n, blocks in enumerate(runs):
            further[own[n]] = _further(page, title, blocks, (name, *own), n)
    texts = {name: html(replace(page, blocks=tuple(first)))}
    return _linked(texts | {each: html(one) for each, one in further.items()})


def _further(page: b.Page, title: str, blocks: Sequence[b.Block], names: Sequence[str], n: int) -> b.Page:
    """One of the pages that a section goes on on: first, before and after it stand the pages that are linked."""
    said = [b.Span(text=tr("first page"), to=names[0])]
    said += [b.Span(text=tr("the page before"), to=names[n])] if n else []
    said += [b.Span(text=tr("the next page"), to=names[n + 2])] if n + 2 < len(names) else []
    ways = b.Paragraph(said=_between(said))
    heading = tr("{title}, page {page} of {pages}", title=title, page=n + 2, pages=len(names))
    return replace(page, blocks=(ways, b.Section(title=heading, blocks=tuple(_inside(blocks))), ways), footer=())


def _inside(blocks: Sequence[b.Block]) -> Iterator[b.Block]:
    """What a section holds: its own heading stands above the page."""
    for block in blocks:
        yield from block.blocks if isinstance(block, b.Section) else (block,)


def _continued(names: Sequence[str]) -> b.Paragraph:
    """Where a section goes on."""
    links = _between([b.Span(text=str(n), to=name) for n, name in enumerate(names, start=2)])
    return b.Paragraph(said=(b.Span(text=tr("Goes on on further pages: ")), *links))


def _between(spans: Sequence[b.Span]) -> b.Line:
    return tuple(each for span in spans for each in (b.Span(text=" · "), span))[1:]


def _rows(blocks: Sequence[b.Block]) -> int:
    """How much a browser has to lay out."""
    return sum(_weight(block) for block in blocks)


def _weight(block: b.Block) -> int:
    match block:
        case b.Table():
            return len(block.rows)
        case b.Bullets():
            return len(block.entries)
        case b.Section() | b.Beside():
            return 1 + _rows(b.held(block))
        case _:
            return 0


def _runs(blocks: Sequence[b.Block]) -> Iterator[list[b.Block]]:
    """What is left over, a page at a time."""
    while blocks:
        page, rest = _cut(blocks, _FURTHER)
        yield page or [blocks[0]]
        blocks = rest if page else blocks[1:]


def _cut(blocks: Sequence[b.Block], room: int) -> tuple[list[b.Block], list[b.Block]]:
    """The blocks that so many rows have room for, and what is left: within a table or a section too."""
    kept: list[b.Block] = []
    for n, block in enumerate(blocks):
        if _weight(block) <= room:
            kept.append(block)
            room -= _weight(block)
            continue
        some, rest = _halves(block, room)
        return [*kept, *some], [*rest, *blocks[n + 1 :]]
    return kept, []


def _halves(block: b.Block, room: int) -> tuple[list[b.Block], list[b.Block]]:
    match block:
        case b.Table() if room:
            return [replace(block, rows=block.rows[:room])], [replace(block, rows=block.rows[room:])]
        case b.Bullets() if room:
            return [replace(block, entries=block.entries[:room])], [replace(block, entries=block.entries[room:])]
        case b.Section() if room > 1 and (not block.folded or _weight(block) > _ROOM):
            some, rest = _cut(block.blocks, room - 1)
            return [replace(block, blocks=tuple(some))], [replace(block, blocks=tuple(rest), key="")]
        case _:
            return [], [block]


def _linked(texts: Mapping[str, str]) -> dict[str, str]:
    """Links that lead to where they stand now, be it another page."""
    keys = {name: set(re.findall(r' id="([^"]+)"', text)) for name, text in texts.items()}
    where = {key: name for name, own in reversed(keys.items()) for key in own}

    def linked(name: str, text: str) -> str:
        def to(match: re.Match[str]) -> str:
            key = match[1]
            return match[0] if key in keys[name] else f'href="{where.get(key, "")}#{key}"'

        return re.sub(r'href="#([^"]+)"', to, text)

    return {name: linked(name, text) for name, text in texts.items()}
