"""What is read of a trigger, and what is stated of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from harness.analysis.estimate import Budget
from harness.errors import AnalysisError
from harness.measurement import Quantity, Rating, Screenful
from harness.models import Setup, Unit, rated
from harness.quantities import ratio_of_db
from harness.steps import Measure, Reading, Sine
from sequences.deflection import PEAK_TO_PEAK
from sequences.levelling.steps import sweep
from sequences.reading import in_div
from sequences.trigger import Rated
from sequences.trigger.budgets import PLACE_DIV, fired_at, height, needed

if TYPE_CHECKING:
    from harness.measurement import Samples

SWEEPS: Final = 20
DEFLECTION: Final = "deflection of the signal"
ABOVE_RATING: Final = 2.0  # where the search begins: what every sound trigger is started by
IDEAL: Final = 0.5  # of the rating: what a rehearsal takes a unit to need
_BELIEVED_WITHIN: Final = 0.3


def _tolerance(unit: Unit, step: Measure) -> float | None:
    """The rating of the frequency; a coupling that rejects a part of the band is stated without one."""
    if step.view.trigger is not None and step.view.trigger.coupling in ("low_reject", "high_reject"):
        return None
    return rated(unit, Rated).needs(unit, frequency_of(step), external=is_external(step))


def _expected(
    setup: Setup, step: Measure, _readings: Sequence[Reading] = (), _ground: Sequence[Reading] = (), repeats: int = 1
) -> Budget:
    """What is to be expected of a search that begins with this step: at half of its rating."""
    external, level_vpp = is_external(step), step.stimulus.level
    by = deflection_step(setup, step, level_vpp, 50e3)
    shown = height(setup, (), nominal_div=by.expected or 0.0, repeats=repeats)
    passed_vpp = level_vpp * IDEAL / ABOVE_RATING
    return needed(
        setup, shown, by, passed_vpp=passed_vpp, failed_vpp=passed_vpp * ratio_of_db(-usual_step_db(setup)),
        external=external, quantity=EXTERNALLY.name if external else SENSITIVITY.name,
    )  # fmt: skip


def _level_limit(unit: Unit, step: Measure) -> float | None:
    return rated(unit, Rated).level_within_div(step.expected or 0.0)


_REMEDY: Final = "a finer step of the level, or a range on which the generator's levels are finer"
SENSITIVITY: Final = Rating(
    name="trigger sensitivity", is_error=False, axis="level", tolerance=_tolerance, budget=_expected, remedy=_REMEDY
)
EXTERNALLY: Final = Rating(
    name="external trigger sensitivity", is_error=False, axis="level", tolerance=_tolerance, budget=_expected,
    remedy=_REMEDY,
)  # fmt: skip
FIRES_AT: Final = Rating(
    name="trigger level", is_error=True, absolute=True, axis="level", tolerance=_level_limit, budget=fired_at,
    remedy="a slower sweep, or more readings",
)  # fmt: skip


def _no_record(_step: Measure, _volts: Samples, _screen: Screenful, _lsb: float | None) -> Reading:
    raise AnalysisError("sweeps are counted, and no record is read.")


def _at_the_trigger(step: Measure, volts: Samples, screen: Screenful, lsb: float | None) -> Reading:
    """The voltage amid the record, where the trigger stands: a parabola through a sixteenth of a period."""
    rate_hz = step.stimulus.rate_hz or 0.0
    near = max(3.0, 1.0 / (32.0 * rate_hz * screen.interval_s)) if rate_hz else 3.0
    at = np.arange(volts.size) - (volts.size - 1) / 2.0
    inside = np.abs(at) <= near
    curve = np.polyfit(at[inside], volts[inside], 2)
    rest = volts[inside] - np.polyval(curve, at[inside])
    noise_v = float(np.sqrt(np.mean(rest**2) + (lsb or 0.0) ** 2 / 12.0))
    u_v = 1.5 * noise_v / np.sqrt(inside.sum())  # of a parabola's middle: 9/4 of the variance of a mean
    place_div = abs(float(curve[1])) / 2.0 / screen.volts_per_div
    return replace(in_div(float(curve[2]) - screen.ground_v, float(u_v), screen), more={PLACE_DIV: place_div})


_STANDS: Final = "does the display stand still at any trigger level?"
TRIGGERS: Final = Quantity(
    name="triggers", unit="share", axis="level", question=_STANDS, from_record=_no_record, sweeps=SWEEPS,
    rating=SENSITIVITY,
)  # fmt: skip
EXTERNAL_TRIGGERS: Final = replace(
    TRIGGERS, name="external_triggers", question="is there a trace, if only a line?", rating=EXTERNALLY
)
TRIGGER_AT: Final = Quantity(
    name="trigger_at", unit="div", axis="level", question="at how many divisions does the trace begin?",
    from_record=_at_the_trigger, from_ground=True, signed=True, rating=FIRES_AT,
)  # fmt: skip


def deflection_step(setup: Setup, of: Measure, level_vpp: float, reference_hz: float) -> Measure:
    """The deflection of a level at the reference frequency, on the range of a try."""
    shown_div = level_vpp / setup.bench.path(of.path).divides_by / of.view.volts_per_div
    return replace(
        of,
        purpose=DEFLECTION,
        stimulus=Sine(level_vpp=level_vpp, frequency_hz=reference_hz),
        view=replace(
            of.view,
            s_per_div=sweep(reference_hz, setup.unit.s_per_div, remote=setup.unit.read == "remote"),
            trigger=None,
        ),
        driven=None,
        quantity=PEAK_TO_PEAK.name,
        expected=round(shown_div, 4),
        expected_low=round(shown_div * (1 - _BELIEVED_WITHIN), 4),
        expected_high=round(shown_div * (1 + _BELIEVED_WITHIN), 4),
    )


def frequency_of(step: Measure) -> float:
    """Of the sine that is to trigger."""
    return step.stimulus.rate_hz or 0.0


def is_external(step: Measure) -> bool:
    """Whether the external input triggers."""
    return step.view.trigger is not None and step.view.trigger.source == "external"


def usual_step_db(setup: Setup) -> float:
    """The step of the level, where the job chooses none."""
    return 1.0 if setup.unit.read == "eye" else 0.5
