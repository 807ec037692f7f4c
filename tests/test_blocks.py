"""One page of blocks, shown three ways: the same words in each, and what only one of them does."""

from __future__ import annotations

import io
import re

from rich.console import Console

from harness.report import blocks as b
from harness.report.markup import html
from harness.report.sheet import printed
from harness.report.terminal_page import on_terminal
from tests.helpers.html_reader import Page

COMMAND = "halfpower resume " + "/srv/runs/" + "a-long-name-" * 12
TABLE = b.table(
    ("Setting", "?>Ideal", ">Error", "Verdict"),
    [
        b.row("50 mV/div", "6 div", b.Span(text="+4.20 %", number=4.2, to="#b1"), b.word("fail", ["read twice"])),
        b.row("Combined", "", "", "", total=True),
    ],
    look="cards",
)
BLOCKS = (
    b.Section(title="Results", note="of channel 1", key="results", blocks=(TABLE,)),
    b.Section(title="Deviations", blocks=(b.bullets((f"deviation {n}" for n in range(1, 16)), brief=True),)),
    b.Section(title="Budget", key="b1", folded=True, blocks=(b.paragraph("k = 2", small=True),)),
    b.Paragraph(said=b.line(COMMAND), whole=True),
)


def page() -> str:
    return html(
        b.Page(title="t", heading="Heading", beside="", program="", running="", marks=(), blocks=BLOCKS, footer=())
    )


def terminal(width: int) -> str:
    console = Console(width=width, file=io.StringIO(), record=True, force_terminal=False)
    console.print(on_terminal(BLOCKS, ()), crop=False)
    return console.export_text()


def print_out() -> str:
    return " ".join(re.findall(r"'(?:text|name|note)': '([^']*)'", repr([*printed(BLOCKS)])))


def test_every_word_is_on_the_page_on_the_terminal_and_in_print() -> None:
    shown = (Page(page()).seen(), terminal(120), print_out())
    for word in ("Results", "50 mV/div", "6 div", "+4.20 %", "fail", "read twice", "Combined", "deviation 12", "k = 2"):
        assert all(word in each for each in shown), word
    assert all("of channel 1" in each.lower() for each in shown)


def test_a_number_keeps_its_full_value_and_leads_to_its_budget() -> None:
    assert '<a href="#b1"><data value="4.2">+4.20 %</data></a>' in page()
    assert '<div id="b1">' in page()  # within the folded section, so that a browser opens it


def test_a_table_without_a_caption_has_its_headings_note() -> None:
    assert ">Of channel 1</caption>" in page()
    assert [block["is"] for block in printed(BLOCKS[:1])] == ["heading", "table"]


def test_a_narrow_terminal_leaves_a_column_out_and_a_long_list_short() -> None:
    assert "Ideal" in terminal(104)
    assert "Ideal" not in terminal(103)
    assert "deviation 13" not in terminal(120)
    assert "… and 3 more, in the report" in terminal(120)
    assert all(f"deviation {n}" in page() for n in range(1, 16))


def test_a_command_stays_one_line_and_a_terminal_is_read_from_its_end() -> None:
    lines = terminal(60).splitlines()
    assert COMMAND in lines
    assert lines.index(COMMAND) < next(n for n, each in enumerate(lines) if each.startswith("Results"))
