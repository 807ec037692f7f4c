"""Files that are written whole or not at all: a reader never sees half of one."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from harness.errors import HalfpowerError


def write_text(path: Path, text: str) -> None:
    """Write a text file whole or not at all."""
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file whole or not at all."""
    beside = path.with_name(f"{path.name}.part")
    try:
        if path.exists() and not path.is_file():
            raise HalfpowerError(f"{path}: is no ordinary file. Name a file to write.")
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.write_bytes(content)
        beside.replace(path)
    except OSError as error:
        with suppress(OSError):
            beside.unlink()
        raise HalfpowerError(f"{path}: cannot be written: {error.strerror}. Name another file.") from None
