"""What a trigger needs, and where it fires: from levels, deflections and records to budgets.   [pure]

Equations are numbered as in docs/trigger.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from harness.analysis.estimate import Budget, normal, rectangular
from harness.analysis.graticule import Length
from harness.assess import limits_for, origin_of, read_length, reader_along, record_u, values_of
from harness.errors import AnalysisError
from harness.models import Setup
from harness.quantities import DB_PER_NEPER, ratio_of_db, show
from harness.steps import Measure, Reading
from harness.words.language import tr
from sequences.levelling.reading import THIN_DIV
from sequences.levelling.table import LevelCorrection

PLACE_DIV: Final = "place_div"
"""Among a reading's further numbers: what half a sample of the trace makes at the trigger, in divisions."""
LEVELS: Final = "proportion of the generator's levels"
PROPORTION: Final = 0.02
"""How well a generator keeps the proportion of two levels where no accuracy line says it: common practice, 0.2 dB."""
_NEVER: Final = LevelCorrection(correction_db=0.0, contributions=())


def height(setup: Setup, readings: Sequence[Reading], *, nominal_div: float, repeats: int = 1) -> Length:
    """A deflection of the unit, read from bottom to top; an eye reads the width of the trace into it."""
    length = read_length(reader_along(setup.unit), readings, planned=nominal_div, repeats=repeats)
    if setup.unit.read != "eye":
        return length
    width = rectangular(
        tr("width of the trace"), half_width=THIN_DIV / 2, unit="div", value=THIN_DIV / 2, sensitivity=-1.0
    )
    return replace(length, value_div=length.value_div - THIN_DIV / 2, contributions=(*length.contributions, width))


def needed(
    setup: Setup,
    shown: Length,
    by: Measure,
    *,
    passed_vpp: float,
    failed_vpp: float,
    level: LevelCorrection = _NEVER,
    external: bool = False,
    quantity: str,
) -> Budget:
    """
    Return what triggers every sweep: div of a channel, V at the external input.

    Parameters
    ----------
    setup
        Bench, unit and job.
    shown
        A deflection at the reference frequency on the range that triggers.
    by
        The step that it was read in: its level and range.
    passed_vpp, failed_vpp
        The last level that started every sweep, and the next one below, that did not.
    level
        Of the sine at its frequency against that at the reference frequency.
    external
        In V, by the channel's deflection factor.
    quantity
        Its name in the budget.

    References
    ----------
    docs/trigger.md, equations (1) to (3).
    """
    if not (shown.value_div > 0.0 and 0.0 < failed_vpp < passed_vpp):
        raise AnalysisError(f"{quantity}: it needs a deflection, and a level that fails below one that passes.")
    middle_vpp, by_vpp = (passed_vpp + failed_vpp) / 2, by.stimulus.level
    unit_per_div = by.view.volts_per_div if external else 1.0
    value = shown.value_div * unit_per_div * middle_vpp / by_vpp * ratio_of_db(level.correction_db)
    lines = [
        *(replace(line, sensitivity=line.sensitivity * value / shown.value_div) for line in shown.contributions),
        *(replace(line, sensitivity=line.sensitivity * value / DB_PER_NEPER) for line in level.contributions),
        rectangular(
            tr("step of the level"), half_width=(passed_vpp - failed_vpp) / 2, unit="V", sensitivity=value / middle_vpp
        ),
    ]
    if not math.isclose(by_vpp, passed_vpp, rel_tol=1e-6):
        half_width = stated_proportion(setup, by) or PROPORTION
        line = rectangular(LEVELS, half_width=half_width, sensitivity=value)
        lines.append(replace(line, origin=_origin(setup)))
    if external:
        lines.append(
            rectangular(tr("deflection factor within its tolerance"), half_width=_factor(setup, by), sensitivity=value)
        )
    return Budget(
        quantity=quantity, unit="Vpp" if external else "div", estimate=value,
        contributions=tuple(line for line in lines if line.contribution),
    )  # fmt: skip


def fired_at(
    setup: Setup, step: Measure, readings: Sequence[Reading] = (), _ground: Sequence[Reading] = (), repeats: int = 1
) -> Budget:
    """
    Return how far from the level that was set the trigger fires, in div.

    References
    ----------
    docs/trigger.md, equation (4).
    """
    values = values_of(readings) or [step.expected or 0.0]
    place_div = max((reading.more.get(PLACE_DIV, 0.0) for reading in readings), default=0.0)
    n = len(readings) or repeats
    scatter_div = math.hypot(setup.unit.scatter, record_u(readings))
    return Budget(
        quantity=tr(
            "trigger level of channel {channel}, {volts_per_div}/div",
            channel=step.view.channel,
            volts_per_div=show(step.view.volts_per_div, "V"),
        ),
        unit="div",
        estimate=math.fsum(values) / len(values) - (step.expected or 0.0),
        contributions=(
            normal(tr("scatter of a reading"), u=scatter_div / math.sqrt(n), unit="div"),
            rectangular(tr("place of the trigger in the record, half a sample"), half_width=place_div, unit="div"),
        ),
    )


def stated_proportion(setup: Setup, by: Measure) -> float | None:
    """How well two levels of the generator are in proportion: each within the limits of its level; None: not stated."""
    generator = setup.bench.generator
    for line in generator.accuracy if generator else ():
        if line.function == "sine" and line.db is None and line.covers(level=by.stimulus.level):
            return math.sqrt(2.0) * line.of_value
    return None


def _origin(setup: Setup) -> str:
    return "" if setup.bench.generator is None else origin_of(setup.bench.generator)


def _factor(setup: Setup, by: Measure) -> float:
    """The tolerance of the deflection factor that volts are reckoned by, a ratio."""
    return (limits_for(setup, by).high or 0.0) / 100.0
