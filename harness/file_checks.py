"""What a bench, a unit and a queue file must say beyond the form of their values: each on its own.

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
from typing import Final

from harness import quantities
from harness.file_words import nearest, shown
from harness.models import Accuracy, Bench, Calibrator, Instrument, KnownError, Queue, Unit
from harness.steps import Role
from harness.toml_lines import KeyPath
from harness.toml_text import Problem, Text, printable

CheckOverrides = Callable[[Role, Mapping[str, str]], list[str]]
"""Says what is wrong with the command overrides of a role; a sentence begins with "ROLE.commands.KEY: "."""

DRIVERS: Final = ("scpi", "manual")
_OWN_FILE: Final = re.compile(r"[^/\\:]+\.py")
_OWN_DRIVER: Final = re.compile(r"([^/\\:]+\.py):[A-Za-z_][A-Za-z0-9_]*")
_ROUTE: Final = re.compile(r"reference|unit-([1-9][0-9]?)")
_LIMITS: Final = (
    ("level", "level_low", "level_high"),
    ("frequency", "frequency_low", "frequency_high"),
    ("period", "period_low", "period_high"),
)
# Rise time times bandwidth is 0.35 for a single pole (ln 9 / 2π = 0.3497, from the exponential) and 0.33 to 0.5 for
# the responses of oscilloscopes: common practice.
_RISE_TIME_PRODUCT: Final = (0.3, 0.55)


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


def own_file(name: str, beside: Path) -> str | None:
    """What is wrong with the name of a user's Python file, which must stand beside the file that names it."""
    if not _OWN_FILE.fullmatch(name):
        return "names a file elsewhere; expected the name alone of a file beside this one"
    return (
        None
        if _exists(beside.parent / name)
        else f"there is no {shown(name)} beside this file; expected its name as it is on the disk"
    )


