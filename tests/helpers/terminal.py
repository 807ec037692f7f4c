"""A command at a terminal of its own, answered as a person would: what stands there at its end, with its colours."""

from __future__ import annotations

import os
import re
import select
import struct
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

if sys.platform != "win32":
    import fcntl
    import pty
    import termios

ASKS: Final = (b"answer: ", b"for help: ")
"""How a question ends: nothing more comes before somebody has answered."""
PATIENCE_S: Final = 60
_MOVES: Final = re.compile(r"(\n|\x1b\[1A|\x1b\[2K|\x1b\[\?25[lh]|\r)")
COLOURS: Final = re.compile(r"\x1b\[[0-9;]*m")


def typed(
    words: Sequence[str], folder: Path, answers: Sequence[str] = (), *, columns: int = 100,
    then: Callable[[str], None] = lambda _said: None,
) -> tuple[int, str]:  # fmt: skip
    """Type `halfpower WORDS` in a folder: the exit code, and the terminal's lines.

    Where the answers are used up, `then` is told what stands there, and the command is ended.
    """
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 50, columns, 0, 0))
    around = {**os.environ, "TERM": "xterm-256color", "COLUMNS": str(columns)}
    command = [sys.executable, "-m", "harness.cli", *words]
    with subprocess.Popen(
        command, cwd=folder, env=around, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True
    ) as process:
        os.close(theirs)
        written, left = b"", list(answers)
        while said := _said(ours):
            written += said
            if written.endswith(ASKS):
                if not left:
                    then(screen(written.decode()))
                    process.kill()
                    break
                os.write(ours, left.pop(0).encode() + b"\n")
        os.close(ours)
    assert not left, f"never asked for: {left}"
    return process.returncode, screen(written.decode())


def _said(terminal: int) -> bytes:
    """What comes next; nothing once the command has ended."""
    ready, _, _ = select.select([terminal], [], [], PATIENCE_S)
    assert ready, "it neither asks nor ends"
    try:
        return os.read(terminal, 65536)
    except OSError:  # on Linux the end of the other side is an error
        return b""


def screen(written: str) -> str:
    """What is left standing of it: a progress bar draws over itself."""
    lines, at = [""], 0
    for part in _MOVES.split(written.replace("\r\n", "\n")):
        if part == "\n":
            at += 1
            lines += [""] * (at == len(lines))
        elif part == "\x1b[1A":
            at -= 1
        elif part == "\x1b[2K":
            lines[at] = ""
        elif not _MOVES.fullmatch(part):
            lines[at] += part
    return "\n".join(lines)
