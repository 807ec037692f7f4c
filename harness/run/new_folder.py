"""The folder of a new run: its name is the run's number, which nothing else has there."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from collections.abc import Collection
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from harness.errors import JournalError
from harness.journal.atomic import OWNERS_FOLDER
from harness.words.numbering import USUAL, numbers

if TYPE_CHECKING:
    from harness.models import Setup


def new_folder(runs: Path, setup: Setup, started: dt.datetime, given: Collection[str]) -> Path:
    """The folder of a new run, made for it alone: its name is the run's number, which nothing else has here.

    `given` are numbers that stand elsewhere.
    """
    bench, serial = setup.bench, setup.job.serial
    values = {
        "year": f"{started:%Y}", "month": f"{started:%m}", "date": f"{started:%Y-%m-%d}",
        "serial": _as_a_name(serial), "bench": _as_a_name(bench.name),
    }  # fmt: skip
    try:
        taken = {*given, *(each.name for each in runs.iterdir())} if runs.is_dir() else given
        for number in numbers(bench.report_number or USUAL, values, taken):
            with suppress(FileExistsError):  # another bench was quicker
                (runs / number).mkdir(mode=OWNERS_FOLDER, parents=True)
                return runs / number
    except OSError as error:
        raise JournalError(f"{runs}: cannot be written: {error.strerror}. Name another folder with --runs.") from None
    raise JournalError(f"{runs}: a thousand numbers in a row are taken; name another folder with --runs.")


def _as_a_name(text: str) -> str:
    """What may stand in the name of a folder."""
    return re.sub(r"[^A-Za-z0-9._-]+", "-", text).strip("-.")[:40] or hashlib.sha256(text.encode()).hexdigest()[:8]
