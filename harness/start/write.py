"""From the answers to the three files, which are never written over others."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from harness.errors import ConfigError, HalfpowerError
from harness.files.files import load_bench
from harness.quantities import show
from harness.start.interview import understood
from harness.start.said import MISSING

if TYPE_CHECKING:
    from jinja2 import Environment

    from harness.models import Bench
    from harness.start.words import Ladder

TEMPLATES: Final = Path(__file__).parent / "templates"
BENCH: Final = "bench.toml"
_MOST: Final = 1000  # files of one name


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
    said = understood(answers)
    known: dict[str, Any] = {"faster": MISSING, **said, "typed": answers}
    bench_path, kept = folder / BENCH, []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if bench_path.exists():
            kept.append(bench_path)
        else:
            _create(bench_path, _text(BENCH, known | {"functions": _functions(said)}))
        stem = _plain(f"{said['identity'].maker} {said['identity'].model}")
        unit, was_there = _put(folder, stem, _text("unit.toml", known))
        kept += [unit] if was_there else []
        bench = load_bench(bench_path)
        paths = _paths(bench)
        facts = known | paths | {"bench": bench, "unit_file": unit.name, "bench_file": bench_path.name}
        job, _ = _put(folder, _plain(f"{stem} {said['identity'].serial}"), _text("job.toml", facts))
    except OSError as error:
        raise HalfpowerError(
            f"{folder}: no file can be written there: {error.strerror}. Name another folder."
        ) from None
    has_probe = hasattr(said["probe"], "divides_by")
    missing = [f"{bench_path.name} has no path with a divider; add [paths.probe] to it, and its name to the job."]
    return Written(
        bench=bench_path, unit=unit, job=job, kept=tuple(kept),
        left_out=tuple(missing if has_probe and not paths["probe_path"] else ()),
    )  # fmt: skip


def standing_bench(folder: Path) -> Path | None:
    """The bench file that is there already; raises ConfigError where it is wrong."""
    path = folder / BENCH
    if not path.exists():
        return None
    load_bench(path)
    return path


def _functions(said: Mapping[str, Any]) -> list[str]:
    only = said["volts"].only
    return [*([only] if only else ["dc", "square"]), *(["time_marks"] if hasattr(said["marks"], "ladder") else [])]


def _paths(bench: Bench) -> dict[str, str]:
    """The paths by what they are for; "" where there is none, or nothing that would be sent along it."""
    plain = [name for name, path in bench.paths.items() if path.divides_by == 1 and path.termination is None]
    divided = [name for name, path in bench.paths.items() if path.divides_by > 1 and path.termination is None]
    ended = [name for name, path in bench.paths.items() if path.divides_by == 1 and path.termination is not None]
    levelled = bench.generator is not None and (
        bench.reference is not None or any(line.db is not None for line in bench.generator.accuracy)
    )
    return {
        "lead": (plain or [""])[0] if bench.calibrator is not None else "",
        "probe_path": (divided or [""])[0],
        "terminated": (ended or [""])[0] if levelled else "",
    }


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


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES), undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
        keep_trailing_newline=True, autoescape=False,
    )  # fmt: skip
    environment.filters |= {"toml": _toml, "quantity": _quantity, "list_of": _list_of, "stepping": _stepping}
    return environment


def _text(name: str, known: Mapping[str, Any]) -> str:
    return _environment().get_template(f"{name}.j2").render(known)


def _toml(value: object) -> str:
    """Text, or a list of it: JSON's escapes are TOML's, but for the one control character that JSON leaves bare."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _quantity(value: float, unit: str) -> str:
    return _toml(f"{value * 1e6:.9g} ppm" if unit == "ratio" and value < 1e-4 else show(value, unit, 9))


def _list_of(values: Iterable[float], unit: str) -> str:
    return _toml([show(value, unit, 9) for value in values])


def _stepping(ladder: Ladder) -> str:
    return _list_of(ladder.listed, ladder.unit) if ladder.stepping is None else _toml(ladder.stepping)
