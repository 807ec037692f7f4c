"""A page of blocks as HTML: nothing outside the file, no script, every text escaped.   [pure]"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from functools import cache
from html import escape
from pathlib import Path
from typing import Final, assert_never

from harness.report import blocks as b
from harness.report import shown
from harness.report.plot_style import INKS, themed
from harness.words.clean import clean, shortened
from harness.words.language import code as language
from harness.words.language import tr

STYLE: Final = Path(__file__).parent / "templates" / "report.css"
_MARGIN_TEXT: Final = 90  # characters that one line of a page's margin holds
_TITLE: Final = 240
_SHORT: Final = 20  # characters of a cell that is not broken
# Letters that are written from the right (Unicode 16, blocks of Hebrew, Arabic and their neighbours) or none of ASCII,
# Latin, Greek, Cyrillic and common signs: such text stands apart from what is around it.
_APART: Final = re.compile("[\u0590-\u1fff\u2c00-\ud7ff\uf900-\U0010ffff]")
_UNPOINTED: Final = re.compile("<title>[^<]*</title>")  # what a mark says to whoever points at it: no finger can
_PLUS_OR_MINUS: Final = "\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}"  # a number keeps its uncertainty on a narrow screen


def html(page: b.Page) -> str:
    """Write a page; the same page gives the same bytes."""
    return "\n".join(
        (
            f'<!DOCTYPE html>\n<html lang="{language()}">\n<head>\n<meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            '<meta name="color-scheme" content="light dark">',
            f'<meta name="generator" content="{_plain(page.program)}">',
            f"<title>{_plain(shortened(page.title, _TITLE))}</title>",
            '<link rel="icon" href="data:,">',
            f"<style>\n{_css(page)}\n</style>\n</head>\n<body>",
            *_marks(page.marks),
            f'<header class="top">\n<h1>{_text(page.heading)}</h1>\n<p>{_text(page.beside)}</p>\n</header>\n<main>',
            *_blocks(page.blocks, 2),
            "</main>\n<footer>",
            *_blocks(page.footer, 2),
            "</footer>\n</body>\n</html>\n",
        )
    )


def css_string(text: str) -> str:
    """Write any text as a CSS string: only plain letters and digits stay, the rest as code points."""
    body = "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x}" for c in clean(text))
    return f'"{body}"'


def _css(page: b.Page) -> str:
    """The style sheet, the plots' colours, and what stands in the margins of every page; data only by `css_string`."""
    css = _style()
    before, between = tr("page {page} of {pages}").removesuffix("{pages}").split("{page}")
    css = css.replace('"PAGE"', f'"{before}"').replace('"OF"', f'"{between}"')
    for name, text in (("HEADER", shortened(page.running, _MARGIN_TEXT + 3)), ("MARKS", " · ".join(page.marks))):
        css = css.replace(f'"{name}"', css_string(text.upper() if name == "MARKS" else text))
    return css


@cache
def _style() -> str:
    light = "".join(f"--{ink.name}:{ink.light};" for ink in INKS)
    dark = "".join(f"--{ink.name}:{ink.dark};" for ink in INKS)
    return STYLE.read_text(encoding="utf-8").replace("/*LIGHT*/", light).replace("/*DARK*/", dark)


def _marks(marks: tuple[str, ...]) -> Iterator[str]:
    if marks:
        yield f'<ul class="marks" aria-label="{_plain(tr("Marks of this page"))}">{_items(map(_text, marks))}</ul>'


# --- text --------------------------------------------------------------------------------------------------------


def _plain(text: str) -> str:
    return escape(clean(text))


def _text(text: str) -> str:
    written = _plain(text).replace(" ± ", _PLUS_OR_MINUS)
    return f"<bdi>{written}</bdi>" if _APART.search(written) else written


def _line(line: b.Line) -> str:
    return "".join(map(_span, line))


def _span(span: b.Span) -> str:
    said = _text(span.text)
    if span.sign:
        said = f'<span class="sign" aria-hidden="true">{_text(span.sign)}</span>{"" if span.kind else " "}{said}'
    if span.heard:
        said += f'<span class="heard">, {_text(span.heard)}</span>'
    if span.kind:
        said = f'<span class="word {span.kind}">{said}</span>'
    if span.look == "strong":
        said = f"<strong>{said}</strong>"
    elif span.look:
        said = f'{" " * (span.look == "remark")}<span class="{span.look}">{said}</span>'
    if span.number is not None:
        said = f'<data value="{span.number}">{said}</data>'
    return f'<a href="{_plain(span.to)}">{said}</a>' if span.to else said


