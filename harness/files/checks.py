"""What a bench and a queue file must say beyond the form of their values: each on its own.

Errors are what no run could go on with, or what would make its result worthless; warnings are what a
person should look at once.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import combinations, pairwise
from pathlib import Path
from typing import Final, TypeAlias

from harness import quantities
from harness.files.path_checks import check_paths, heated
from harness.files.toml_lines import KeyPath
from harness.files.toml_text import Problem, Text, printable
from harness.files.words import hint, shown
from harness.models import Accuracy, Bench, Calibrator, FlatnessPoint, Instrument, KnownError, Reference, Unit
from harness.steps import Role
from harness.values import Model

Placed: TypeAlias = tuple[KeyPath, Role, Instrument]
CheckOverrides = Callable[[Role, Mapping[str, str]], list[str]]
"""Says what is wrong with the command overrides of a role; a sentence begins with "ROLE.commands.KEY: "."""
CheckDriver = Callable[[str, Role, Path], str]
"""What is wrong with a driver of the user's own, by its name, its role and the bench file's folder; "" if nothing."""

STANDARDS: Final = ("calibrator", "generator", "counter", "reference", "meter")
"""The roles whose instruments the results rest on, or what is stated of the room."""
DRIVERS: Final = ("scpi", "manual")
_OWN_FILE: Final = re.compile(r"[^/\\:]+\.py")
_OWN_DRIVER: Final = re.compile(r"([^/\\:]+\.py):[A-Za-z_][A-Za-z0-9_]*")
_POSITION: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
_NO_POSITION: Final = ("unit", "reference")  # what routes call something else by
_LIMITS: Final = (
    ("level", "level_low", "level_high"),
    ("frequency", "frequency_low", "frequency_high"),
    ("period", "period_low", "period_high"),
)


@dataclass
class Findings:
    """What the checks of a file found."""

    text: Text
    errors: list[Problem] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)

    def error(self, path: KeyPath, sentence: str) -> None:
        """Note what must be changed."""
        self.errors.append(self.text.problem(path, sentence))

    def warn(self, path: KeyPath, sentence: str) -> None:
        """Note what should be looked at."""
        self.warnings.append(self.text.problem(path, sentence))


def own_file(name: str, folder: Path) -> str | None:
    """What is wrong with the name of a user's Python file, which must stand in the folder of the file that names it."""
    if not _OWN_FILE.fullmatch(name):
        return "names a file elsewhere; expected the name alone of a file beside this one"
    path = folder / name
    if not exists(path):
        return f"there is no {shown(name)} beside this file; expected its name as it is on the disk"
    if path.resolve().parent != folder.resolve():
        return f"{shown(name)} is a link to a file elsewhere; expected the file itself beside this one"
    return None


def exists(path: Path) -> bool:
    """Whether there is a file of this name, however odd the name."""
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def check_bench(
    text: Text, bench: Bench, check_overrides: CheckOverrides | None = None, check_driver: CheckDriver | None = None
) -> Findings:
    """Check a bench file by itself."""
    notes = Findings(text)
    instruments = _placed(bench)
    if not instruments:
        notes.error((), "no instrument at all; expected a table for each role, such as [calibrator] and [generator]")
    if bench.simulation is not None and not exists(text.path.parent / bench.simulation):
        notes.error(("simulation",), f"there is no file {shown(bench.simulation)}; expected its path from this file")
    for at, role, instrument in instruments:
        _driver(notes, at, role, instrument, check_driver)
        _certificate(notes, at, instrument)
        _ranges(notes, at, instrument)
        _settling(notes, at, instrument)
        _accuracy(notes, at, instrument)
        _known_errors(notes, at, role, instrument)
        for sentence in check_overrides(role, instrument.commands) if check_overrides else ():
            _override(notes, at, role, instrument, sentence)
    _addresses(notes, instruments)
    _certificates(notes, instruments)
    _calibrator(notes, bench.calibrator)
    _reference(notes, bench)
    _positions(notes, bench)
    check_paths(notes, bench)
    return notes


def _placed(bench: Bench) -> list[Placed]:
    """Every instrument with the table it stands in and the role it plays; at a position it is a unit."""
    placed: list[Placed] = [((role,), role, instrument) for role, instrument in bench.instruments()]
    return placed + [(("positions", name), "unit", link) for name, link in bench.positions.items()]


