"""From readings to observations: superseded ones dropped, the reference combined, equal settings merged, drift seen."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from harness.analysis.rounding import format_value_u
from harness.words.language import tr
from sequences.bandwidth.response_model import DB_PER_NEPER, Flag, ResponsePlan, ResponseReading, hertz
from sequences.levelling.reading import mean_variance

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

OPERATOR_MARGIN_DIV = 0.2
DRIFT_SIGNIFICANCE = 3.0
DRIFT_VISITS = 3
# One standard deviation of what is likely: warm instruments, 1 % an hour at a reading a minute.
DRIFT_LIKELY_DB = 0.0015


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """Readings of one setting merged: log frequency, response with its standard deviation, indices of the readings.

    `set_hz` is the frequency that was set, `u_level_db` the level's standard uncertainty, common to all members.
    `spread` is the sum of squared deviations of ln f about its mean, where a person tuned the frequency.
    """

    log_f: float
    y_db: float
    s_db: float
    members: tuple[int, ...]
    set_hz: float
    u_level_db: float
    chi2: float = 0.0
    spread: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """The reference deflection at level 0 dB, its relative uncertainty in dB, and how well its readings agree."""

    deflection_div: float
    s_db: float
    count: int
    chi2: float
    degrees_of_freedom: int
    drift_db_per_reading: float = 0.0
    mean_index: float = 0.0
    u_drift: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Reduced:
    """Everything the fit needs: the reference, the observations in order of frequency, and what was noticed."""

    reference: Reference
    observations: tuple[Observation, ...]
    flags: tuple[Flag, ...]
    active: tuple[int, ...]


def is_reference(reading: ResponseReading, plan: ResponsePlan) -> bool:
    """Say whether a reading belongs to the reference (a re-asked one is known by the frequency it was set to)."""
    return reading.purpose == "reference" or reading.setting[0] == plan.reference_hz


def off_screen(reading: ResponseReading, plan: ResponsePlan) -> bool:
    """Say whether a trace is so high that its ends cannot be trusted; one that fills the screen is."""
    margin_div = OPERATOR_MARGIN_DIV if plan.typed else 0.0
    high = reading.deflection_div > plan.screen_div - margin_div or reading.deflection_div >= plan.screen_div
    return high and not reading.on_line


def superseded(readings: Sequence[ResponseReading]) -> frozenset[int]:
    """Return the indices of readings that a later reading replaces: each re-ask names the one it stands for."""
    return frozenset(reading.replaces for reading in readings if reading.replaces is not None)


def leaving_out(readings: Sequence[ResponseReading], *indices: int) -> list[ResponseReading]:
    """Return the readings but for some of them and for those replaced, as if nothing had been asked again."""
    gone = superseded(readings).union(indices)
    return [
        reading if reading.replaces is None else replace(reading, replaces=None)
        for i, reading in enumerate(readings)
        if i not in gone
    ]


def usable(readings: Sequence[ResponseReading], plan: ResponsePlan) -> tuple[int, ...]:
    """Return the indices of the readings that count: not superseded, on the screen, finite, inside the plan."""
    gone = superseded(readings)
    return tuple(
        index
        for index, reading in enumerate(readings)
        if index not in gone
        and not off_screen(reading, plan)
        and math.isfinite(reading.deflection_div)
        and math.isfinite(reading.level_db)
        and reading.deflection_div >= 0.0
        and 0.0 < reading.frequency_hz < math.inf
    )


def standard_db(reading: ResponseReading, plan: ResponsePlan) -> float:
    """Return the standard uncertainty of one reading in dB, of the deflection that `shown` gives."""
    shown_div = shown(reading, plan)
    reader = plan.reader
    u_div = reader.random_div(shown_div) if reading.on_line else reader.standard_div(shown_div)
    return DB_PER_NEPER * max(u_div, 1e-6 * shown_div) / shown_div


def shown(reading: ResponseReading, plan: ResponsePlan) -> float:
    """Return the deflection, not below half a resolution step or the scatter, so that its logarithm means something."""
    return max(reading.deflection_div, plan.reader.resolution_div / 2.0, plan.reader.scatter_div, 1e-6)


def reduce(readings: Sequence[ResponseReading], plan: ResponsePlan) -> Reduced | None:
    """Combine readings into a reference and observations; None while no reference reading counts."""
    active = usable(readings, plan)
    reference_indices = [
        i for i in active if is_reference(readings[i], plan) and readings[i].deflection_div >= shown(readings[i], plan)
    ]
    flags: list[Flag] = []
    reference_indices = _without_outlier(reference_indices, readings, plan, flags)
    if not reference_indices:
        return None
    reference = _reference(reference_indices, readings, plan)
    reference, drift_flags = _drift(reference, reference_indices, readings, plan)
    flags += drift_flags
    response = [i for i in active if not is_reference(readings[i], plan)]
    observations = _observations(response, readings, plan, reference)
    flags += _discarded(readings, plan)
    return Reduced(reference=reference, observations=observations, flags=tuple(flags), active=active)


def _discarded(readings: Sequence[ResponseReading], plan: ResponsePlan) -> Iterable[Flag]:
    gone = superseded(readings)
    for index, reading in enumerate(readings):
        if index not in gone and off_screen(reading, plan):
            where = tr(
                "{deflection_div:g} div at {frequency_hz}",
                deflection_div=reading.deflection_div,
                frequency_hz=hertz(reading.frequency_hz),
            )
            yield Flag(
                code="off_screen",
                sentence=tr("{where} is off the screen or clipped: not used. Lower the level.", where=where),
            )


def _without_outlier(
    indices: list[int], readings: Sequence[ResponseReading], plan: ResponsePlan, flags: list[Flag]
) -> list[int]:
    """Drop reference readings that three or more others put far from their median, and say so."""
    if len(indices) < 3:
        return indices
    levels_db = {i: DB_PER_NEPER * math.log(readings[i].deflection_div) - readings[i].level_db for i in indices}
    ordered = sorted(levels_db.values())
    median_db = 0.5 * (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2])
    kept = [i for i in indices if abs(levels_db[i] - median_db) <= max(4.5 * standard_db(readings[i], plan), 0.1)]
    if 2 * len(kept) <= len(indices):
        return indices
    flags += [
        Flag(
            code="reference_outlier",
            sentence=tr(
                "The reference reading of {deflection_div:g} div disagrees with the others by "
                "{levels_db:+.2f} dB: not used.",
                deflection_div=readings[i].deflection_div,
                levels_db=levels_db[i] - median_db,
            ),
        )
        for i in indices
        if i not in kept
    ]
    return kept


def _reference(indices: Sequence[int], readings: Sequence[ResponseReading], plan: ResponsePlan) -> Reference:
    """Combine the reference readings, weighted by group of equal level, as ln(deflection) at level 0."""
    groups: dict[tuple[float, bool], list[int]] = defaultdict(list)
    for i in indices:
        groups[(readings[i].setting[1], readings[i].on_line)].append(i)
    means: list[tuple[float, float]] = []
    chi2 = 0.0
    for (_, on_line), members in groups.items():
        values = [DB_PER_NEPER * math.log(readings[i].deflection_div) - readings[i].level_db for i in members]
        s_db = [standard_db(readings[i], plan) for i in members]
        mean = math.fsum(values) / len(values)
        means.append((mean, mean_variance(s_db, 0.0 if on_line else floor_db(readings[members[0]], plan))))
        chi2 += math.fsum(((v - mean) / s) ** 2 for v, s in zip(values, s_db, strict=True))
    weight = math.fsum(1.0 / variance for _, variance in means)
    mean_db = math.fsum(value / variance for value, variance in means) / weight
    chi2 += math.fsum((value - mean_db) ** 2 / variance for value, variance in means)
    return Reference(
        deflection_div=math.exp(mean_db / DB_PER_NEPER),
        s_db=math.sqrt(1.0 / weight),
        count=len(indices),
        chi2=chi2,
        degrees_of_freedom=len(indices) - 1,
        mean_index=math.fsum(indices) / len(indices),
    )


def floor_db(reading: ResponseReading, plan: ResponsePlan) -> float:
    """Return the rounding floor of a setting in dB."""
    shown_div = shown(reading, plan)
    return DB_PER_NEPER * plan.reader.floor_div(shown_div) / shown_div


def visits(indices: Sequence[int]) -> int:
    """Count the separate visits to the reference frequency: runs of consecutive readings."""
    return sum(1 for n, i in enumerate(indices) if n == 0 or i != indices[n - 1] + 1)


def _drift(
    reference: Reference, indices: Sequence[int], readings: Sequence[ResponseReading], plan: ResponsePlan
) -> tuple[Reference, list[Flag]]:
    """Regress the reference on the order of the readings: the line is corrected, its uncertainty always carried.

    Equation (20). A slope that is not certain is held to what instruments are likely to do. One that is, and was seen
    in less than three visits, may as well not have been a straight line.
    """
    if len(indices) < 2:
        return replace(reference, u_drift=DRIFT_LIKELY_DB), []
    scale = [1.0 / standard_db(readings[i], plan) ** 2 for i in indices]
    total = math.fsum(scale)
    mean_index = math.fsum(w * i for w, i in zip(scale, indices, strict=True)) / total
    values = [DB_PER_NEPER * math.log(readings[i].deflection_div) - readings[i].level_db for i in indices]
    sxx = math.fsum(w * (i - mean_index) ** 2 for w, i in zip(scale, indices, strict=True))
    sxy = math.fsum(w * (i - mean_index) * v for w, i, v in zip(scale, indices, values, strict=True))
    slope, u_slope = sxy / sxx, 1.0 / math.sqrt(sxx)
    if abs(slope) <= DRIFT_SIGNIFICANCE * u_slope:
        held = 1.0 / (1.0 + (u_slope / DRIFT_LIKELY_DB) ** 2)
        return replace(reference, drift_db_per_reading=held * slope, u_drift=math.sqrt(held) * u_slope), []
    straight = visits(indices) >= DRIFT_VISITS
    mean_db = math.fsum(w * v for w, v in zip(scale, values, strict=True)) / total
    corrected = replace(
        reference,
        deflection_div=math.exp(mean_db / DB_PER_NEPER),
        chi2=max(0.0, reference.chi2 - slope * sxy),
        degrees_of_freedom=reference.degrees_of_freedom - 1,
        drift_db_per_reading=slope,
        mean_index=mean_index,
        u_drift=u_slope if straight else math.hypot(u_slope, slope / math.sqrt(3.0)),
    )
    span = indices[-1] - indices[0]
    drifted = format_value_u(slope * span, 2.0 * u_slope * span, "dB", signed=True)
    if not straight:
        sentence = tr(
            "The reference drifted by {drifted}, seen too seldom to tell how: taken as a straight "
            "line give or take all of it. Let the instruments warm up and repeat.",
            drifted=drifted,
        )
        return corrected, [Flag(code="drift", sentence=sentence)]
    sentence = tr(
        "The reference drifted by {drifted} over the readings; corrected as a straight line.", drifted=drifted
    )
    return corrected, [Flag(code="drift_corrected", sentence=sentence)]


def _observations(
    indices: Sequence[int], readings: Sequence[ResponseReading], plan: ResponsePlan, reference: Reference
) -> tuple[Observation, ...]:
    reference_db = DB_PER_NEPER * math.log(reference.deflection_div)
    groups: dict[tuple[float, ...], list[int]] = defaultdict(list)
    for i in indices:
        reading = readings[i]
        tuned = reading.on_line and plan.line == "frequency"
        set_hz, set_level_db = reading.setting
        setting = (reading.deflection_div, -1.0) if tuned else (set_hz, float(reading.on_line))
        groups[(*setting, set_level_db)].append(i)
    merged: list[Observation] = []
    for members in groups.values():
        y = [
            DB_PER_NEPER * math.log(shown(readings[i], plan))
            - readings[i].level_db
            - reference_db
            - reference.drift_db_per_reading * (i - reference.mean_index)
            for i in members
        ]
        log_f = [math.log(readings[i].frequency_hz) for i in members]
        s_db = [standard_db(readings[i], plan) for i in members]
        first = readings[members[0]]
        y_mean, log_mean = math.fsum(y) / len(y), math.fsum(log_f) / len(log_f)
        merged.append(
            Observation(
                log_f=log_mean,
                y_db=y_mean,
                s_db=math.sqrt(mean_variance(s_db, 0.0 if first.on_line else floor_db(first, plan))),
                members=tuple(members),
                set_hz=first.setting[0],
                u_level_db=math.hypot(first.u_level_db, plan.u_level_db),
                chi2=math.fsum(((v - y_mean) / s) ** 2 for v, s in zip(y, s_db, strict=True)),
                spread=math.fsum((v - log_mean) ** 2 for v in log_f),
            )
        )
    return tuple(sorted(merged, key=lambda o: (o.log_f, o.y_db)))