def _items(entries: Iterable[str]) -> str:
    return "".join(f"\n<li>{entry}</li>" for entry in entries) + "\n"


def _clause(clause: str) -> str:
    return f' title="ISO/IEC 17025:2017, {_plain(clause)}"' if clause else ""


# --- blocks ------------------------------------------------------------------------------------------------------


def _blocks(blocks: Iterable[b.Block], level: int) -> Iterator[str]:
    """The blocks as they follow one another; `level` is that of the next heading."""
    for block in blocks:
        yield from _block(block, level)


def _block(block: b.Block, level: int) -> Iterator[str]:
    match block:
        case b.Section() | b.Beside():
            yield from _section(block, level) if isinstance(block, b.Section) else _beside(block, level)
        case b.Paragraph():
            small = ' class="small"' if block.small else ""
            yield f"<p{small}{_clause(block.clause)}>{_line(block.said)}</p>"
        case b.Facts():
            entries = (f"\n<dt{_clause(e.clause)}>{_text(e.name)}</dt><dd>{_line(e.said)}</dd>" for e in block.entries)
            yield f'<dl class="facts">{"".join(entries)}\n</dl>'
        case b.Bullets():
            yield f"<ul>{_items(map(_line, block.entries))}</ul>"
        case b.Table() | b.Listing():
            yield _table(block, block.caption, block.note) if isinstance(block, b.Table) else _listing(block)
        case b.Figure():
            yield _figure(block)
        case b.Gallery():
            yield f'<div class="small-plots">\n{"".join(map(_figure, block.figures))}</div>'
        case b.Answer():
            yield from _answer(block)
        case b.Signatures():
            lines = (
                f'<span class="faint">{_text(role)}</span> <span class="line" aria-hidden="true"></span> '
                f"{_text(name or 'name')}, {_text(function or 'function')}"
                for role, name, function in block.lines
            )
            yield f'<ul class="signatures">{_items(lines)}</ul>'
        case b.Links():
            links = (f'<a href="#{key}">{_text(title)}</a>' for key, title in block.entries)
            yield f'<nav aria-label="{_plain(tr("Contents"))}">\n<ul>{_items(links)}</ul>\n</nav>'
        case b.Chart():  # pictures show it better
            pass
        case _:
            assert_never(block)


def _listing(listing: b.Listing) -> str:
    lines = "\n".join(map(_plain, listing.lines))
    return (
        f'<div class="wide" role="region" tabindex="0" aria-label="{_plain(listing.name)}">\n<pre>{lines}</pre>\n</div>'
    )


def _section(section: b.Section, level: int) -> Iterator[str]:
    """A section with its heading; the note of a heading is the caption of a table that has none."""
    title, bare = _text(section.title), any(isinstance(each, b.Table) and not each.caption for each in section.blocks)
    note = f' <span class="faint">{_text(section.note)}</span>' if section.note and not bare else ""
    if section.folded:
        key = f' id="{section.key}"' if section.key else ""
        yield f"<details>\n<summary>{title}{note}</summary>\n<div{key}>"
    elif section.key:
        yield f'<section id="{section.key}" aria-labelledby="{section.key}h">'
        yield f'<h{level} id="{section.key}h">{title}{note}</h{level}>'
    else:
        yield f"<h{level}>{title}{note}</h{level}>"
    for block in section.blocks:
        if isinstance(block, b.Table) and not block.caption:
            yield _table(block, shown.capital(section.note or section.title), "")
        else:
            yield from _block(block, min(level + 1, 6))
    if section.folded:
        yield "</div>\n</details>"
    elif section.key:
        yield "</section>"


def _beside(beside: b.Beside, level: int) -> Iterator[str]:
    yield '<div class="beside">'
    for column in beside.columns:
        yield "<div>"
        yield from _blocks(column, level)
        yield "</div>"
    yield "</div>"