def _exists(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def check_bench(text: Text, bench: Bench, check_overrides: CheckOverrides | None = None) -> Findings:
    """Check a bench file by itself."""
    found = Findings(text)
    instruments = list(bench.instruments())
    if not instruments:
        found.error((), "no instrument at all; expected a table for each role, such as [calibrator] and [generator]")
    if bench.simulation is not None and not _exists(text.path.parent / bench.simulation):
        found.error(("simulation",), f"there is no file {shown(bench.simulation)}; expected its path from this file")
    for role, instrument in instruments:
        _driver(found, role, instrument)
        _certificate(found, role, instrument)
        _ranges(found, role, instrument)
        _accuracy(found, role, instrument)
        _known_errors(found, role, instrument)
        for sentence in check_overrides(role, instrument.commands) if check_overrides else ():
            _override(found, role, instrument, sentence)
    _addresses(found, instruments)
    _calibrator(found, bench.calibrator)
    _reference(found, bench)
    _paths(found, bench)
    return found


def _driver(found: Findings, role: Role, instrument: Instrument) -> None:
    name = instrument.driver
    if name in DRIVERS:
        if name == "scpi" and not (instrument.address or "").strip():
            found.error(
                (role, "address"),
                "missing; expected a VISA address such as 'TCPIP0::192.0.2.11::5025::SOCKET', or driver = 'manual'",
            )
    elif ".py" in name:
        own = _OWN_DRIVER.fullmatch(name)
        if own is None:
            found.error((role, "driver"), f"{shown(name)} is no driver; expected 'FILE.py:Class' beside this file")
        elif problem := own_file(own[1], found.text.path):
            found.error((role, "driver"), problem)
    else:
        near = nearest(name, DRIVERS)
        hint = f" (did you mean '{near}'?)" if near else ""
        found.error((role, "driver"), f"{shown(name)} is no driver; expected 'scpi', 'manual' or 'FILE.py:Class'{hint}")
    if instrument.serial_line is not None and not (instrument.address or "").strip().upper().startswith("ASRL"):
        found.error(
            (role, "serial_line"),
            "belongs to a serial address such as 'ASRL/dev/ttyUSB0::INSTR'; expected such an address, or no such table",
        )
    if instrument.identity is not None and not instrument.identity.strip():
        found.error((role, "identity"), "is empty; expected what *IDN? answers, or no such key")


def _certificate(found: Findings, role: Role, instrument: Instrument) -> None:
    certified, due = instrument.certified, instrument.due
    if certified and due and due < certified:
        found.error((role, "due"), f"{due} lies before the certificate's own date {certified}; expected a later day")
    if role in ("calibrator", "generator", "counter", "reference") and due is None:
        found.warn((role, "due"), "no due date; expected the day on which the certificate runs out")


def _ranges(found: Findings, role: Role, instrument: Instrument) -> None:
    for name, low, high in _LIMITS:
        bottom, top = getattr(instrument, low, None), getattr(instrument, high, None)
        if bottom is None or top is None:
            continue
        if not 0 < bottom < top:
            at = high if high in instrument.model_fields_set else low
            found.error((role, at), f"the {name} range is empty; expected {low} above 0 and below {high}")


def _override(found: Findings, role: Role, instrument: Instrument, sentence: str) -> None:
    """Say what is wrong with an override at its own line, where the sentence begins with its key."""
    for name in instrument.commands:
        start = f"{role}.commands.{name}: "
        if sentence.startswith(start):
            found.error((role, "commands", name), printable(sentence.removeprefix(start), 400))
            return
    found.error((role, "commands"), printable(sentence, 400))


def _addresses(found: Findings, instruments: list[tuple[Role, Instrument]]) -> None:
    for (first_role, first), (role, second) in combinations(instruments, 2):
        addresses = {(each.address or "").strip().casefold() for each in (first, second)}
        manual = "manual" in (first.driver, second.driver)
        if manual or len(addresses) > 1 or addresses == {""}:
            continue
        line = found.text.lines.line((first_role, "address"))
        if first.serial and (first.maker, first.model, first.serial) == (second.maker, second.model, second.serial):
            found.warn((role, "address"), f"one instrument serves as {first_role} (line {line}) and {role}")
        else:
            found.error(
                (role, "address"),
                f"is also the address of [{first_role}] (line {line}); expected another, "
                "or the same maker, model and serial where one instrument serves both roles",
            )


# --- accuracy ----------------------------------------------------------------------------------------------------


def _accuracy(found: Findings, role: Role, instrument: Instrument) -> None:
    for place, line in enumerate(instrument.accuracy):
        at: KeyPath = (role, "accuracy", place)
        if line.of_value == 0 and line.floor is None and line.db is None:
            found.error(at, "states no accuracy; expected of_value, floor or db")
        if line.db is not None and line.function != "sine":
            found.error(
                (*at, "db"), f"belongs to a levelled sine, not to '{line.function}'; expected of_value or floor"
            )
        floor_and_ranges(found, at, line)
    for (one, first), (two, second) in combinations(enumerate(instrument.accuracy), 2):
        if first.function == second.function and _overlap(first, second):
            line_no = found.text.lines.line((role, "accuracy", one))
            found.warn(
                (role, "accuracy", two),
                f"holds where the '{first.function}' accuracy of line {line_no} holds too; expected one of them",
            )


def _known_errors(found: Findings, role: Role, instrument: Instrument) -> None:
    for place, line in enumerate(instrument.known_error):
        at: KeyPath = (role, "known_error", place)
        if role in ("reference", "unit", "switch"):
            instead = "; expected its measured 'flatness' instead" if role == "reference" else "; expected none here"
            found.error(at, f"is not corrected for on the {role}{instead}")
        if not line.of_value and not line.floor:
            found.error(at, "states no error; expected of_value or floor")
        floor_and_ranges(found, at, line)


def floor_and_ranges(found: Findings, at: KeyPath, line: Accuracy | KnownError) -> None:
    """Check what lines of accuracy and of known errors have in common."""
    if line.floor is not None and line.function in ("frequency", "period"):
        found.error((*at, "floor"), f"is a level, which a {line.function} has not; expected of_value")
    for low, high in (("level_from", "level_to"), ("frequency_from", "frequency_to")):
        bottom, top = getattr(line, low), getattr(line, high)
        if bottom is not None and top is not None and bottom > top:
            found.error((*at, low), f"is above {high}; expected it below")


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


def _calibrator(found: Findings, calibrator: Calibrator | None) -> None:
    if calibrator is None:
        return
    for key in ("levels", "periods"):
        values = getattr(calibrator, key)
        if not values:
            found.error(("calibrator", key), "an empty list; expected at least one value, or a word such as '1-2-5'")
        elif not isinstance(values, str):
            _factors(found, ("calibrator", key), values)
    if "edge" in calibrator.functions and calibrator.edge_rise_time is None:
        found.warn(("calibrator", "edge_rise_time"), "missing; without it no rise time can be judged")
    for function in ("dc", "square"):
        lines = [line for line in calibrator.accuracy if line.function == function]
        if function not in calibrator.functions or not lines:
            continue
        for low, high in gaps(lines, calibrator.level_low, calibrator.level_high):
            found.warn(
                ("calibrator", "accuracy"),
                f"no '{function}' line holds from {quantities.show(low, 'V')} to {quantities.show(high, 'V')}; "
                "no verdict will be possible there",
            )


def _reference(found: Findings, bench: Bench) -> None:
    reference = bench.reference
    if reference is None:
        return
    _factors(found, ("reference", "volts_per_div"), reference.volts_per_div)
    _factors(found, ("reference", "s_per_div"), reference.s_per_div)
    if reference.read == "remote" and reference.driver == "manual":
        found.error(("reference", "read"), "a manual instrument is read by a person; expected 'eye'")
    frequencies = [point.frequency for point in reference.flatness]
    for place, (before, after) in enumerate(pairwise(frequencies)):
        if after <= before:
            found.error(
                ("reference", "flatness", place + 1, "frequency"), "is not above the one before; expected rising order"
            )
    if reference.bandwidth is None and not reference.flatness:
        found.warn(
            ("reference", "bandwidth"), "neither bandwidth nor flatness is given: its roll-off cannot be corrected"
        )


def _paths(found: Findings, bench: Bench) -> None:
    for name, path in bench.paths.items():
        at: KeyPath = ("paths", name)
        if not name.strip():
            found.error(at, "a path without a name; expected [paths.NAME]")
        for key in ("termination_tolerance", "termination_power"):
            if path.termination is None and getattr(path, key):
                found.warn((*at, key), "is of no use without 'termination'")
        if path.routes and bench.switch is None:
            found.warn((*at, "routes"), "is of no use without [switch]")
        for place in path.routes:
            if not _ROUTE.fullmatch(place):
                found.error((*at, "routes", place), "is no input; expected 'reference', 'unit-1', 'unit-2' and so on")
    if bench.switch is not None and not any(path.routes for path in bench.paths.values()):
        found.warn(("switch",), "no path has 'routes' for the switch; every connection will be made by hand")


# --- the unit ----------------------------------------------------------------------------------------------------


def check_unit(text: Text, unit: Unit) -> Findings:
    """Check a unit file by itself."""
    found = Findings(text)
    _factors(found, ("volts_per_div",), unit.volts_per_div)
    _factors(found, ("s_per_div",), unit.s_per_div)
    for key in ("maker", "model"):
        if not getattr(unit, key).strip():
            found.error((key,), "is empty; expected the name that stands on the front panel")
    for key in ("vertical_div", "horizontal_div"):
        if not 2 <= getattr(unit, key) <= 100:
            found.error((key,), f"{getattr(unit, key):g} divisions are no graticule; expected 8 or 10, or near it")
    tried = unit.bandwidth_volts_per_div
    if tried is not None and not among(tried, unit.volts_per_div):
        found.error(("bandwidth_volts_per_div",), f"{quantities.show(tried, 'V')} is not one of volts_per_div")
    for key in ("deflection", "time", "time_magnified", "overshoot", "top_aberration"):
        value = getattr(unit.tolerance, key)
        if value is not None and value > 0.5:
            found.error(("tolerance", key), f"{value * 100:g} % is no tolerance; expected such as '3 %'")
    if unit.tolerance.time_magnified is not None and unit.magnifier == 1:
        found.warn(("tolerance", "time_magnified"), "is of no use without 'magnifier'")
    for key in ("resistance", "capacitance"):
        if getattr(unit.input, key) <= 0:
            found.error(("input", key), "must be above zero")
    _rise_time(found, unit)
    _full_screen(found, unit)
    return found


def _rise_time(found: Findings, unit: Unit) -> None:
    if unit.rise_time is None:
        return
    product = unit.rise_time * unit.bandwidth
    low, high = _RISE_TIME_PRODUCT
    if not low <= product <= high:
        likely = quantities.show(0.35 / unit.bandwidth, "s", 2)
        found.warn(
            ("rise_time",), f"does not go with the bandwidth: their product is {product:.2g}; about {likely} would"
        )


def _full_screen(found: Findings, unit: Unit) -> None:
    largest = max(unit.volts_per_div) * unit.vertical_div
    if largest > unit.input.maximum:
        found.warn(
            ("input", "maximum"),
            f"is below a full screen of the largest range ({quantities.show(largest, 'V')}): "
            "that range cannot be tried without a divider",
        )


def among(value: float, values: Iterable[float]) -> bool:
    """Whether a value is one of a list, to the rounding of a float."""
    return any(math.isclose(value, each, rel_tol=1e-9) for each in values)


def _factors(found: Findings, path: KeyPath, values: Iterable[float]) -> None:
    """Levels, periods and V/div are above zero and stand once each."""
    seen: list[float] = []
    for place, value in enumerate(values):
        if value <= 0:
            found.error((*path, place), "must be above zero")
        elif among(value, seen):
            found.error((*path, place), "stands in the list twice; expected it once")
        seen.append(value)


# --- the queue ---------------------------------------------------------------------------------------------------


def check_queue(text: Text, queue: Queue) -> Findings:
    """Check a queue file by itself: every job is there, and stands once."""
    found = Findings(text)
    seen: dict[Path, int] = {}
    for place, name in enumerate(queue.jobs):
        path = text.path.parent / name
        if not _exists(path):
            found.error(("jobs", place), f"there is no file {shown(name)}; expected its path from this file")
        elif (first := seen.setdefault(path.resolve(), place)) != place:
            found.error(
                ("jobs", place), f"{shown(name)} is job {first + 1} already; expected each once, or a copy of the file"
            )
    return found
