"""What a bench's paths must say, and what a path and the input at its end make of a signal together."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, Final

from harness.models import LOW_OHM, Bench, Setup
from harness.quantities import show

if TYPE_CHECKING:
    from harness.files.checks import Findings
    from harness.files.toml_lines import KeyPath

_MOST_OHM: Final = 1e4
_ROUTE: Final = re.compile(r"reference|(.+)-([1-9][0-9]?|external)")


def check_paths(notes: Findings, bench: Bench) -> None:
    """Check the paths of a bench file by themselves."""
    inputs = "'reference', 'unit-1', 'unit-2' and so on"
    inputs += f", or a position's: '{next(iter(bench.positions))}-1'" if bench.positions else ""
    for name, path in bench.paths.items():
        at: KeyPath = ("paths", name)
        if not name.strip():
            notes.error(at, "a path without a name; expected [paths.NAME]")
        if path.termination is not None and path.termination_power is None:
            notes.error(
                (*at, "termination_power"),
                f"missing; expected the largest power that the {show(path.termination, 'Ω')} termination "
                "bears, such as '1 W': nothing beyond it is applied",
            )
        if path.termination is not None and not 1 <= path.termination <= _MOST_OHM:
            notes.error(
                (*at, "termination"),
                f"{show(path.termination, 'Ω')} ends no line; expected 50 ohm, or near what a line has",
            )
        for key in ("termination_tolerance", "termination_power"):
            if path.termination is None and getattr(path, key):
                notes.warn((*at, key), "is of no use without 'termination'")
        if path.series_resistance is None and (path.series_tolerance or path.series_capacitance):
            notes.warn(at, "says what a series resistor is like, and has no 'series_resistance'")
        if path.routes and bench.switch is None:
            notes.warn((*at, "routes"), "is of no use without [switch]")
        for place in path.routes:
            known = _ROUTE.fullmatch(place)
            if known is None or (known[1] is not None and known[1] != "unit" and known[1] not in bench.positions):
                notes.error((*at, "routes", place), f"is no input; expected {inputs}")
    if bench.switch is not None and not any(path.routes for path in bench.paths.values()):
        notes.warn(("switch",), "no path has 'routes' for the switch; every connection will be made by hand")


def heated(notes: Findings, at: KeyPath, ohm: float, maximum_rms: float | None) -> None:
    """An input that ends a line turns what is applied into heat; without a rating nothing may be applied to it."""
    if ohm < LOW_OHM and maximum_rms is None:
        notes.error(
            at,
            f"missing; expected the largest rms voltage at the {show(ohm, 'Ω')} input, such as '5 Vrms': "
            "nothing beyond it is applied",
        )


def ended_twice(notes: Findings, at: KeyPath, chosen: Mapping[str, Any], setup: Setup) -> None:
    """A feed-through termination before an input that ends the line itself: half the load, and no level is right."""
    for key, name, display, ohm in _ends(chosen, setup):
        path = setup.bench.paths.get(name)
        if path is not None and path.termination is not None and ohm < LOW_OHM:
            notes.error(
                (*at, key),
                f"path '{name}' has a feed-through termination, and the input of the {display} is {show(ohm, 'Ω')} "
                "itself; expected a path with one termination",
            )


def _ends(chosen: Mapping[str, Any], setup: Setup) -> Iterator[tuple[str, str, str, float]]:
    """The paths that a sequence's options name: key, path, and what stands at its end with its resistance.

    `level_path` leads to the reference, as `path` does where it is left out; `path` and `paths` lead to the unit.
    """
    for name in chosen.get("paths", ()):
        yield "paths", name, "unit", setup.unit.input.resistance
    if "path" in chosen:
        yield "path", chosen["path"], "unit", setup.unit.input.resistance
    if "level_path" in chosen and setup.bench.reference is not None:
        name = chosen["level_path"] or chosen.get("path", "")
        yield "level_path", name, "reference", setup.bench.reference.input_ohm
