"""What came of trying an instrument out, as a page.   [pure]"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from harness.report import blocks as b
from harness.report import shown
from harness.report.markup import html
from harness.words.clean import shortened

if TYPE_CHECKING:
    from collections.abc import Iterator

    from harness.words.found import TriedOut, Word

NO_VERIFICATION: Final = (
    "This is no verification: nothing here is judged against a maker's figure, and a reading agrees where it could not "
    "be taken for another kind of level."
)
_ANSWER: Final[dict[Word, str]] = {
    "pass": "keeps its protocol", "conditional pass": "keeps it with these lines", "fail": "does not keep it",
    "not tried": "not tried",
}  # fmt: skip


def tried_page(tried: TriedOut, *, program: str) -> str:
    """The page as HTML; the same trial gives the same bytes."""
    title, made = f"{tried.role} tried out: {tried.label}", f"Halfpower {program}"
    return html(
        b.Page(
            title=shortened(shown.capital(title), 160), heading=shown.capital(title), beside=shown.moment(tried.at),
            program=made, running=f"{shortened(title, 60)} · {tried.at}", marks=_marks(tried),
            blocks=tuple(blocks(tried)), footer=(b.paragraph(NO_VERIFICATION), b.paragraph(f"Made by {made}.")),
        )
    )  # fmt: skip


def blocks(tried: TriedOut) -> Iterator[b.Block]:
    """What the page says, in its order."""
    (span, *_) = b.word(tried.word)
    answer = b.Span(text=_ANSWER[tried.word], sign=span.sign, kind=span.kind)
    warned = (tried.may_be_on,) if tried.may_be_on else ()
    yield b.Answer(title=tried.label, word=answer, said=(tried.sentence,), warned=warned, next_step=_next(tried))
    put_out = [("Put out", f"{tried.put_out} at most, and off at the end")] if tried.put_out else []
    yield b.facts(
        (
            ("Instrument", tried.label),
            ("Role", tried.role),
            ("Address", tried.address),
            ("Bench", tried.bench),
            *put_out,
        )
    )
    rows = (
        b.row(shown.capital(each.check), each.said, b.word(each.word), kind=shown.KIND[each.word])
        for each in tried.found
    )
    checks = b.table(("Check", "What was found", "Outcome"), rows, look="wordy")
    yield b.Section(title="Checks", note="each as it came out", key="checks", blocks=(checks,))
    if tried.lines:
        how = b.paragraph(
            "A table that is there already gets the lines below its heading. Then 'halfpower check' says whether they "
            "are as they should be."
        )
        listing = b.Listing(name=f"Lines for {tried.bench}", lines=tried.lines)
        yield b.Section(title=f"Lines for {tried.bench}", key="lines", blocks=(how, listing))
    if tried.commands:
        sent = b.table(("Command", "As it is sent", "What came of it"), (b.row(*row) for row in tried.commands))
        yield b.Section(title="Commands", note="each by itself", key="commands", blocks=(sent,), folded=True)


def _next(tried: TriedOut) -> b.Paragraph:
    """What to do."""
    if tried.may_be_on:
        return b.paragraph("Look at its output first.")
    if tried.lines and tried.word == "conditional pass":
        return b.paragraph(b.Span(text=f"Write the lines below into {tried.bench}, and try it out again.", to="#lines"))
    if tried.word == "fail":
        return b.paragraph(b.Span(text="Begin with the first check that failed.", to="#checks"))
    return b.paragraph("A run may rely on it.")


def _marks(tried: TriedOut) -> tuple[str, ...]:
    return (*((shown.SIMULATED,) if tried.simulated else ()), *((shown.MAY_BE_ON,) if tried.may_be_on else ()))
