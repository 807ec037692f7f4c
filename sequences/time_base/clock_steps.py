"""Which sines show the clock of a unit that samples: on both sides of a low and a high multiple of a record's rate."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

from harness.measurement import POINTS
from harness.models import Setup, rated
from harness.quantities import round_to
from harness.steps import Measure, Sine, View
from harness.words.language import tr
from sequences import Plan, Planned, generator_of, signal_range
from sequences.reading import gives_records
from sequences.time_base import Rated
from sequences.time_base.clock import ALIAS
from sequences.time_base.marks import Options

_CYCLES: Final = (20.37, -31.71)
"""Of the alias over the record: enough for a fit, apart in size so that their signs show, and at every phase."""
_HIGHEST: Final = 8  # multiple: more says no more
_BEYOND: Final = 1.05  # a multiple with its sines, over the multiple itself


def sines(setup: Setup, options: Options) -> Plan:
    """The last of the sines as the one planned point, the others are of the same result; or why not."""
    stated = rated(setup.unit, Rated).time_clock
    if not (stated is not None if options.clock is None else options.clock):
        return Plan()
    found = _why_not(setup) or _fitting(setup, options)
    if isinstance(found, str):
        return Plan(left_out=(tr("Sample clock: {found}.", found=found),))
    return Plan(points=(Planned(step=found[-1]),))


def all_sines(setup: Setup, options: Options) -> Iterator[Planned]:
    """Every sine of the one result."""
    found = "" if not sines(setup, options).points else _fitting(setup, options)
    if not isinstance(found, str):
        yield from (Planned(step=step, repeats=options.repeats) for step in found)


def _why_not(setup: Setup) -> str:
    unit, bench = setup.unit, setup.bench
    if unit.read != "remote":
        return tr("it takes records, and the unit is read by eye")
    if unit.sample_rate is None and not _says_its_rate(setup):
        return (
            "whether the samples of a record are real is not known: several sweeps or an interpolation would show "
            "another rate; state the unit's sample_rate, or the command that asks it"
        )
    if not gives_records(setup):
        return tr("the bench file says that the unit gives no record")
    return "" if bench.generator is not None else tr("it takes sines, and the bench has no generator")


def _says_its_rate(setup: Setup) -> bool:
    """Whether the unit is asked at each record how many samples it really takes."""
    link = setup.bench.unit
    return link is not None and bool(link.commands.get("sample_rate"))


def _fitting(setup: Setup, options: Options) -> list[Measure] | str:
    """The fastest record of real samples of whose rate the unit shows a multiple, four times it where one does."""
    unit, real_hz = setup.unit, setup.unit.sample_rate or math.inf  # then the unit itself says what is not real
    top_hz = min(unit.bandwidth, generator_of(setup).frequency_high) / _BEYOND
    rates = {s: POINTS / (unit.horizontal_div * s) for s in sorted(unit.s_per_div)}
    for least in (4, 2):
        for s_per_div, rate_hz in rates.items():
            if rate_hz <= real_hz * (1 + 1e-9) and least * rate_hz <= top_hz:
                orders = (1, min(_HIGHEST, math.floor(top_hz / rate_hz)))
                return [_sine(setup, options, s_per_div, order * POINTS + c) for order in orders for c in _CYCLES]
    return tr("no record of real samples is slow enough that the unit shows twice its rate")


def _sine(setup: Setup, options: Options, s_per_div: float, cycles: float) -> Measure:
    """A sine of so many cycles over the nominal record."""
    unit, name = setup.unit, options.clock_path
    path = name or ("terminated" if "terminated" in setup.bench.paths else options.path)
    record_s, volts_per_div = unit.horizontal_div * s_per_div, signal_range(unit, None)
    level = unit.usable_div * volts_per_div * setup.bench.path(path).divides_by
    return Measure(
        purpose="clock",
        path=path,
        source="generator",
        stimulus=Sine(
            level_vpp=round_to(min(level, generator_of(setup).level_high), 2),
            frequency_hz=round_to(cycles / record_s, 9),
        ),
        display="unit",
        view=View(channel=options.channel, volts_per_div=volts_per_div, s_per_div=s_per_div),
        quantity=ALIAS.name,
        with_counter=setup.bench.counter is not None,
    )
