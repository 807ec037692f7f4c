"""How a point moves over the years: drift, what it will be at a date, when it is expected to leave its limits.   [pure]

Equation numbers refer to docs/history.md.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal, Protocol, TypeVar

import numpy as np

from harness.analysis.estimate import coverage_factor
from harness.analysis.line_fit import SharedLineFit, straight_line_shared
from harness.analysis.special import chdtri
from harness.analysis.verdict import Limits
from harness.errors import AnalysisError

if TYPE_CHECKING:
    import numpy.typing as npt

PROBABILITY: Final = 0.95
DAYS_A_YEAR: Final = 365.25
LEAST_RESULTS: Final = 3
FURTHEST_YEARS: Final = 25.0  # beyond the last result; a straight line says nothing that far out
_BY_CHANCE: Final = 0.05
_BISECTIONS: Final = 24  # of 25 years: to a minute


class Dated(Protocol):
    """Anything of a day, before an adjustment or after it."""

    @property
    def day(self) -> dt.date:
        """The day of the result."""

    @property
    def as_left(self) -> bool:
        """Whether it is of the unit after an adjustment."""


D = TypeVar("D", bound=Dated)


@dataclass(frozen=True, slots=True, kw_only=True)
class DatedResult:
    """One result of a point, with its standard uncertainty and the parts of it that other results share."""

    day: dt.date
    value: float
    u: float
    shared: tuple[tuple[str, float], ...] = ()  # name of an error, and its standard uncertainty here
    as_left: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """What the line gives for a day: the value, and the 95 % intervals of it and of one further result."""

    day: dt.date
    value: float
    u: float
    expanded: float
    u_result: float
    expanded_result: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Leaving:
    """When a limit is reached: by the line, and at the earliest by the prediction interval. An extrapolation."""

    side: Literal["low", "high"]
    limit: float
    expected: dt.date | None  # None: not within `FURTHEST_YEARS`
    earliest: dt.date | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """A straight line through the results of one series, in years from `epoch`."""

    line: SharedLineFit
    epoch: dt.date
    results: tuple[DatedResult, ...]
    per_year: float
    u_per_year: float
    k: float
    probability: float
    u_own: float  # of one further result, the part that is its own, as it was on the average so far
    leaving: Leaving | None

    @property
    def expanded_per_year(self) -> float:
        """Expanded uncertainty of the drift per year."""
        return self.k * self.u_per_year

    @property
    def significant(self) -> bool:
        """Whether the drift exceeds its expanded uncertainty; else the results agree with no drift at all."""
        return abs(self.per_year) > self.expanded_per_year

    @property
    def scattered(self) -> bool:
        """Whether the results scatter more than stated, by more than chance brings about in one of twenty series."""
        stated = self.line.birge**2 - self.line.excess  # the mean square that the stated parts lead one to expect
        if self.line.excess <= 0.0:
            return False
        return stated <= 0.0 or self.line.dof * self.line.birge**2 / stated > float(chdtri(self.line.dof, _BY_CHANCE))

    def predict(self, day: dt.date) -> Prediction:
        """Return the value of the line on a day, with the intervals of equations (6) and (7)."""
        return self._predict(_years(self.epoch, day), day)

    def _predict(self, x: float, day: dt.date) -> Prediction:
        own, shared = self.line.own.u_at(x), self.line.shared.u_at(x)
        u = math.hypot(own, shared)
        own_result = math.hypot(own, self.u_own)
        u_result = math.hypot(own_result, shared)
        k = coverage_factor(self.probability, self.line.dof_of(own, u))
        k_result = coverage_factor(self.probability, self.line.dof_of(own_result, u_result))
        return Prediction(
            day=day,
            value=self.line.at(x),
            u=u,
            expanded=k * u,
            u_result=u_result,
            expanded_result=k_result * u_result,
        )


def series_of(results: Iterable[D]) -> tuple[tuple[D, ...], ...]:
    """
    Divide the results of a point at its adjustments, in the order of time.

    A result as left begins a series; the result as found of the same day, before the adjustment, ends the one before.
    Results of one day that are alike in this stay in the order in which they are given.
    """
    series: list[list[D]] = []
    for each in sorted(results, key=lambda one: (one.day, one.as_left)):
        if each.as_left or not series:
            series.append([])
        series[-1].append(each)
    return tuple(tuple(some) for some in series)


def fit_drift(
    results: Sequence[DatedResult], limits: Limits | None = None, *, probability: float = PROBABILITY
) -> Drift:
    """
    Fit the drift of one series.

    Parameters
    ----------
    results
        Results of one point between two adjustments, in one unit.
    limits
        Limits that the point must keep, in the unit of the results; None where nothing is rated.
    probability
        Coverage probability of every interval.

    Raises
    ------
    AnalysisError
        Fewer than three results, all of one day, an uncertainty that is not positive, or a shared part larger than
        the uncertainty that it is part of.

    References
    ----------
    Equations (1) to (8) of docs/history.md.
    """
    ordered = tuple(sorted(results, key=lambda one: one.day))
    if len(ordered) < LEAST_RESULTS:
        raise AnalysisError(f"a drift needs at least {LEAST_RESULTS} results, and there are {len(ordered)}")
    if ordered[0].day == ordered[-1].day:
        raise AnalysisError(f"a drift needs results of different days, and all are of {ordered[0].day}")
    if any(not (each.u > 0.0) for each in ordered):
        raise AnalysisError("a drift needs results with an uncertainty")
    epoch = dt.date.fromordinal(round(math.fsum(each.day.toordinal() for each in ordered) / len(ordered)))
    names = list(dict.fromkeys(name for each in ordered for name, _ in each.shared))
    line = straight_line_shared(
        [_years(epoch, each.day) for each in ordered],
        [each.value for each in ordered],
        [each.u for each in ordered],
        _rows(ordered, names),
    )
    u_slope = line.u_slope
    drift = Drift(
        line=line,
        epoch=epoch,
        results=ordered,
        per_year=line.own.slope,
        u_per_year=u_slope,
        k=coverage_factor(probability, line.dof_of(line.own.u_slope, u_slope)),
        probability=probability,
        u_own=_own_of_one(ordered, line.excess),
        leaving=None,
    )
    return drift if limits is None else _with_leaving(drift, limits)


def _rows(results: Sequence[DatedResult], names: Sequence[str]) -> npt.NDArray[np.float64]:
    """Shape (names, results); two lines of one name in one result add as squares."""
    rows = np.zeros((len(names), len(results)))
    for column, each in enumerate(results):
        for name, u in each.shared:
            row = names.index(name)
            rows[row, column] = math.hypot(rows[row, column], u)
    return rows


def _own_of_one(results: Sequence[DatedResult], excess: float) -> float:
    """The part of one further result's uncertainty that is its own, as it was on the average so far."""
    own = [max(each.u**2 - math.fsum(u**2 for _, u in each.shared), 0.0) + excess * each.u**2 for each in results]
    return math.sqrt(math.fsum(own) / len(own))


