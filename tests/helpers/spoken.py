"""The texts that are looked up in a language: `python3 -m tests.helpers.spoken` brings every catalogue up to date.

What a catalogue lacks is added without a translation, and what nothing looks up any more is taken out. Texts that stand
in the code as they are come from its calls; those of records (quantities, ratings, titles, lines of a budget) and of
tables come from reports and questions of the demo in which they were looked up: `RECORDED`.
"""

from __future__ import annotations

import ast
import json
from functools import cache
from pathlib import Path
from typing import Final

from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po, write_po

from drivers.words import HELP_FREQUENCY
from harness.analysis.pulse import PulseFlag
from harness.analysis.record import CLIPPED
from harness.analysis.sine_fit import SineFlag
from harness.analysis.verdict import EQUALITY_TEXT, RULE_TEXT
from harness.bench.limits import CAUTIONS
from harness.person.operator import HELP, HELP_DO, HELP_LOOK
from harness.person.page_server import texts as of_the_page
from harness.report.particulars import ERROR_TEXT
from harness.words.language import FOLDER

ROOT: Final = Path(__file__).parents[2]
RECORDED: Final = Path(__file__).with_name("spoken.json")
TABLES: Final = {
    *RULE_TEXT.values(), EQUALITY_TEXT, *ERROR_TEXT.values(), *SineFlag, *PulseFlag, CLIPPED, CAUTIONS, HELP, HELP_DO,
    HELP_LOOK, HELP_FREQUENCY,
}  # fmt: skip


def texts() -> set[str]:
    """Every text that may be looked up."""
    recorded = set(json.loads(RECORDED.read_text("utf-8")))
    return {text for text, kind in _calls() if kind != "tr_count"} | recorded | set(map(str, TABLES)) | of_the_page()


def counted() -> set[str]:
    """What is counted: "point" of "3 points"."""
    return {text for text, kind in _calls() if kind == "tr_count"}


@cache
def _calls() -> set[tuple[str, str]]:
    found = set()
    for package in ("harness", "sequences", "drivers"):
        for path in (ROOT / package).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.args:
                    name, said = node.func.id, node.args[-1 if node.func.id == "tr_count" else 0]
                    if name in ("tr", "tr_later", "tr_count") and isinstance(said, ast.Constant):
                        found.add((said.value, name))
    return found


def catalogue(language: str) -> Catalog:
    """A catalogue as its file has it."""
    with (FOLDER / f"{language}.po").open("rb") as file:
        return read_po(file, locale=language)


def bring_up_to_date(language: str) -> None:
    """Write a catalogue anew with every text, in order, and the translations that it has."""
    known = {message.id: message.string for message in catalogue(language) if message.id}
    made = Catalog(locale=language, project="halfpower", fuzzy=False)
    for text in sorted(texts()):
        made.add(text, known.get(text, ""))
    for what in sorted(counted()):
        pair = (f"{{count}} {what}", f"{{count}} {what}s")
        made.add(pair, known.get(pair, ("",) * made.num_plurals))
    with (FOLDER / f"{language}.po").open("wb") as file:
        write_po(file, made, width=110, omit_header=False, ignore_obsolete=True)


if __name__ == "__main__":
    for path in sorted(FOLDER.glob("*.po")):
        bring_up_to_date(path.stem)
