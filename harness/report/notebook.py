"""What a notebook shows of a report and its results: one line of text, and a table.   [pure]"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from harness.report.model import PartResult, Report, Result
from harness.report.shown import capital, cells, limits_text, marks, rounded, stated_text, tally
from harness.words.clean import clean
from harness.words.spelling import SIGN

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from harness.report.model import Shown


def in_a_line(shown: Shown) -> str:
    """What it is and what came out."""
    match shown:
        case Report():
            return f"<Report {shown.number}: {shown.sentence}>"
        case PartResult():
            words = ", ".join(f"{count} {word}" for word, count in tally(shown))
            return f"<PartResult {shown.name}, {shown.title}: {words or 'no results'}>"
        case Result():
            limits = f" against {limits_text(shown.limits, shown.result_unit)}" if shown.limits is not None else ""
            return f"<Result {_place(shown)}: {stated_text(shown)}{limits}: {shown.word}>"
    return f"<{type(shown).__name__}>"


def as_html(shown: Shown) -> str:
    """The same with its table: of a report and a part the results, of a result the lines of its budget."""
    match shown:
        case Report():
            told = [f"<p>{_text(mark)}</p>" for mark in marks(shown)]
            said = f"<p><strong>{_word(shown.overall)}</strong>. {_text(shown.sentence)}</p>"
            return "".join([*told, said, *(as_html(part) for part in shown.parts)])
        case PartResult():
            said = f"<p>{_text(shown.title)}</p>"
            rows: list[tuple[str, ...]] = [
                (_place(r), cells(r).value, cells(r).u, limits_text(r.limits, r.result_unit), _word(r.word))
                for r in shown.results
            ]
            found = [(f.name, f.sentence) for f in shown.findings]
            return said + _table(("", "Result", "U", "Limits", "Verdict"), rows) + _table(("Further", ""), found)
        case Result():
            said = f"<p>{_text(in_a_line(shown)[1:-1])}</p>"
            lines = shown.budget.contributions if shown.budget is not None else ()
            rows = [(c.name, c.distribution, rounded(c.u, c.unit), rounded(c.contribution + 0.0)) for c in lines]
            heads = ("Budget", "Distribution", "u(xᵢ)", f"uᵢ, {shown.budget.unit}" if shown.budget else "")
            return said + _table(heads, rows)
    return f"<p>{_text(repr(shown))}</p>"


def _place(result: Result) -> str:
    return f"{capital(result.quantity)}, channel {result.channel}, {result.path}, {result.setting}"


def _word(word: str) -> str:
    return f"{SIGN.get(word, '')} {word}".strip()


def _text(text: str) -> str:
    return escape(clean(text))


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    body = "".join(f"<tr>{''.join(f'<td>{_text(cell)}</td>' for cell in row)}</tr>" for row in rows)
    head = "".join(f"<th>{_text(each)}</th>" for each in heads)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>" if body else ""
