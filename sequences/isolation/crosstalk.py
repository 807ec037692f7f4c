"""What a channel shows of another's sine: how it is read, and the isolation that follows, as a budget.

Equations are numbered as in docs/levels.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from harness.analysis.estimate import Budget, Contribution, arcsine, normal, rectangular
from harness.analysis.verdict import Limits
from harness.assess import applied_at_input
from harness.errors import AnalysisError
from harness.measurement import Quantity, Rating
from harness.models import Setup, Unit, rated
from harness.quantities import DB_PER_NEPER, db, ratio_of_db
from harness.steps import Measure, Reading
from harness.words.language import tr
from sequences import vertical
from sequences.deflection import PEAK_TO_PEAK
from sequences.isolation import Rated
from sequences.levelling.harmonics import readers
from sequences.levelling.reading import reader_of, reading_line

CUSTOMARY_DB: Final = 40.0  # makers rate 34 to 40 dB (common practice); ranges are chosen for it where none is rated
SEEN: Final = 5.0
"""Standard uncertainties above which a deflection is a signal, and no noise: Rose's criterion (from memory)."""
AT_MOST: Final = 2.0  # standard uncertainties added to what may be noise alone


def u_crosstalk_div(setup: Setup, values: Sequence[float], readings: Sequence[Reading], width: Contribution) -> float:
    """Standard uncertainty of the deflection: as its records show it, else as the unit is read; with the width's."""
    shown = [reading.scatter for reading in readings if reading.scatter is not None]
    if len(shown) == len(values) and shown:
        return math.hypot(max(shown), width.u)
    height = math.fsum(values) / len(values)
    return math.hypot(reader_of(setup.unit).mean_div(height, len(values)), width.u)


def isolation(
    setup: Setup,
    driven: Measure,
    driven_div: float,
    step: Measure,
    shown_div: float,
    *,
    u_div: float,
    readings: int = 1,
) -> Budget:
    """
    Return the isolation in dB, eq. (5): what the driven channel shows over what the other shows of it, both in volts.

    Parameters
    ----------
    setup
        Bench, unit and job.
    driven, driven_div
        The step on the channel that has the signal, and what it showed.
    step, shown_div, u_div
        The step on the other channel, what it showed, and the standard uncertainty of that.
    readings
        Of the driven channel.
    """
    if not (driven_div > 0.0 and shown_div > 0.0):
        raise AnalysisError("an isolation needs a deflection on both channels.")
    tolerance = rated(setup.unit, vertical.Rated).deflection
    lines = (
        normal(tr("reading of the crosstalk"), u=DB_PER_NEPER * u_div / shown_div, unit="dB"),
        reading_line(tr("reading of the driven channel"), driven_div, readings, reader_of(setup.unit)),
        rectangular(tr("deflection factor, crosstalk"), half_width=DB_PER_NEPER * tolerance, unit="dB"),
        rectangular(tr("deflection factor, driven channel"), half_width=DB_PER_NEPER * tolerance, unit="dB"),
        *_harmonics(setup),
    )
    return Budget(
        quantity=tr(
            "isolation of channel {channel} from channel {driven}", channel=step.view.channel, driven=step.driven
        ),
        unit="dB",
        estimate=db(driven_div * driven.view.volts_per_div / (shown_div * step.view.volts_per_div)),
        contributions=tuple(line for line in lines if line.u),
    )


def _harmonics(setup: Setup) -> tuple[Contribution, ...]:
    """By peaks: of the driven channel, and of the other, which a third harmonic reaches three times as well."""
    generator = setup.bench.generator
    if generator is None or generator.harmonics is None or readers(setup)["unit"] == "fit":
        return ()
    ratio = ratio_of_db(generator.harmonics)
    return (
        arcsine(tr("harmonics, driven channel"), half_width=DB_PER_NEPER * ratio, unit="dB"),
        arcsine(tr("harmonics, crosstalk"), half_width=DB_PER_NEPER * 3.0 * ratio, unit="dB"),
    )


def limits_of(unit: Unit, step: Measure) -> Limits | None:
    """The maker's least isolation, as far up as it holds."""
    stated = rated(unit, Rated)
    if stated.isolation is None or (step.stimulus.rate_hz or 0.0) > highest_hz(unit) * (1 + 1e-9):
        return None
    return Limits(low=stated.isolation)


def highest_hz(unit: Unit) -> float:
    """How far up the rating holds."""
    return rated(unit, Rated).isolation_to or unit.bandwidth


def planned_budget(
    setup: Setup,
    step: Measure,
    readings: Sequence[Reading] = (),
    _ground: Sequence[Reading] = (),
    repeats: int = 1,
) -> Budget:
    """The budget to expect of a unit twice as good as it must be; a reading is judged with the driven channel's."""
    if readings:
        raise AnalysisError("an isolation is judged with what the driven channel shows, in the report.")
    wanted_db = (rated(setup.unit, Rated).isolation or CUSTOMARY_DB) + 6.0
    applied_v, driven_div = applied_at_input(setup, step), setup.unit.usable_div
    driven = replace(step, view=replace(step.view, volts_per_div=applied_v / driven_div))
    shown_div = applied_v / ratio_of_db(wanted_db) / step.view.volts_per_div
    none = rectangular(tr("trace width"), half_width=0.0, unit="div")
    u_div = u_crosstalk_div(setup, [shown_div] * repeats, (), none)
    return isolation(setup, driven, driven_div, step, shown_div, u_div=u_div, readings=repeats)


ISOLATION: Final = Rating(
    name="isolation",
    is_error=False,
    axis="level",
    limits=limits_of,
    budget=planned_budget,
    remedy="a higher level, or a more sensitive range",
)
CROSSTALK: Final[Quantity] = replace(
    PEAK_TO_PEAK,
    name="crosstalk",
    question="how many divisions does the sine span here?",
    rating=ISOLATION,
)
