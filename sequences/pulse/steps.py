"""Rise time, overshoot and flatness of the top, from a fast edge."""

from __future__ import annotations

import math
from typing import Final, Literal

from pydantic import Field

from harness import steps
from harness.errors import AnalysisError
from harness.measurement import Quantity
from harness.models import Calibrator, Generator, Setup, rated
from harness.quantities import nearest, round_to, show
from harness.steps import FastEdge, Measure, Role, Square, Trigger, View
from harness.values import Flag, Model, Volts
from harness.words.language import tr
from sequences import Judges, Plan, Planned, calibrator_of, channels_of, read_all, signal_range
from sequences.pulse import Rated
from sequences.pulse.further import FALL_TIME, SAG, SETTLING, UNDERSHOOT, settling_of
from sequences.pulse.parameters import OVERSHOOT, RISE_TIME, TOP_ABERRATION
from sequences.reading import gives_records
from sequences.vertical.levels import available_levels

TITLE: Final = "Pulse response"
QUANTITIES: Final = (RISE_TIME, OVERSHOOT, TOP_ABERRATION, FALL_TIME, UNDERSHOOT, *SETTLING, SAG)
JUDGES: Final[Judges] = {"unit": tuple(quantity.name for quantity in (RISE_TIME, OVERSHOOT, TOP_ABERRATION))}
_FALLING: Final = (FALL_TIME, UNDERSHOOT)
_SETTLING_DIV: Final = 3.0  # that a rated settling time may have on the screen, the edge in its middle
_EDGE_DIV: Final = 5.0  # between the 0 and 100 % lines of a graticule


class Options(Model):
    """What a job may choose."""

    channels: tuple[int, ...] = Field((), description="channels; all if left out")
    path: str = "lead"
    source: Literal["calibrator", "generator"] = "calibrator"
    volts_per_div: Volts | None = None
    repeats: int = Field(1, ge=1, le=20)
    falling: Flag | None = Field(None, description="the falling edge too; left out: no")
    every_range: Flag | None = Field(None, description="on every deflection factor; left out: on one")
    sag_path: str | None = Field(
        None, description="path of the calibrator's square wave for the sag, where the generator gives the edge"
    )


def needs(options: Options) -> tuple[Role, ...]:
    """The roles that the sequence uses."""
    return (options.source,)


def also_needs(setup: Setup, options: Options) -> tuple[Role, ...]:
    """The calibrator's square wave, where the unit file rates the sag."""
    return ("calibrator",) if SAG in _stated(setup, options)[0] else ()


def gives(options: Options) -> tuple[str, ...]:
    """What the calibrator must be able to give."""
    return ("edge",) if options.source == "calibrator" else ()


def plan(setup: Setup, options: Options) -> Plan:
    """Each channel and range: the rising edge, its top, the falling edge where asked for, and the sag."""
    stated, left_out = _stated(setup, options)
    ranges, beyond = _ranges(setup, options)
    steps_ = [
        _step(setup, options, channel, volts_per_div, quantity)
        for channel in channels_of(setup, options.channels)
        for volts_per_div in ranges
        for quantity in stated
    ]
    return Plan(
        points=tuple(Planned(step=step, repeats=options.repeats) for step in steps_), left_out=(*left_out, *beyond)
    )


def _stated(setup: Setup, options: Options) -> tuple[list[Quantity], list[str]]:
    """What the unit file rates, and the sentences of what it does not, or cannot be read."""
    unit, edge = setup.unit, rated(setup.unit, Rated)
    ratings = {RISE_TIME: unit.rise_time, OVERSHOOT: edge.overshoot, TOP_ABERRATION: edge.top_aberration}
    if options.falling:
        ratings |= {FALL_TIME: unit.rise_time, UNDERSHOOT: edge.overshoot}
    stated = [quantity for quantity, rating in ratings.items() if rating is not None]
    left_out = [
        tr("{quantity}: the unit file states no rating.", quantity=_called(quantity))
        for quantity, rating in ratings.items()
        if rating is None
    ]
    besides = {settling_of(unit): edge.settling_time, SAG: edge.sag}
    stated += [quantity for quantity, rating in besides.items() if rating is not None]
    if not gives_records(setup):
        asked = [quantity for quantity in stated if quantity.own is None and quantity is not TOP_ABERRATION]
        left_out += [
            tr("{quantity}: it takes a record, and the unit gives none.", quantity=_called(quantity))
            for quantity in asked
        ]
        stated = [quantity for quantity in stated if quantity not in asked]
    calibrator, path = setup.bench.calibrator, _sag_path(setup, options)
    if SAG in stated and (path is None or calibrator is None or "square" not in calibrator.functions):
        stated.remove(SAG)
        left_out.append("Sag: it takes the square wave of a calibrator, and a path for it (sag_path).")
    return stated, left_out


def _sag_path(setup: Setup, options: Options) -> str | None:
    """Where the square wave of the sag goes: the edge's path where the calibrator gives that too."""
    if options.source == "calibrator":
        return options.path
    return options.sag_path or ("lead" if "lead" in setup.bench.paths else None)


