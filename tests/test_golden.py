"""Journals of earlier days give the reports that they gave: every rendering is held against what was kept.

Text is held byte for byte. Numbers written in full may differ in their last digits, as sums of doubles do from one
processor to the next: they are held to one part in 1e9.
"""

from __future__ import annotations

import math
import re
from functools import cache
from pathlib import Path
from typing import Final

import pytest

from harness.journal import journal
from harness.report.summary import summarise
from tests.golden.render import JOURNALS, RENDERINGS, report_of

# With an exponent or more than six digits after the point: no number of a table or a sentence is written so.
IN_FULL: Final = re.compile(r"-?[0-9]+(?:\.[0-9]{7,}(?:e[-+]?[0-9]+)?|(?:\.[0-9]+)?e[-+]?[0-9]+)")
EACH = [pytest.param(folder, id=f"{folder.parent.name}/{folder.name}") for folder in JOURNALS]


@cache
def rendering(folder: Path, name: str) -> str:
    return RENDERINGS[name](report_of(folder))


def same(text: str, kept: str) -> str:
    """What differs first, or "" where nothing does."""
    if text == kept:
        return ""
    for number, (new, old) in enumerate(zip(text.splitlines(), kept.splitlines(), strict=False), 1):
        numbers = zip(IN_FULL.findall(new), IN_FULL.findall(old), strict=False)
        alike = IN_FULL.sub("#", new) == IN_FULL.sub("#", old)
        if not alike or not all(math.isclose(float(a), float(b), rel_tol=1e-9, abs_tol=1e-12) for a, b in numbers):
            return f"line {number}: {new!r} was {old!r}"
    return "" if text.count("\n") == kept.count("\n") else "lines were added or are missing"


def test_there_are_journals_with_and_without_the_later_keys() -> None:
    headers = [journal.read(folder).header for folder in JOURNALS]
    assert {"id" in header for header in headers} == {True, False}
    assert {"certificate_by" in header["setup"]["bench"]["calibrator"] for header in headers} == {True, False}


@pytest.mark.parametrize("name", RENDERINGS)
@pytest.mark.parametrize("folder", EACH)
def test_a_kept_journal_gives_the_rendering_that_was_kept(folder: Path, name: str) -> None:
    kept = (folder / name).read_bytes().decode("utf-8")
    assert same(rendering(folder, name), kept) == "", (
        "If the change is meant, run `python -m tests.golden.render` and read the difference before you keep it."
    )


@pytest.mark.parametrize("name", RENDERINGS)
def test_the_same_journal_gives_the_same_bytes(name: str) -> None:
    """Read twice from the file, not from a report that was kept."""
    folder = next(folder for folder in JOURNALS if folder.name == "by_eye")
    again = summarise(journal.read(folder))
    assert again is not report_of(folder)
    assert RENDERINGS[name](again) == rendering(folder, name)


def test_no_kept_file_names_a_machine() -> None:
    for path in (path for folder in JOURNALS for path in folder.iterdir()):
        assert not re.search(r"/(?:tmp|home|root|opt|Users)/", path.read_text("utf-8")), path


def test_the_comparison_sees_a_changed_digit_and_a_changed_letter() -> None:
    kept = '"u": 0.12345678901234567, "word": "pass"\n'
    assert same(kept.replace("4567,", "4566,"), kept) == ""
    assert same(kept.replace("0.1234567", "0.1234568"), kept)
    assert same(kept.replace("pass", "fail"), kept)
    assert same(kept + "x\n", kept)