def _years(epoch: dt.date, day: dt.date) -> float:
    return (day - epoch).days / DAYS_A_YEAR


def _with_leaving(drift: Drift, limits: Limits) -> Drift:
    """The side whose limit may be left first, by the prediction interval."""
    sides: tuple[tuple[Literal["low", "high"], float | None], ...] = (("low", limits.low), ("high", limits.high))
    found = [_leaving(drift, side, limit) for side, limit in sides if limit is not None]
    soonest = min(found, key=lambda each: (each.earliest or dt.date.max, each.expected or dt.date.max))
    return replace(drift, leaving=soonest)


def _leaving(drift: Drift, side: Literal["low", "high"], limit: float) -> Leaving:
    """Equation (8): where the line, and where the outer edge of its prediction interval, meets a limit."""
    sign = 1.0 if side == "high" else -1.0
    last = drift.results[-1].day
    start = _years(drift.epoch, last)

    def line(x: float) -> float:
        return sign * (limit - drift.line.at(x))

    def edge(x: float) -> float:
        return line(x) - drift._predict(x, last).expanded_result

    return Leaving(
        side=side, limit=limit, expected=_day(drift.epoch, start, line), earliest=_day(drift.epoch, start, edge)
    )


def _day(epoch: dt.date, start: float, room: Callable[[float], float]) -> dt.date | None:
    """The day on which a concave function of time falls to zero after `start`; None beyond `FURTHEST_YEARS`."""
    low, high = start, start + FURTHEST_YEARS
    if room(low) <= 0.0:
        high = low
    elif room(high) > 0.0:
        return None
    for _ in range(_BISECTIONS if high > low else 0):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if room(middle) > 0.0 else (low, middle)
    return epoch + dt.timedelta(days=math.floor(low * DAYS_A_YEAR + 1e-6))
