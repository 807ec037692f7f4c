"""Two journals side by side."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from harness.journal.journal import NAME, STYLE, Record, read
from harness.journal.sealed import Line, lines
from harness.steps import to_plain

_OF_ONE_RUN: Final = ("at", "crc", "started", "run", "id")  # what differs between two runs that went alike


def comparable(path: Path) -> list[dict[str, Any]]:
    """The entries without time stamps and checksums: equal for a resumed run and an unbroken one.

    Events are left out: an interruption is one, and stays visible in the journal itself.
    """
    path = path / NAME if path.is_dir() else path
    contents = read(path)
    recorded = {record.line: record for record in (*contents.records, *contents.withdrawn)}
    entries = (_whole(line, recorded.get(line.number)) for line in lines(path, STYLE))
    kept = (entry for entry in entries if entry["kind"] != "event")
    return [{key: value for key, value in entry.items() if key not in _OF_ONE_RUN} for entry in kept]


def _whole(line: Line, record: Record | None) -> dict[str, Any]:
    """The entry with all that the line leaves to others before it."""
    if record is None:
        return line.entry
    step, reply = to_plain(record.step), to_plain(record.reply)
    return {"kind": line.entry["kind"], "part": record.part, "n": record.n, "step": step, "reply": reply}
