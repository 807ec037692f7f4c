"""A user's own sequence that fails, or yields what is no step: said with its file and line. What is ours keeps its bare
traceback."""

from __future__ import annotations

import linecache
import reprlib
import traceback
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import GeneratorType, TracebackType
from typing import Any, Final, TypeVar

from harness.errors import HalfpowerError, OwnCodeError, StepRefused
from harness.files.own_files import place_in
from harness.files.own_values import Unfit, fitted
from harness.journal.atomic import write_text
from harness.steps import Connect, Look, Measure, Step

TRACEBACK: Final = "traceback.txt"
S = TypeVar("S", bound=Connect | Measure | Look)


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


def held(
    file: Path,
    what: str,
    function: Callable[..., Any],
    check: Callable[[Any], Any],
    against: Callable[..., None] = lambda *_: None,
) -> Callable[..., Any]:
    """A function of a user's file: what it raises, or answers that does not fit, is a sentence with its line.

    `against` holds an answer, once it is checked, against what was given for it.
    """

    def asked(*given: object) -> Any:
        with Blaming(file):
            answer = function(*given)
            try:
                checked = check(answer)
                against(checked, *given)
                return checked
            except Unfit as wrong:
                code = getattr(function, "__code__", None)
                line = f":{code.co_firstlineno}" if code is not None else ""
                raise OwnCodeError(f"{file.name}{line}: {what} is wrong: {wrong}") from None

    return asked


def _sentence(file: Path, error: Exception) -> str:
    said = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    line, source = place_in(file, error)
    if not line:
        return f"{file.name}{_planned(file)}: your sequence fails: {said}"
    return f"{file.name}:{line}: your sequence fails: {said}" + (f", at: {source}" if source else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """As which sequence's a user's readings are judged, and which quantities of each display that can be."""

    like: str
    quantities: Mapping[str, tuple[str, ...]]

    def check(self, step: Measure) -> None:
        """Raise Unfit for a reading that cannot be judged so."""
        if step.quantity not in self.quantities.get(step.display, ()):
            expected = ", or ".join(f"{' or '.join(those)} of the {on}" for on, those in self.quantities.items())
            raise Unfit(
                f"a Measure of {step.quantity} of the {step.display}, which EVALUATE = {self.like!r} cannot judge; "
                f"expected {expected}"
            )


def a_step(file: Path | None, step: Step, script: object, judged: Judged | None) -> Step:
    """What a user's sequence yields is a step, of plain values, that its evaluation can judge; or that is said."""
    if file is None:
        return step
    try:
        return sound_step(step, judged)
    except Unfit as wrong:
        line = _line(file, script)
        raise OwnCodeError(f"{file.name}{line}: your sequence yields {wrong}") from None


def sound_step(step: S, judged: Judged | None) -> S:
    """A step with plain values; raises Unfit for anything else."""
    if not isinstance(step, Connect | Measure | Look):
        raise Unfit(f"{reprlib.repr(step)}; expected a Connect, a Measure or a Look")
    try:
        step = fitted(step)
    except Unfit as wrong:
        raise Unfit(f"a {type(step).__name__} whose {wrong}") from None
    if judged is not None and isinstance(step, Measure):
        judged.check(step)
    return step


def _line(file: Path, script: object) -> str:
    """Where in the file a sequence stands, however deep it yields from others: ":12"."""
    found = ""
    while isinstance(script, GeneratorType):
        if script.gi_frame is not None and Path(script.gi_frame.f_code.co_filename) == file:
            found = f":{script.gi_frame.f_lineno}"
        script = script.gi_yieldfrom
    return found or _planned(file)


def _planned(file: Path) -> str:
    """Where its plan stands: what is no line of the file's own comes of that, where it has one."""
    starts = (f":{n}" for n, line in enumerate(linecache.getlines(str(file)), 1) if line.startswith("def plan("))
    return next(starts, "")


def keep_traceback(error: Exception, folder: Path) -> str:
    """Keep the traceback of a user's own code in a run's folder; where it is, to be added to what is said."""
    if not isinstance(error, OwnCodeError) or error.__cause__ is None:
        return ""
    kept = folder / TRACEBACK
    with suppress(HalfpowerError, OSError):
        before = kept.read_text("utf-8") + "\n" if kept.exists() else ""  # of another part, or of the run before
        write_text(kept, before + "".join(traceback.format_exception(error.__cause__)))
    return f" (the traceback is in {kept})"


def refused(file: Path | None, why: str, script: object = None) -> HalfpowerError:
    """What to raise where a sequence's step is not done; a user's own is named."""
    return StepRefused(why) if file is None else OwnCodeError(f"{file.name}{_line(file, script)}: your sequence {why}")