def _called(quantity: Quantity) -> str:
    name = quantity.rating.name if quantity.rating else quantity.name
    return name[:1].upper() + name[1:]


def _ranges(setup: Setup, options: Options) -> tuple[list[float], list[str]]:
    """The deflection factors for which the source has the height of the edge, and what is to be said of the others."""
    source, divides_by = _source(setup, options), setup.bench.path(options.path).divides_by
    wanted = signal_range(setup.unit, options.volts_per_div)
    every = sorted(setup.unit.volts_per_div)
    given = [volts for volts in every if _height_div(source, volts * divides_by)]
    if options.every_range:
        asked = every
    elif options.volts_per_div is not None or wanted in given or not given:
        asked = [wanted]
    else:  # the nearest that the source has a height for
        asked = [nearest(given, wanted)]
    beyond = [
        tr("{v}/div: the {source} gives no edge of its height.", v=show(v, "V"), source=options.source)
        for v in asked
        if v not in given
    ]
    return [volts for volts in asked if volts in given], beyond


def _height_div(source: Calibrator | Generator, volts_a_div: float) -> float | None:
    """The height of the edge that the source has and a graticule's 0 and 100 % lines are for, or the nearest to it."""
    levels = available_levels(source) if isinstance(source, Calibrator) else None
    if levels is None:
        low, high = source.level_low * (1 - 1e-9), source.level_high * (1 + 1e-9)
        return _EDGE_DIV if low <= _EDGE_DIV * volts_a_div <= high else None
    heights = [round(level / volts_a_div, 9) for level in levels]
    return min((h for h in heights if 3 <= h <= 6), key=lambda h: abs(h - _EDGE_DIV), default=None)


def _source(setup: Setup, options: Options) -> Calibrator | Generator:
    source = setup.bench.calibrator if options.source == "calibrator" else setup.bench.generator
    if source is None or source.edge_rise_time is None:
        raise AnalysisError(
            f"bench {setup.bench.name!r}: the {options.source} gives no fast edge; state its edge_rise_time, "
            "or take the other source."
        )
    return source


def _step(setup: Setup, options: Options, channel: int, volts_per_div: float, quantity: Quantity) -> Measure:
    unit, source = setup.unit, _source(setup, options)
    expected_s = math.hypot(unit.own_rise_time, source.edge_rise_time or 0.0)
    is_rise = quantity in (RISE_TIME, FALL_TIME)
    s_per_div, magnifier = sweep_for(setup, expected_s if is_rise else _wanted_s(setup, quantity, 10 * expected_s))
    slow = quantity is SAG
    path = (_sag_path(setup, options) if slow else None) or options.path
    volts_a_div = volts_per_div * setup.bench.path(path).divides_by
    height_div = _height_div(calibrator_of(setup) if slow else source, volts_a_div) or _EDGE_DIV
    level_vpp = round(height_div * volts_a_div, 9)
    frequency_hz = source.edge_frequency if isinstance(source, Calibrator) else 1e5
    return Measure(
        purpose=quantity.name.replace("_", " "),
        path=path,
        source="calibrator" if slow else options.source,
        stimulus=Square(level_vpp=level_vpp, frequency_hz=rated(unit, Rated).sag_hz)
        if slow
        else FastEdge(level_vpp=level_vpp, frequency_hz=frequency_hz),
        display="unit",
        view=View(
            channel=channel,
            volts_per_div=volts_per_div,
            s_per_div=s_per_div,
            magnifier=magnifier,
            ground_line_div=-height_div / 2,
            trigger=Trigger(slope="falling") if quantity in _FALLING else None,
        ),
        quantity=quantity.name,
        expected=round_to(expected_s, 4) if is_rise else None if quantity in SETTLING else 0.0,
    )


def _wanted_s(setup: Setup, quantity: Quantity, usual_s: float) -> float:
    """The time factor for what is not the edge itself: its rated settling, or two periods of a slow wave."""
    stated = rated(setup.unit, Rated)
    if quantity is SAG:
        return 2.0 / stated.sag_hz / setup.unit.horizontal_div
    if quantity in SETTLING:
        return max((stated.settling_time or 0.0) / _SETTLING_DIV, 0.2 * usual_s)
    return usual_s


def sweep_for(setup: Setup, wanted_s: float) -> tuple[float, float]:
    """The time factor and magnifier that come nearest to what is wanted; the magnifier only where it helps."""
    unit = setup.unit
    plain = [(s, 1.0) for s in unit.s_per_div or (wanted_s,)]
    magnified = [(s, unit.magnifier) for s in unit.s_per_div] if unit.magnifier != 1 else []
    return min(plain + magnified, key=lambda at: (round(abs(math.log(at[0] / at[1] / wanted_s)), 9), at[1]))


def script(setup: Setup, options: Options) -> steps.Sequence[None]:
    """Read every parameter of every channel."""
    yield from read_all(plan(setup, options))
