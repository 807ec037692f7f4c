"""The register of standards: one file for all benches, and what a bench takes from it on a day.

A bench file names it and says which instrument stands where, by serial number; what was certified of that instrument,
and when, stands here once. A run takes what held on the day on which it began.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import Any, Final, Literal

from pydantic import Field

from harness.files.checks import STANDARDS, Findings, check_line, ranges_of, rising_flatness
from harness.files.toml_lines import KeyPath
from harness.files.toml_text import Text
from harness.files.words import hint, shown
from harness.measurement import rating_names
from harness.models import Accuracy, Bench, FlatnessPoint, Instrument, KnownError, ScopeLine
from harness.values import Day, Flag, Model, Seconds

_HERE_ALONE: Final = ("certificate", "certificate_by", "certified", "due", "known_error")
NEARLY_OUT: Final = dt.timedelta(days=30)
_AS_CERTIFIED: Final = ("flatness", "edge_rise_time", "edge_rise_time_u")


class CertifiedAccuracy(Accuracy):
    """One line of a certificate."""

    stated_as: Literal["limits", "expanded"] = Field(
        "expanded", description="'expanded': the certificate's U with k = 2; 'limits': ± limits that it confirms"
    )


class Certificate(Model):
    """What was certified of a standard, and for how long."""

    number: str = Field(min_length=1, description="number of the certificate")
    by: str = Field("", description="laboratory that issued it, and its accreditation")
    certified: Day = Field(description="its date: it counts from this day")
    due: Day = Field(description="day on which it runs out")
    until: Day | None = Field(
        None, description="last day on which it counts, where it was withdrawn or replaced before it ran out"
    )
    accuracy: tuple[CertifiedAccuracy, ...] = Field(
        (),
        description="what it states: takes the place of the bench file's lines of that function, stated the same way",
    )
    known_error: tuple[KnownError, ...] = Field((), description="errors that it states and that are corrected for")
    flatness: tuple[FlatnessPoint, ...] = Field(
        (), description="level by frequency: the measured response of a reference, which is corrected for"
    )
    edge_rise_time: Seconds | None = Field(None, gt=0, description="rise time of the fast edge, 10 % to 90 %")
    edge_rise_time_u: Seconds | None = Field(None, ge=0, description="standard uncertainty of the edge's rise time")

    @property
    def last_day(self) -> dt.date:
        """The last day on which it holds."""
        return self.due if self.until is None else min(self.until, self.due)


class Maintenance(Model):
    """What was done to a standard, and when."""

    day: Day = Field(description="day on which it was done, or went away for it")
    back: Day | None = Field(None, description="day on which it was back in use; left out: the same day")
    what: str = Field(min_length=1, description="what was done")
    by: str = Field("", description="who did it")
    adjusted: Flag = Field(False, description="it was adjusted or repaired: certificates dated before hold no longer")


class Standard(Model):
    """One instrument that results rest on."""

    serial: str = Field(min_length=1, description="serial number, by which bench files refer to it")
    maker: str = Field("", description="maker, as the report shows it")
    model: str = Field("", description="model, as the report shows it")
    certificate: tuple[Certificate, ...] = Field(
        (), description="its certificates over time, one [[standard.certificate]] table each"
    )
    maintenance: tuple[Maintenance, ...] = Field(
        (), description="what was done to it, one [[standard.maintenance]] table each"
    )

    @property
    def by_date(self) -> list[Certificate]:
        """Its certificates, the oldest first."""
        return sorted(self.certificate, key=lambda certificate: certificate.certified)

    def on(self, day: dt.date) -> Certificate | str:
        """The certificate that counts on a day, the newest so far even if it has run out; or why there is none."""
        dated = [certificate for certificate in self.by_date if certificate.certified <= day]
        for done in self.maintenance:
            if done.back is not None and done.day <= day < done.back:
                return f"is not in use from {done.day} until it is back on {done.back}: {done.what}"
        if not dated:
            first = f"; the first is dated {self.by_date[0].certified}" if self.certificate else ""
            return f"has no certificate of {day} or before{first}"
        newest = dated[-1]
        adjusted = [done for done in self.maintenance if done.adjusted and newest.certified < done.day <= day]
        if adjusted:
            return f"has no certificate after {adjusted[0].day}, when it was adjusted: {adjusted[0].what}"
        if newest.until is not None and newest.until < day:
            return f"has no certificate on {day}: {newest.number} counted until {newest.until}"
        return newest


class Register(Model):
    """The laboratory's standards."""

    standard: tuple[Standard, ...] = Field(
        min_length=1, description="the instruments that results rest on, one [[standard]] table each"
    )
    scope: tuple[ScopeLine, ...] = Field((), description="the scope of accreditation, one [[scope]] table a line")


