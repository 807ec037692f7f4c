"""The pages to learn from, walked through: what they have one write is written, each command is typed at a terminal
in a folder of its own and answered as they say, and what they show comes, line after line.
"""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest

from tests.helpers.terminal import COLOURS, typed

pytestmark = [pytest.mark.soak, pytest.mark.skipif(sys.platform == "win32", reason="needs a terminal of its own")]

DOCS: Final = Path(__file__).resolve().parent.parent / "docs"
WALKED: Final = ("first_scope.md", "first_night.md", "first_measurement.md")
STEP: Final = re.compile(
    r"^<!-- (?P<kind>file|change): (?P<path>\S+) -->\n```\w+\n(?P<text>.*?)^```$"
    r"|(?P<session>(?:^    [^\n]*\n|^\n(?=    ))+)", re.M | re.S,
)  # fmt: skip
ANSWERED: Final = re.compile(r"^(?:answer|Enter when done, \? for help):")
FRAME: Final = re.compile(r"[╭╮╰╯│─━]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """A command of a page, the lines that it shows, and the answers among them."""

    command: str
    shown: tuple[str, ...]

    @property
    def answers(self) -> list[str]:
        return [ANSWERED.sub("", line).strip() for line in self.shown if ANSWERED.match(line)]


def commands(session: str) -> Iterator[Typed]:
    for each in session.split("    $ ")[1:]:
        command, *shown = (line.strip() for line in each.splitlines())
        yield Typed(command=command, shown=tuple(shown))


@pytest.mark.parametrize("page", WALKED)
def test_each_step_of_a_page_does_what_it_says(page: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HALFPOWER_STORE", str(tmp_path / "records.sqlite"))
    monkeypatch.setenv("PYTHONPATH", str(DOCS.parent))
    done = 0
    for step in STEP.finditer((DOCS / page).read_text("utf-8")):
        if step["kind"] == "file":
            (tmp_path / step["path"]).write_text(step["text"], "utf-8")
        elif step["kind"] == "change":
            changed(tmp_path / step["path"], step["text"])
        else:
            for each in commands(step["session"]):
                came(each, tmp_path)
                done += 1
    assert done >= 4


def changed(path: Path, text: str) -> None:
    old, new = (line[1:] for line in text.splitlines())
    before = path.read_text("utf-8")
    assert old in before
    path.write_text(before.replace(old, new), "utf-8")


def came(step: Typed, folder: Path) -> None:
    """What stands on the page came on the terminal, in its order; "..." stands for anything."""
    program, *words = step.command.split()
    words = [found for word in words for found in (sorted(map(str, folder.glob(word))) if "*" in word else [word])]
    said = " ".join(FRAME.sub(" ", COLOURS.sub("", outcome(program, words, step.answers, folder))).split())
    at = 0
    for line in step.shown:
        if line and line != "..." and not ANSWERED.match(line):
            wanted = " ".join(line.split())
            found = said.find(wanted, at)
            assert found >= 0, f"{step.command}: after {said[:at][-100:]!r} comes no {line!r}, but {said[at:][:500]!r}"
            at = found + len(wanted)


def outcome(program: str, words: Sequence[str], answers: Sequence[str], folder: Path) -> str:
    if program == "pytest":
        command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *words]
        return subprocess.run(command, cwd=folder, check=True, capture_output=True, text=True, encoding="utf-8").stdout
    code, said = typed(words, folder, answers, columns=80)
    assert code == (11 if words[0] == "queue" and "--rehearse" not in words else 0), said
    return said
