"""Two journals side by side."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from harness.journal.journal import NAME, STYLE
from harness.journal.sealed import lines

_OF_ONE_RUN: Final = ("at", "crc", "started", "run", "id")  # what differs between two runs that went alike


def comparable(path: Path) -> list[dict[str, Any]]:
    """The entries without time stamps and checksums: equal for a resumed run and an unbroken one.

    Events are left out: an interruption is one, and stays visible in the journal itself.
    """
    entries = (line.entry for line in lines(path / NAME if path.is_dir() else path, STYLE))
    kept = (entry for entry in entries if entry["kind"] != "event")
    return [{key: value for key, value in entry.items() if key not in _OF_ONE_RUN} for entry in kept]