# --- the file by itself ------------------------------------------------------------------------------------------


def check_register(text: Text, register: Register) -> Findings:
    """Check a register by itself."""
    notes = Findings(text)
    for (before, first), (place, second) in combinations(enumerate(register.standard), 2):
        if first.serial == second.serial:
            line = text.lines.line(("standard", before))
            notes.error(
                ("standard", place, "serial"), f"{shown(second.serial)} stands in line {line}; expected it once"
            )
    numbers: dict[str, str] = {}
    for place, standard in enumerate(register.standard):
        _check_standard(notes, ("standard", place), standard)
        for index, certificate in enumerate(standard.certificate):
            other = numbers.setdefault(certificate.number, standard.serial)
            if other != standard.serial:
                notes.warn(
                    ("standard", place, "certificate", index, "number"),
                    f"{shown(certificate.number)} is the certificate of {other} too; expected one for each instrument",
                )
    check_scope(notes, register.scope)
    return notes


def check_scope(notes: Findings, scope: Iterable[ScopeLine]) -> None:
    """A line of a scope states the smallest U of something that a report states."""
    for place, line in enumerate(scope):
        at: KeyPath = ("scope", place)
        if line.smallest is None and line.smallest_db is None:
            notes.error(at, "states no uncertainty; expected smallest, or smallest_db")
        if line.quantity not in (names := rating_names()):
            near = hint(line.quantity, names)
            notes.warn((*at, "quantity"), f"{shown(line.quantity)} is nothing that the program's own measurements "
                       f"state{near}; expected the name that a report has for it")  # fmt: skip
        ranges_of(notes, at, line)


def _check_standard(notes: Findings, at: KeyPath, standard: Standard) -> None:
    for place, certificate in enumerate(standard.certificate):
        _check_certificate(notes, (*at, "certificate", place), certificate)
    for place, done in enumerate(standard.maintenance):
        if done.back is not None and done.back < done.day:
            notes.error((*at, "maintenance", place, "back"), f"lies before 'day', {done.day}; expected a later day")
    order = sorted(range(len(standard.certificate)), key=lambda place: standard.certificate[place].certified)
    for before, after in pairwise(order):
        _check_pair(notes, (*at, "certificate"), standard, before, after)


def _check_pair(notes: Findings, at: KeyPath, standard: Standard, before: int, after: int) -> None:
    """Of two certificates that follow each other: no day without one, and none with two."""
    old, new = standard.certificate[before], standard.certificate[after]
    line = notes.text.lines.line((*at, before))
    eve = new.certified - dt.timedelta(days=1)
    if new.certified == old.certified:
        notes.error(
            (*at, after, "certified"),
            f"is the date of {shown(old.number)} (line {line}) too; expected one certificate of a day",
        )
    elif old.last_day >= new.certified:
        notes.warn(
            (*at, after, "certified"),
            f"{shown(old.number)} (line {line}) holds until {old.last_day}, so that two hold at once; the newer one "
            f"counts from its date: say so with until = {eve} there",
        )
    elif old.last_day < eve:
        notes.warn(
            (*at, after, "certified"),
            f"no certificate of {standard.serial} holds after {old.last_day} (line {line}) and before this day; "
            "a run there is refused",
        )


