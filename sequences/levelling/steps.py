"""The steps by which a level is read on the reference, and what sets them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from harness import steps
from harness.errors import AnalysisError
from harness.models import LOW_OHM, Reference, Setup
from harness.quantities import VPP_PER_VRMS_SINE, round_to, stepped
from harness.steps import Measure, Sine, View, connect, measure
from sequences.deflection import PEAK_TO_PEAK
from sequences.levelling.sine import Taken

REPEATS: Final = 2
_LOADED: Final = (0.4, 2.2)  # a level as set into 50 ohm, by what it may be loaded with
_NEAR_FIRST: Final = (0.75, 1.33)  # a generator's level between two of its frequencies


def reference_of(setup: Setup) -> Reference:
    """The bench's reference; AnalysisError if it has none."""
    if setup.bench.reference is None:
        raise AnalysisError(f"bench {setup.bench.name!r} has no reference to level the sine on.")
    return setup.bench.reference


def sweep(frequency_hz: float, available: tuple[float, ...], *, remote: bool) -> float:
    """About ten periods in the record; by eye a steady band needs no more than the slowest few hundred."""
    wanted = 1 / frequency_hz if remote else max(1 / frequency_hz, 1e-6)
    choices = available or tuple(stepped(1e-10, 1.0))
    longer = [s for s in choices if s >= wanted * 0.7]
    return min(longer) if longer else max(choices)


def raised(setup: Setup, path_name: str) -> float:
    """How far a level stated into 50 ohm is raised where nothing ends the line."""
    path = setup.bench.path(path_name)
    return 2.0 if path.termination is None and setup.unit.input.resistance >= LOW_OHM else 1.0


def most_vpp(setup: Setup, path_name: str) -> float:
    """The largest level at the source, by what the generator gives and what path, termination and input may take."""
    path, rated, generator = setup.bench.path(path_name), setup.unit.input, setup.bench.generator
    most = [2 * rated.maximum * path.divides_by]
    if rated.maximum_rms is not None:
        most.append(VPP_PER_VRMS_SINE * rated.maximum_rms * path.divides_by)
    if path.maximum is not None:
        most.append(2 * path.maximum)
    if path.termination is not None and path.termination_power is not None:
        most.append(VPP_PER_VRMS_SINE * math.sqrt(path.termination_power * path.termination) * path.divides_by)
    at_source = min(most) / raised(setup, path_name)
    return at_source if generator is None else min(at_source, generator.level_high)


def rounded_down(vpp: float, digits: int) -> float:
    """Down to the digits that a level is set to, so that no rounding exceeds it."""
    digit = 10.0 ** (math.floor(math.log10(vpp)) - digits + 1)
    return round_to(math.floor(vpp / digit * (1 + 1e-9)) * digit, digits)


def level_step(setup: Setup, path: str, *, level_vpp: float, frequency_hz: float, purpose: str) -> Measure:
    """One level as the reference is to show it."""
    reference = reference_of(setup)
    there_vpp = level_vpp / setup.bench.path(path).divides_by
    fitting = [v for v in sorted(reference.volts_per_div) if there_vpp / v <= reference.vertical_div - 1]
    volts_per_div = fitting[0] if fitting else max(reference.volts_per_div)
    return Measure(
        purpose=purpose,
        path=path,
        source="generator",
        stimulus=Sine(level_vpp=level_vpp, frequency_hz=frequency_hz),
        display="reference",
        view=View(
            channel=reference.channel,
            volts_per_div=volts_per_div,
            s_per_div=sweep(frequency_hz, reference.s_per_div, remote=reference.read == "remote"),
        ),
        quantity=PEAK_TO_PEAK.name,
        expected=round(there_vpp / volts_per_div, 4),
    )


def read_levels(setup: Setup, asked: Iterable[Measure], level: list[Taken]) -> steps.Sequence[None]:
    """Read levels on the reference, each with its repeats; what was read is added to `level`."""
    reference, connected = reference_of(setup), False
    for step in asked:
        if not connected:
            yield from connect(path=step.path, source="generator", display="reference", channel=reference.channel)
            connected = True
        for repeat in range(REPEATS):
            again = replace(step if reference.read == "remote" else _believed(step, level), repeat=repeat)
            reading = yield from measure(again)
            if reading.status == "read":
                level.append((again, reading))


def _believed(step: Measure, level: list[Taken]) -> Measure:
    """What is read by eye is asked again where it lies far from what was read first, or from what can be."""
    alike = [r.value for s, r in level if s.stimulus.level == step.stimulus.level]
    first = next((value for value in alike if value), None)
    expected, (low, high) = first or step.expected or 0.0, _NEAR_FIRST if first else _LOADED
    return replace(step, expected_low=round(low * expected, 4), expected_high=round(high * expected, 4))