def _driver(notes: Findings, at: KeyPath, role: Role, instrument: Instrument, check_driver: CheckDriver | None) -> None:
    name = instrument.driver
    if name in DRIVERS:
        if name == "scpi" and not (instrument.address or "").strip():
            notes.error(
                (*at, "address"),
                "missing; expected a VISA address such as 'TCPIP0::192.0.2.11::5025::SOCKET', or driver = 'manual'",
            )
    elif ".py" in name:
        own = _OWN_DRIVER.fullmatch(name)
        if own is None:
            notes.error((*at, "driver"), f"{shown(name)} is no driver; expected 'FILE.py:Class' beside this file")
        elif problem := own_file(own[1], notes.text.path.parent):
            notes.error((*at, "driver"), problem)
        elif check_driver and (problem := check_driver(name, role, notes.text.path.parent)):
            notes.error((*at, "driver"), printable(problem, 400))
    else:
        expected = f"'scpi', 'manual' or 'FILE.py:Class'{hint(name, DRIVERS)}"
        notes.error((*at, "driver"), f"{shown(name)} is no driver; expected {expected}")
    if instrument.serial_line is not None and not (instrument.address or "").strip().upper().startswith("ASRL"):
        notes.error(
            (*at, "serial_line"),
            "belongs to a serial address such as 'ASRL/dev/ttyUSB0::INSTR'; expected such an address, or no such table",
        )
    if instrument.identity is not None and not instrument.identity.strip():
        notes.error((*at, "identity"), "is empty; expected what *IDN? answers, or no such key")


def _certificate(notes: Findings, at: KeyPath, instrument: Instrument) -> None:
    certified, due = instrument.certified, instrument.due
    if certified and due and due < certified:
        notes.error((*at, "due"), f"{due} lies before the certificate's own date {certified}; expected a later day")
    if at[0] in STANDARDS and due is None:
        notes.warn((*at, "due"), "no due date; expected the day on which the certificate runs out")


def _ranges(notes: Findings, at: KeyPath, instrument: Instrument) -> None:
    for name, low, high in _LIMITS:
        bottom, top = getattr(instrument, low, None), getattr(instrument, high, None)
        if bottom is None or top is None:
            continue
        if not 0 < bottom < top:
            key = high if high in instrument.model_fields_set else low
            notes.error((*at, key), f"the {name} range is empty; expected {low} above 0 and below {high}")


def _settling(notes: Findings, at: KeyPath, instrument: Instrument) -> None:
    for place, line in enumerate(getattr(instrument, "settling", ())):
        ranges_of(notes, (*at, "settling", place), line)
    settled_within(notes, at, instrument)


def settled_within(notes: Findings, at: KeyPath, read: Instrument | Unit) -> None:
    """Two readings of a level that stands still differ by less than 2√2 σ nineteen times in twenty."""
    within = getattr(read, "settled_within", None)
    scatter = read.scatter_div if isinstance(read, Reference) else getattr(read, "scatter", 0.0)
    if within is None:
        return
    if getattr(read, "read", "remote") == "eye" or getattr(read, "driver", "scpi") == "manual":
        notes.warn((*at, "settled_within"), "is of no use where a person reads; 'settle' is waited for all the same")
    elif within < 2 * math.sqrt(2) * scatter:
        notes.warn(
            (*at, "settled_within"),
            f"is less than readings that scatter by {scatter:g} div differ anyway; "
            f"expected at least {2 * math.sqrt(2) * scatter:.2g} div",
        )


def _override(notes: Findings, at: KeyPath, role: Role, instrument: Instrument, sentence: str) -> None:
    """Say what is wrong with an override at its own line, where the sentence begins with its key."""
    for name in instrument.commands:
        start = f"{role}.commands.{name}: "
        if sentence.startswith(start):
            notes.error((*at, "commands", name), printable(sentence.removeprefix(start), 400))
            return
    notes.error((*at, "commands"), printable(sentence, 400))


def _addresses(notes: Findings, instruments: list[Placed]) -> None:
    for (first_at, _, first), (at, _, second) in combinations(instruments, 2):
        addresses = {(instrument.address or "").strip().casefold() for instrument in (first, second)}
        manual = "manual" in (first.driver, second.driver)
        if manual or len(addresses) > 1 or addresses == {""}:
            continue
        line = notes.text.lines.line((*first_at, "address"))
        name, first_name = (".".join(map(str, key)) for key in (at, first_at))
        if first.serial and (first.maker, first.model, first.serial) == (second.maker, second.model, second.serial):
            notes.warn((*at, "address"), f"one instrument serves as {first_name} (line {line}) and {name}")
        else:
            notes.error(
                (*at, "address"),
                f"is also the address of [{first_name}] (line {line}); expected another, "
                "or the same maker, model and serial where one instrument serves both roles",
            )