def _check_certificate(notes: Findings, at: KeyPath, certificate: Certificate) -> None:
    for key in ("due", "until"):
        day = getattr(certificate, key)
        if day is not None and day < certificate.certified:
            notes.error((*at, key), f"{day} lies before the certificate's own date {certificate.certified}")
    for key in ("known_error", "accuracy"):
        for place, line in enumerate(getattr(certificate, key)):
            check_line(notes, (*at, key, place), line)
    rising_flatness(notes, (*at, "flatness"), certificate.flatness)


def states(register: Register, day: dt.date) -> Iterator[str]:
    """What of the standards is out on a day, or within 30 days of it: a sentence each."""
    for standard in register.standard:
        certificate = standard.on(day)
        if isinstance(certificate, str):
            yield f"{standard.serial} {certificate}"
        elif certificate.last_day < day:
            yield f"{standard.serial}: certificate {certificate.number} ran out on {certificate.last_day}"
        elif certificate.last_day <= day + NEARLY_OUT:
            yield f"{standard.serial}: certificate {certificate.number} runs out on {certificate.last_day}"


# --- what a bench takes from it ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class InRegister:
    """A register that a bench file names, read without error."""

    name: str  # as the bench file has it
    text: Text
    register: Register


def with_certificates(notes: Findings, bench: Bench, found: InRegister, day: dt.date) -> Bench:
    """The bench with what the register has of its instruments on a day; what stands against it is noted."""
    known = {standard.serial: place for place, standard in enumerate(found.register.standard)}
    update: dict[str, Any] = {}
    for role, instrument in bench.instruments():
        if role not in STANDARDS or not instrument.serial:
            continue
        if instrument.serial not in known:
            if instrument.certificate is None:
                near = hint(instrument.serial, known)
                notes.error(
                    (role, "serial"), f"{shown(instrument.serial)} is not in {found.name}; expected it there{near}"
                )
            continue
        place = known[instrument.serial]
        standard = found.register.standard[place]
        certificate = standard.on(day)
        _check_told_once(notes, role, instrument, standard, found.name)
        if isinstance(certificate, str):
            line = found.text.lines.line(("standard", place))
            notes.error((role, "serial"), f"{standard.serial} {certificate} ({found.text.file}:{line})")
        else:
            update[role] = instrument.model_copy(update=_taken(instrument, standard, certificate))
    if bench.scope and found.register.scope:
        notes.error(("scope",), f"stands in {found.name} too; expected it in one of them")
    return bench.model_copy(update={"scope": bench.scope or found.register.scope, **update})


def _check_told_once(notes: Findings, role: str, instrument: Instrument, standard: Standard, name: str) -> None:
    for key in _HERE_ALONE:
        if key in instrument.model_fields_set:
            notes.error((role, key), f"stands in {name} too, for {standard.serial}; expected it there alone")
    for key in ("maker", "model"):
        here, there = getattr(instrument, key), getattr(standard, key)
        if here and there and here != there:
            notes.error((role, key), f"is {shown(here)}, and {shown(there)} in {name}; expected the same instrument")


def _taken(instrument: Instrument, standard: Standard, certificate: Certificate) -> dict[str, Any]:
    """The keys of an instrument that its certificate and the register give."""
    taken: dict[str, Any] = {
        "certificate": certificate.number, "certificate_by": certificate.by or None,
        "certified": certificate.certified, "due": certificate.last_day, "known_error": certificate.known_error,
    }  # fmt: skip
    taken |= {key: value for key in ("maker", "model") if (value := getattr(standard, key))}
    if certificate.accuracy:
        lines = tuple(Accuracy.model_validate(line.model_dump(), context={"si": True}) for line in certificate.accuracy)
        replaced = {(line.function, line.stated_as) for line in lines}
        taken["accuracy"] = (*lines, *(a for a in instrument.accuracy if (a.function, a.stated_as) not in replaced))
    for key in _AS_CERTIFIED:
        if key in type(instrument).model_fields and (value := getattr(certificate, key)):
            taken[key] = value
    return taken