def _answer(answer: b.Answer) -> Iterator[str]:
    sign = f'<span class="sign" aria-hidden="true">{_text(answer.word.sign)}</span>' if answer.word.sign else ""
    yield f'<section class="answer {answer.word.kind}" aria-label="{_plain(tr("In short"))}">'
    if answer.word.text:
        yield f'<p class="word">{sign}{_text(answer.word.text)}</p>'
    yield from (f'<p class="sentence">{_text(said)}</p>' for said in (*answer.warned, *answer.said))
    if answer.next_step is not None:
        yield f'<p class="next">{_line(answer.next_step.said)}</p>'
    if answer.found:
        yield f'<p class="found">{_line(answer.found)}</p>'
    yield "</section>"


def _figure(figure: b.Figure) -> str:
    picture, narrow = figure.picture, figure.narrow
    if narrow is None:
        drawn = f'<div aria-hidden="true">{_inline(picture.svg, f"{picture.key}-")}</div>'
    else:
        drawn = (
            f'<div class="broad" aria-hidden="true">{_inline(picture.svg, f"{picture.key}w")}</div>\n'
            f'<div class="narrow" aria-hidden="true">{_inline(_UNPOINTED.sub("", narrow.svg), f"{picture.key}n")}</div>'
        )
    words = f'<p class="small">{_text(figure.words)}</p>\n' if figure.words else ""
    return (
        f'<figure id="{picture.key}">\n<figcaption>{_text(picture.caption)}</figcaption>\n'
        f'<div role="img" aria-label="{_plain(picture.alt)}">\n{drawn}\n</div>\n{words}</figure>\n'
    )


def _inline(svg: str, prefix: str) -> str:
    """Make a drawing part of the page: sized by the page, hidden from listeners, who get its words instead."""
    return re.sub(r' (?:width|height)="[0-9.]+pt"', "", themed(svg, prefix), count=2)  # its texts are escaped


# --- tables ------------------------------------------------------------------------------------------------------


def _table(table: b.Table, caption: str, note: str) -> str:
    """A table. Cards lose the display of a table on a narrow screen, so their roles are said; the others scroll."""
    cards = table.look in ("cards", "wordy")

    def role(name: str) -> str:
        return f' role="{name}"' if cards else ""

    style = {"": "", "wordy": ' class="cards wordy"'}.get(table.look, f' class="{table.look}"')
    heads = "".join(
        f'<th scope="col"{role("columnheader")}{_class("n" * c.right)}>{_text(c.name)}</th>' for c in table.columns
    )
    looks = [
        _class("n" if column.right else "text" if wide > _SHORT else "nowrap")
        for column, wide in zip(table.columns, b.longest(table), strict=True)
    ]
    labels = [*(_plain(c.name) for c in table.columns[:-1]), ""]  # the verdict stands beside the head of its card
    head, cell = role("rowheader"), role("cell")

    def written(row: b.Row) -> str:
        first, *rest = map(_line, row.cells)
        cells = (
            f"<td{cell}{look}>{said}</td>" if not cards
            else f'<td{cell}{look} data-label="{label}">{said}</td>' if label
            else f'<td{cell} class="verdict">{said}</td>'
            for look, label, said in zip(looks[1:], labels[1:], rest, strict=True)
        )  # fmt: skip
        return f'\n<tr{role("row")}{_class(row.kind)}><th scope="row"{head}{looks[0]}>{first}</th>{"".join(cells)}</tr>'

    faint = f' <span class="faint">{_text(note)}</span>' if note else ""
    holder = "" if cards else f' role="region" tabindex="0" aria-label="{_plain(caption)}"'
    foot = "".join(written(row) for row in table.rows if row.total)
    return (
        f'<div class="wide"{holder}>\n<table{style}{role("table")}>\n'
        f"<caption{role('caption')}>{_text(caption)}{faint}</caption>\n"
        f"<thead{role('rowgroup')}><tr{role('row')}>{heads}</tr></thead>\n"
        f"<tbody{role('rowgroup')}>{''.join(written(row) for row in table.rows if not row.total)}\n</tbody>\n"
        f"{f'<tfoot>{foot}</tfoot>' if foot else ''}</table>\n</div>"
    )


def _class(name: str) -> str:
    return f' class="{name}"' if name else ""
