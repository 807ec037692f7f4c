"""Rise time, overshoot and flatness of the top, from a fast edge."""

from __future__ import annotations

import math
from typing import Final, Literal

from pydantic import Field

from harness import steps
from harness.errors import AnalysisError
from harness.measurement import Quantity
from harness.models import Calibrator, Generator, Setup, rated
from harness.steps import FastEdge, Measure, Role, View
from harness.values import Model, Volts
from sequences import Judges, Plan, Planned, channels_of, read_all, signal_range
from sequences.pulse import Rated
from sequences.pulse.parameters import OVERSHOOT, RISE_TIME, TOP_ABERRATION

TITLE: Final = "Pulse response"
QUANTITIES: Final = (RISE_TIME, OVERSHOOT, TOP_ABERRATION)
JUDGES: Final[Judges] = {"unit": tuple(quantity.name for quantity in QUANTITIES)}
_EDGE_DIV: Final = 5.0  # between the 0 and 100 % lines of a graticule


class Options(Model):
    """What a job may choose."""

    channels: tuple[int, ...] = Field((), description="channels; all if left out")
    path: str = "lead"
    source: Literal["calibrator", "generator"] = "calibrator"
    volts_per_div: Volts | None = None
    repeats: int = Field(1, ge=1, le=20)


def needs(options: Options) -> tuple[Role, ...]:
    """The roles that the sequence uses."""
    return (options.source,)


def gives(options: Options) -> tuple[str, ...]:
    """What the calibrator must be able to give."""
    return ("edge",) if options.source == "calibrator" else ()


def plan(setup: Setup, options: Options) -> Plan:
    """Each channel: the edge, then the top."""
    unit, edge = setup.unit, rated(setup.unit, Rated)
    stated = {RISE_TIME: unit.rise_time, OVERSHOOT: edge.overshoot, TOP_ABERRATION: edge.top_aberration}
    steps_ = [
        _step(setup, options, channel, quantity)
        for channel in channels_of(setup, options.channels)
        for quantity, rating in stated.items()
        if rating is not None
    ]
    left_out = [
        f"{quantity.name.replace('_', ' ').capitalize()}: the unit file states no rating."
        for quantity, rating in stated.items()
        if rating is None
    ]
    return Plan(points=tuple(Planned(step=step, repeats=options.repeats) for step in steps_), left_out=tuple(left_out))


def _source(setup: Setup, options: Options) -> Calibrator | Generator:
    source = setup.bench.calibrator if options.source == "calibrator" else setup.bench.generator
    if source is None or source.edge_rise_time is None:
        raise AnalysisError(
            f"bench {setup.bench.name!r}: the {options.source} gives no fast edge; state its edge_rise_time, "
            "or take the other source."
        )
    return source


def _step(setup: Setup, options: Options, channel: int, quantity: Quantity) -> Measure:
    unit, source = setup.unit, _source(setup, options)
    path = setup.bench.path(options.path)
    volts_per_div = signal_range(unit, options.volts_per_div)
    rated_s = unit.rise_time or 0.35 / unit.bandwidth
    expected_s = math.hypot(rated_s, source.edge_rise_time or 0.0)
    sweep_s = expected_s if quantity is RISE_TIME else 10 * expected_s
    s_per_div, magnifier = sweep_for(setup, sweep_s)
    frequency_hz = source.edge_frequency if isinstance(source, Calibrator) else 1e5
    return Measure(
        purpose=quantity.name.replace("_", " "),
        path=options.path,
        source=options.source,
        stimulus=FastEdge(level_vpp=round(_EDGE_DIV * volts_per_div * path.divides_by, 9), frequency_hz=frequency_hz),
        display="unit",
        view=View(
            channel=channel,
            volts_per_div=volts_per_div,
            s_per_div=s_per_div,
            magnifier=magnifier,
            ground_line_div=-_EDGE_DIV / 2,
        ),
        quantity=quantity.name,
        expected=float(f"{expected_s:.3e}") if quantity is RISE_TIME else 0.0,
    )


def sweep_for(setup: Setup, wanted_s: float) -> tuple[float, float]:
    """The time factor and magnifier that come nearest to what is wanted; the magnifier only where it helps."""
    unit = setup.unit
    plain = [(s, 1.0) for s in unit.s_per_div or (wanted_s,)]
    magnified = [(s, unit.magnifier) for s in unit.s_per_div] if unit.magnifier != 1 else []
    return min(plain + magnified, key=lambda at: (round(abs(math.log(at[0] / at[1] / wanted_s)), 9), at[1]))


def script(setup: Setup, options: Options) -> steps.Sequence[None]:
    """Read every parameter of every channel."""
    yield from read_all(plan(setup, options))
