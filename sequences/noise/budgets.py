"""Noise, rms and peak to peak, and drift of the line, each as a budget in divisions.   [pure]

Equations are numbered as in docs/noise.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from harness.analysis import estimate
from harness.analysis.estimate import Budget
from harness.analysis.graticule import mean_length
from harness.assess import read_length, reader_along, values_of
from harness.errors import AnalysisError
from harness.models import Setup
from harness.quantities import show
from harness.steps import Measure, Reading
from harness.words.language import tr
from sequences.noise.statistics import Spread, before_quantising, height_of

QUANTUM: Final = "quantum_div"
DOF: Final = "dof"
SAMPLES: Final = "samples"
ON_TWO: Final = "on_two_codes"
CODES: Final = 256  # of the converter, where no reading shows its step: eight bits are the coarsest
_PLANNED_DOF: Final = 999.0


def rms(
    setup: Setup, step: Measure, readings: Sequence[Reading] = (), _ground: Sequence[Reading] = (), repeats: int = 1
) -> Budget:
    """Return the noise, rms, freed of the converter's own part."""
    values = values_of(readings)
    read = [each for each in readings if each.status == "read" and each.value is not None]
    records = [
        Spread(
            observed=value,
            quantum=each.more.get(QUANTUM, 0.0),
            dof=each.more.get(DOF, _PLANNED_DOF),
            on_two=each.more.get(ON_TWO, 0.0),
        )
        for value, each in zip(values, read, strict=True)
    ] or [_planned(setup, step)] * repeats
    noise = before_quantising(records, "div")
    return Budget(
        quantity=tr("noise of {place}", place=_at(step)), unit="div", estimate=noise.value, contributions=noise.lines
    )


def _planned(setup: Setup, step: Measure) -> Spread:
    quantum = setup.unit.vertical_div / CODES
    return Spread(observed=math.hypot(step.expected or 0.0, quantum / math.sqrt(12)), quantum=quantum, dof=_PLANNED_DOF)


def peak_to_peak(
    setup: Setup, step: Measure, readings: Sequence[Reading] = (), _ground: Sequence[Reading] = (), repeats: int = 1
) -> Budget:
    """Return the height of the noise: of records their range, equation (6); by eye the band that is seen."""
    values = values_of(readings) or [step.expected or 0.0] * repeats
    value = math.fsum(values) / len(values)
    if setup.unit.read == "eye":
        lines = mean_length(
            values,
            reader_along(setup.unit),
            edges="both read",
            repeats=None if readings else repeats,
        ).contributions
    else:
        more = next((dict(each.more) for each in readings if each.more), {})
        quantum = more.get(QUANTUM, setup.unit.vertical_div / CODES)
        mean, scatter = height_of(round(more.get(SAMPLES, _PLANNED_DOF + 1)))
        ends = (tr("rounding of the highest sample"), tr("rounding of the lowest sample"))
        lines = (
            estimate.normal(
                tr("chance of a record's extremes"), u=value * scatter / mean / math.sqrt(len(values)), unit="div"
            ),
            *(estimate.rectangular(name, half_width=quantum / 2, unit="div") for name in ends),
        )
    return Budget(quantity=tr("noise of {place}", place=_at(step)), unit="div", estimate=value, contributions=lines)


def drift(
    setup: Setup, step: Measure, readings: Sequence[Reading] = (), _ground: Sequence[Reading] = (), repeats: int = 1
) -> Budget:
    """Return how far the line has moved between the first and the last reading: equation (7)."""
    read = [each for each in readings if each.status == "read" and each.value is not None]
    if readings and len(read) < 2:
        raise AnalysisError("a drift needs two readings of the line, and one at most was taken.")
    pair = (read[:1], read[-1:])
    reader = reader_along(setup.unit)
    ends = [read_length(reader, of, planned=0.0, repeats=repeats, edges="one") for of in pair]
    return Budget(
        quantity=tr("drift of {place}", place=_at(step)),
        unit="div",
        estimate=ends[1].value_div - ends[0].value_div,
        contributions=tuple(
            replace(line, name=f"{when}: {line.name}", sensitivity=sign)
            for end, when, sign in zip(ends, (tr("first"), tr("last")), (-1.0, 1.0), strict=True)
            for line in end.contributions
        ),
    )


def _at(step: Measure) -> str:
    return tr(
        "channel {channel}, {volts_per_div}/div",
        channel=step.view.channel,
        volts_per_div=show(step.view.volts_per_div, "V"),
    )
