"""The documents reached by one command, and the page of commands: it is what the program has."""

from __future__ import annotations

from pathlib import Path

from tests.helpers import commands_page
from tests.helpers.demo_lab import halfpower

ROOT = Path(__file__).resolve().parent.parent


def test_every_page_is_shown_by_its_name() -> None:
    listed = halfpower("docs").stdout
    for page in (ROOT / "docs").glob("*.md"):
        said = halfpower("docs", page.stem)
        assert said.exit_code == 0
        text = page.read_text("utf-8")
        assert said.stdout.count("…") == text.count("…"), page  # nothing of a table is cut off
        title = text.removeprefix("# ").split("\n", 1)[0]
        assert title in said.stdout
        assert page.stem in listed or page.stem == "index"


def test_a_page_is_written_for_a_terminal() -> None:
    said = halfpower("docs", "docs/first-scope.md").stdout
    assert "(Picture: A question at the terminal" in said
    assert "an installed program (install)" in said
    assert "pictures/" not in said
    assert "](" not in said


def test_a_page_that_is_not_there_is_a_sentence() -> None:
    said = halfpower("docs", "uncertanty")
    assert said.exit_code == 1
    assert (
        said.stderr.strip() == "There is no page 'uncertanty'. 'uncertainty' may be meant. 'halfpower docs' lists them."
    )


def test_the_page_of_commands_is_what_the_program_has() -> None:
    """Written anew by `python -m tests.helpers.commands_page`."""
    assert commands_page.PAGE.read_text("utf-8") == commands_page.page()