def _certificates(notes: Findings, instruments: list[Placed]) -> None:
    for (first_at, _, first), (at, _, second) in combinations(instruments, 2):
        one, other = ((x.certificate, x.certificate_by) for x in (first, second))
        if second.certificate and one == other and first.label != second.label:
            notes.warn((*at, "certificate"), f"is also that of {first_at[0]} ({first.label}); one of the two is wrong")


# --- accuracy ----------------------------------------------------------------------------------------------------


def _accuracy(notes: Findings, table: KeyPath, instrument: Instrument) -> None:
    for place, line in enumerate(instrument.accuracy):
        check_line(notes, (*table, "accuracy", place), line)
    for (before, first), (place, second) in combinations(enumerate(instrument.accuracy), 2):
        if (first.function, first.stated_as) == (second.function, second.stated_as) and _overlap(first, second):
            line_no = notes.text.lines.line((*table, "accuracy", before))
            notes.warn(
                (*table, "accuracy", place),
                f"holds where the '{first.function}' accuracy of line {line_no} holds too; expected one of them",
            )


def _known_errors(notes: Findings, table: KeyPath, role: Role, instrument: Instrument) -> None:
    for place, line in enumerate(instrument.known_error):
        at: KeyPath = (*table, "known_error", place)
        if role in ("reference", "unit", "switch", "meter"):
            instead = "its measured 'flatness' instead" if role == "reference" else "none here"
            notes.error(at, f"is not corrected for on the {role}; expected {instead}")
        check_line(notes, at, line)


def check_line(notes: Findings, at: KeyPath, line: Accuracy | KnownError) -> None:
    """Check one line of a specification, or one known error, by itself."""
    if isinstance(line, KnownError):
        if not line.of_value and not line.floor:
            notes.error(at, "states no error; expected of_value or floor")
    elif line.of_value == 0 and line.floor is None and line.db is None:
        notes.error(at, "states no accuracy; expected of_value, floor or db")
    elif line.db is not None and line.function != "sine":
        notes.error((*at, "db"), f"belongs to a levelled sine, not to '{line.function}'; expected of_value or floor")
    if line.floor is not None and line.function in ("frequency", "period"):
        notes.error((*at, "floor"), f"is a level, which a {line.function} has not; expected of_value")
    ranges_of(notes, at, line)


def ranges_of(notes: Findings, at: KeyPath, line: Model) -> None:
    """A line holds from a lower to a higher value, on each axis that it has."""
    for axis in ("level", "frequency", "volts_per_div", "s_per_div"):
        bottom, top = getattr(line, f"{axis}_from", None), getattr(line, f"{axis}_to", None)
        if bottom is not None and top is not None and bottom > top:
            notes.error((*at, f"{axis}_from"), f"is above {axis}_to; expected it below")
        for end in (f"{axis}_from", f"{axis}_to"):
            if (getattr(line, end, None) or 0.0) < 0:
                notes.error((*at, end), "is negative; a line holds for both signs, by the size of the level")


def rising_flatness(notes: Findings, at: KeyPath, flatness: Iterable[FlatnessPoint]) -> None:
    """The points of a measured response stand in rising order of frequency, each once."""
    points = tuple(flatness)
    if points and points[0].frequency <= 0:
        notes.error((*at, 0, "frequency"), "must be above zero")
    for place, (before, after) in enumerate(pairwise(points), start=1):
        if after.frequency <= before.frequency:
            notes.error((*at, place, "frequency"), "is not above the one before; expected rising order")


def _overlap(first: Accuracy, second: Accuracy) -> bool:
    """Whether both hold over a stretch of level and frequency; a shared end is none."""
    return all(
        _low(first, axis) < _high(second, axis) * (1 - 1e-9) and _low(second, axis) < _high(first, axis) * (1 - 1e-9)
        for axis in ("level", "frequency")
    )


def _low(line: Accuracy, axis: str) -> float:
    value = getattr(line, f"{axis}_from")
    return 0.0 if value is None else float(value)


