"""A user's own Python that fails: said with its file and line; what is ours keeps its bare traceback."""

from __future__ import annotations

import linecache
import traceback
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Final

from harness.atomic import write_text
from harness.errors import HalfpowerError, OwnCodeError, StepRefused
from harness.steps import Connect, Measure, Step

TRACEBACK: Final = "traceback.txt"


class Blaming:
    """Whatever a user's file raises inside becomes an `OwnCodeError` that names the line; without a file, nothing."""

    def __init__(self, file: Path | None) -> None:
        self._file = file

    def __enter__(self) -> None:
        return None

    def __exit__(
        self, _kind: type[BaseException] | None, error: BaseException | None, _traceback: TracebackType | None
    ) -> None:
        if self._file is None or not isinstance(error, Exception):
            return
        if isinstance(error, HalfpowerError | StopIteration):
            return  # said already, or the end of a generator
        raise OwnCodeError(_sentence(self._file, error)) from error


def _sentence(file: Path, error: Exception) -> str:
    said = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    frames = [frame for frame in traceback.extract_tb(error.__traceback__) if Path(frame.filename) == file]
    if not frames:
        return f"{file.name}: your sequence fails: {said}"
    line = frames[-1].lineno or 0
    source = linecache.getline(str(file), line).strip()
    return f"{file.name}:{line}: your sequence fails: {said}" + (f", at: {source}" if source else "")


def a_step(file: Path | None, step: Step) -> Step:
    """What a user's sequence yields is a step, or that is said."""
    if file is not None and not isinstance(step, Connect | Measure):
        raise OwnCodeError(f"{file.name}: your sequence yields {type(step).__name__}; expected a Connect or a Measure")
    return step


def keep_traceback(error: Exception, folder: Path) -> str:
    """Keep the traceback of a user's own code in a run's folder; where it is, to be added to what is said."""
    if not isinstance(error, OwnCodeError) or error.__cause__ is None:
        return ""
    kept = folder / TRACEBACK
    with suppress(HalfpowerError):
        write_text(kept, "".join(traceback.format_exception(error.__cause__)))
    return f" (the traceback is in {kept})"


def refused(file: Path | None, why: str) -> HalfpowerError:
    """What to raise where a sequence's step is not done; a user's own is named."""
    return StepRefused(why) if file is None else OwnCodeError(f"{file.name}: your sequence {why}")
