"""From the answers to the three files, which are never written over others."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from harness.errors import ConfigError, HalfpowerError
from harness.files.files import load_bench
from harness.start.interview import understood
from harness.start.said import MISSING
from harness.start.texts import bench_text, divided, job_text, terminated, unit_text
from harness.words.clean import clean

BENCH: Final = "bench.toml"
_MOST: Final = 1000  # files of one name
_NO_LEVEL: Final = (
    "The bandwidth is left out: it takes a faster scope, or a generator whose level is held, such as '25 MHz, 0.5 dB'."
)
_NO_DIVIDER: Final = "no path with a divider; add [paths.probe] to it, and its name to the job."


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """The files of a job, and which of them were there already."""

    bench: Path
    unit: Path
    job: Path
    kept: tuple[Path, ...]
    left_out: tuple[str, ...]  # what the bench that was there has no path for


def write(answers: Mapping[str, str], folder: Path) -> Written:
    """
    Write the files that are not there; raises HalfpowerError where one cannot be written.

    A bench file that is there is used as it is, and so is a unit file that says the same; whatever else has the name
    of a file to be written stands, and the new file is called otherwise.
    """
    said, typed = understood(answers), {key: clean(answer) for key, answer in answers.items()}
    path, kept = folder / BENCH, []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if path.exists():
            kept.append(path)
        else:
            _create(path, bench_text(said, typed))
        bench = load_bench(path)
        stem = _plain(f"{said['identity'].maker} {said['identity'].model}")
        unit, was_there = _put(folder, stem, unit_text(said, typed))
        kept += [unit] if was_there else []
        text = job_text(said, bench, unit_file=unit.name, bench_file=path.name)
        job, _ = _put(folder, _plain(f"{stem} {said['identity'].serial}"), text)
    except OSError as error:
        raise HalfpowerError(
            f"{folder}: no file can be written there: {error.strerror}. Name another folder."
        ) from None
    missing = [] if said["probe"] == MISSING or divided(bench) else [f"{path.name} has {_NO_DIVIDER}"]
    missing += [_NO_LEVEL] if bench.generator is not None and not terminated(bench) else []
    return Written(bench=path, unit=unit, job=job, kept=tuple(kept), left_out=tuple(missing))


def standing_bench(folder: Path) -> Path | None:
    """The bench file that is there already; raises ConfigError where it is wrong."""
    path = folder / BENCH
    if not path.exists():
        return None
    load_bench(path)
    return path


def _put(folder: Path, stem: str, text: str) -> tuple[Path, bool]:
    """A file of this text, under the first name that is free; whether one of the same text was there."""
    for number in range(1, _MOST):
        path = folder / f"{stem}{f'-{number}' if number > 1 else ''}.toml"
        try:
            _create(path, text)
        except FileExistsError:
            if path.is_file() and path.read_bytes() == text.encode():
                return path, True
        else:
            return path, False
    raise ConfigError(f"{folder}: has {_MOST} files called {stem}; name another folder")


def _create(path: Path, text: str) -> None:
    with path.open("x", encoding="utf-8", newline="\n") as file:
        file.write(text)


def _plain(text: str) -> str:
    """A name that every file system takes."""
    return re.sub(r"[^a-z0-9-]+", "_", text.lower()).strip("_-")[:60] or "unit"