def _high(line: Accuracy, axis: str) -> float:
    value = getattr(line, f"{axis}_to")
    return math.inf if value is None else float(value)


def gaps(lines: Iterable[Accuracy], low: float, high: float) -> Iterator[tuple[float, float]]:
    """The stretches of level between `low` and `high` that no line covers."""
    reached = low
    for bottom, top in sorted((_low(line, "level"), _high(line, "level")) for line in lines):
        if bottom > reached * (1 + 1e-9):
            yield reached, min(bottom, high)
        reached = max(reached, top)
        if reached >= high * (1 - 1e-9):
            return
    yield reached, high


# --- single instruments ------------------------------------------------------------------------------------------


def _calibrator(notes: Findings, calibrator: Calibrator | None) -> None:
    if calibrator is None:
        return
    for key in ("levels", "periods"):
        values = getattr(calibrator, key)
        if not values:
            notes.error(("calibrator", key), "an empty list; expected at least one value, or a word such as '1-2-5'")
        elif not isinstance(values, str):
            factors(notes, ("calibrator", key), values)
    for key in ("square_frequency", "mark_level", "edge_frequency"):
        if getattr(calibrator, key) <= 0:
            notes.error(("calibrator", key), "must be above zero")
    if "edge" in calibrator.functions and calibrator.edge_rise_time is None:
        notes.warn(("calibrator", "edge_rise_time"), "missing; without it no rise time can be judged")
    for function in ("dc", "square"):
        lines = [line for line in calibrator.accuracy if line.function == function]
        if function not in calibrator.functions or not lines:
            continue
        for low, high in gaps(lines, calibrator.level_low, calibrator.level_high):
            notes.warn(
                ("calibrator", "accuracy"),
                f"no '{function}' line holds from {quantities.show(low, 'V')} to {quantities.show(high, 'V')}; "
                "no verdict will be possible there",
            )


def _reference(notes: Findings, bench: Bench) -> None:
    reference = bench.reference
    if reference is None:
        return
    factors(notes, ("reference", "volts_per_div"), reference.volts_per_div)
    factors(notes, ("reference", "s_per_div"), reference.s_per_div)
    if reference.read == "remote" and reference.driver == "manual":
        notes.error(("reference", "read"), "a manual instrument is read by a person; expected 'eye'")
    rising_flatness(notes, ("reference", "flatness"), reference.flatness)
    heated(notes, ("reference", "maximum_rms"), reference.input_ohm, reference.maximum_rms)
    if reference.bandwidth is None and not reference.flatness:
        notes.warn(
            ("reference", "bandwidth"), "neither bandwidth nor flatness is given: its roll-off cannot be corrected"
        )


def _positions(notes: Findings, bench: Bench) -> None:
    for name in bench.positions:
        if not _POSITION.fullmatch(name) or name in _NO_POSITION:
            notes.error(
                ("positions", name),
                "is no name for a position; expected letters, digits, - and _, and neither 'unit' nor 'reference'",
            )
    if bench.positions and bench.switch is None:
        notes.warn(("positions",), "are of little use without [switch]: every unit is connected by hand")


def among(value: float, values: Iterable[float]) -> bool:
    """Whether a value is one of a list, to the rounding of a float."""
    return any(math.isclose(value, known, rel_tol=1e-9) for known in values)


def factors(notes: Findings, path: KeyPath, values: Iterable[float]) -> None:
    """Levels, periods and V/div are above zero and stand once each."""
    seen: list[float] = []
    for place, value in enumerate(values):
        if value <= 0:
            notes.error((*path, place), "must be above zero")
        elif among(value, seen):
            notes.error((*path, place), "stands in the list twice; expected it once")
        seen.append(value)


# --- the queue ---------------------------------------------------------------------------------------------------


def check_queue(text: Text, jobs: Iterable[str]) -> Findings:
    """Check a queue file by itself: every job is there, and stands once; an empty name is passed over."""
    notes = Findings(text)
    seen: dict[Path, int] = {}
    for place, name in enumerate(jobs):
        path = text.path.parent / name
        if not name:
            continue
        if not exists(path):
            notes.error(("jobs", place), f"there is no file {shown(name)}; expected its path from this file")
        elif (first := seen.setdefault(path.resolve(), place)) != place:
            notes.error(
                ("jobs", place), f"{shown(name)} is job {first + 1} already; expected each once, or a copy of the file"
            )
    return notes
