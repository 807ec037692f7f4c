"""What happens is recorded before it is shown, and shown where it cannot be recorded."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.journal.events import Events
from harness.journal.journal import Journal, read


def begun(folder: Path) -> Journal:
    return Journal.create(folder, {"program": "x"}, lambda: "2026-11-25T22:00:00.000+00:00")


def test_a_terminal_that_fails_takes_no_record_with_it(tmp_path: Path) -> None:
    def hung_up(_what: str, _text: str) -> None:
        raise OSError(5, "Input/output error")

    with Events(hung_up) as events:
        events.into(begun(tmp_path / "run"))
        with pytest.raises(OSError, match="Input/output"):
            events("outputs", "The output of the generator may still be ON.")
    assert [(event.what, event.text) for event in read(tmp_path / "run").events] == [
        ("outputs", "The output of the generator may still be ON.")
    ]


def test_what_cannot_be_recorded_is_shown_and_said_to_be_lost(tmp_path: Path) -> None:
    told: list[tuple[str, str]] = []
    with Events(lambda *event: told.append(event)) as events:
        journal = begun(tmp_path / "run")
        events.into(journal)
        journal.close()
        events("repeat", "try 2 of 8")
    assert told == [("repeat", "try 2 of 8"), ("journal", "not recorded: try 2 of 8")]
