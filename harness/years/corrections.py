"""A file of corrections: what became known of standards after they were used, and a run's set-up with it put right.

TOML like the other files: every problem at once, each with its line. A correction replaces what the bench file said
of a standard; readings are never touched.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Any, Final, TypeVar

from pydantic import Field, ValidationError

from harness.errors import ConfigError, HalfpowerError
from harness.files.checks import Findings, check_line, rising_flatness
from harness.files.toml_lines import KeyPath
from harness.files.toml_text import read_sound
from harness.files.words import in_order, validation_problems
from harness.models import Accuracy, FlatnessPoint, Instrument, KnownError, Setup
from harness.values import Day, Model, Seconds
from harness.years.records.rows import StandardRow

_SAYS: Final = ("known_error", "accuracy", "flatness", "edge_rise_time", "edge_rise_time_u")

Line = TypeVar("Line", Accuracy, KnownError)


class CorrectedStandard(Model):
    """What is now known of one standard over a time."""

    serial: str = Field("", description="serial number of the standard")
    certificate: str = Field("", description="number of its certificate; with 'serial', both must agree")
    since: Day | None = Field(None, description="first day of the runs that it concerns, UTC")
    until: Day | None = Field(None, description="last day of the runs that it concerns, UTC")
    known_error: tuple[KnownError, ...] = Field(
        (), description="what it really gave; replaces the known errors of the same function"
    )
    accuracy: tuple[Accuracy, ...] = Field(
        (), description="how well it was really known; replaces the accuracy lines of the same function"
    )
    flatness: tuple[FlatnessPoint, ...] = Field((), description="measured response of a reference; replaces the table")
    edge_rise_time: Seconds | None = Field(None, gt=0, description="rise time of the fast edge, 10 % to 90 %")
    edge_rise_time_u: Seconds | None = Field(None, ge=0, description="standard uncertainty of the edge's rise time")

    @property
    def name(self) -> str:
        """What it is called in messages."""
        return " ".join(part for part in (self.serial, self.certificate and f"({self.certificate})") if part)

    def concerns(self, standard: StandardRow) -> bool:
        """Whether a run's readings were taken with this standard, in this time."""
        day = standard.started.date()
        return (
            standard.used
            and self.serial in ("", standard.serial)
            and self.certificate in ("", standard.certificate)
            and (self.since is None or day >= self.since)
            and (self.until is None or day <= self.until)
        )


class Corrections(Model):
    """A file of corrections."""

    reason: str = Field(min_length=1, description="why, in a sentence; it stands on every page that is made")
    standard: tuple[CorrectedStandard, ...] = Field(
        min_length=1, description="one [[standard]] table for each standard and time"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectionsFile:
    """A file of corrections, read without error."""

    value: Corrections
    path: Path
    text: str  # verbatim, for the record

    def place(self, index: int) -> str:
        """Where a correction stands, and of what it is."""
        return f"{self.path}: standard[{index + 1}] ({self.value.standard[index].name})"


# --- reading -----------------------------------------------------------------------------------------------------


def load(path: str | Path) -> CorrectionsFile:
    """Read a file of corrections; raises ConfigError with all its problems."""
    path = Path(path)
    text = read_sound(path)
    try:
        value = Corrections.model_validate(text.data)
    except ValidationError as error:
        raise ConfigError(*(str(problem) for problem in validation_problems(text, Corrections, error))) from None
    notes = Findings(text)
    for index, standard in enumerate(value.standard):
        _check(notes, ("standard", index), standard)
    for (before, first), (place, second) in combinations(enumerate(value.standard), 2):
        if first.name == second.name and _meet(first, second):
            line = text.lines.line(("standard", before))
            notes.error(("standard", place), f"concerns days that line {line} concerns too; expected one of them")
    if notes.errors:
        raise ConfigError(*dict.fromkeys(str(problem) for problem in in_order(notes.errors)))
    return CorrectionsFile(value=value, path=path, text=text.source)


def _check(notes: Findings, at: KeyPath, standard: CorrectedStandard) -> None:
    if not standard.serial.strip() and not standard.certificate.strip():
        notes.error(at, "names no standard; expected 'serial' or 'certificate'")
    if not any(getattr(standard, key) for key in _SAYS):
        notes.error(at, "corrects nothing; expected one of known_error, accuracy, flatness, edge_rise_time")
    if standard.since and standard.until and standard.since > standard.until:
        notes.error((*at, "since"), "lies after 'until'; expected an earlier day")
    for key in ("known_error", "accuracy"):
        for index, line in enumerate(getattr(standard, key)):
            check_line(notes, (*at, key, index), line)
    rising_flatness(notes, (*at, "flatness"), standard.flatness)


def _meet(first: CorrectedStandard, second: CorrectedStandard) -> bool:
    def span(standard: CorrectedStandard) -> tuple[dt.date, dt.date]:
        return standard.since or dt.date.min, standard.until or dt.date.max

    return max(span(first)[0], span(second)[0]) <= min(span(first)[1], span(second)[1])


# --- putting right -----------------------------------------------------------------------------------------------


def corrected(setup: Setup, standards: Iterable[StandardRow], corrections: Corrections) -> tuple[Setup, frozenset[int]]:
    """
    Put a run's bench right.

    Parameters
    ----------
    setup
        As the run's header holds it.
    standards
        The standards of the run.
    corrections
        What is known now.

    Returns
    -------
    The set-up with the standards corrected, and which of the corrections touched it.

    Raises
    ------
    HalfpowerError
        Two corrections concern one standard.
    """
    touched = set()
    bench = setup.bench
    for standard in standards:
        _refuse_two(standard, corrections)
        for index, correction in enumerate(corrections.standard):
            instrument = getattr(bench, standard.role)
            if correction.concerns(standard) and (update := dict(_update(instrument, correction))):
                touched.add(index)
                bench = bench.model_copy(update={standard.role: instrument.model_copy(update=update)})
    return Setup(bench=bench, unit=setup.unit, job=setup.job), frozenset(touched)


def _refuse_two(standard: StandardRow, corrections: Corrections) -> None:
    """One standard may be named by its serial number here and by its certificate there: which correction is meant?"""
    both = [n for n, correction in enumerate(corrections.standard, start=1) if correction.concerns(standard)]
    if len(both) > 1:
        raise HalfpowerError(
            f"The corrections standard[{both[0]}] and standard[{both[1]}] both concern the {standard.role} "
            f"({standard.label}) on {standard.started.date()}. Join them, or let their days not meet."
        )


def _update(instrument: Instrument, correction: CorrectedStandard) -> Iterator[tuple[str, Any]]:
    """The keys of an instrument that a correction replaces; one that it has not is not touched."""
    if correction.known_error:
        yield "known_error", _replaced(instrument.known_error, correction.known_error)
    if correction.accuracy:
        yield "accuracy", _replaced(instrument.accuracy, correction.accuracy)
    for key in ("flatness", "edge_rise_time", "edge_rise_time_u"):
        value = getattr(correction, key)
        if value and key in type(instrument).model_fields:
            yield key, value


def _replaced(before: tuple[Line, ...], lines: tuple[Line, ...]) -> tuple[Line, ...]:
    """The lines of the functions that are corrected, and those before of all others."""
    functions = {line.function for line in lines}
    return lines + tuple(line for line in before if line.function not in functions)
