"""A unit over the years in words: drift, prediction, when a limit is left; the same in every rendering.   [pure]"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from typing import TYPE_CHECKING, Final

from harness.analysis.rounding import format_pair
from harness.analysis.verdict import Limits
from harness.quantities import counted
from harness.report import shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from harness.analysis.drift import Drift, Leaving
    from harness.years.history import History, Series, StandardUse, Track, TrackEntry
    from harness.years.records.rows import ResultRow

EXTRAPOLATED: Final = (
    "Drifts and dates are extrapolations: they hold if a unit goes on as it did. They are no verdicts; those come "
    "from results alone."
)
LEGEND: Final = (
    "Filled marks: as found; open squares: as left; bars: expanded uncertainty. The line is the drift, its band 95 % "
    "for where the unit is; dashed: beyond the last result. Lines across the picture: limits. ✗ and ? over a bar: "
    "a verdict fail or undecided."
)
_FAR_YEARS: Final = 10  # from which a month would claim too much


def scale(track: Track) -> tuple[float, str]:
    """What a track's numbers are divided by to be read, and their unit then."""
    if track.unit != "Hz":
        return 1.0, track.unit
    return shown.frequency_scale(max(abs(entry.row.result or 0.0) for entry in track.entries))


def result_text(track: Track, entry: TrackEntry | None = None, *, bare: bool = False) -> str:
    """A result, or the last one, with uncertainty and unit; bare, without the unit, for a column that names it."""
    factor, unit = scale(track)
    row = (entry or track.entries[-1]).row
    value, expanded = (row.result or 0.0) / factor, (row.expanded_u or 0.0) / factor
    if not expanded > 0.0:
        return shown.number(value, "" if bare else unit)
    return _pair(value, expanded, "" if bare else unit, signed=track.is_error)


def drift_text(track: Track, series: Series, *, bare: bool = False) -> str:
    """The drift of a series a year, or a dash."""
    drift = series.drift
    if drift is None:
        return "–"
    factor, unit = scale(track)
    return _pair(drift.per_year / factor, drift.expanded_per_year / factor, "" if bare else f"{unit}/year", signed=True)


def _pair(value: float, expanded: float, unit: str, *, signed: bool) -> str:
    number, u = format_pair(value, expanded, signed=signed)
    return f"({shown.signed(number)} ± {u}) {unit}" if unit else f"{shown.signed(number)} ± {u}"


def drift_words(track: Track, series: Series) -> str:
    """What is said of the drift of a series, as a sentence."""
    drift = series.drift
    if drift is None:
        return f"No drift is stated: {series.why_not}."
    said = "Drifts by" if drift.significant else "No drift beyond its uncertainty:"
    scatter = f" (Birge ratio {shown.number(drift.line.birge, '', 2)})"
    wide = f" The results scatter more than their uncertainties say{scatter}." if drift.scattered else ""
    return f"{said} {drift_text(track, series)}.{wide} {leaving_words(drift)}".strip()


def notes(tracks: Sequence[Track], *, drawn: bool) -> Iterator[str]:
    """How the tables and pictures are read, and why no drift is stated: a sentence a reason, and of how many points."""
    if drawn:
        yield LEGEND
    reasons = Counter(track.latest.why_not for track in tracks if track.latest.drift is None)
    for reason, count in reasons.items():
        yield f"No drift is stated of {counted(count, 'point')}: {reason}."
    if any(len(track.series) > 1 for track in tracks):
        yield "n counts the results since the last adjustment."
    yield EXTRAPOLATED


def track_words(track: Track) -> str:
    """What is said of a point: its drift, and where nothing can be said of it yet, that before the adjustment."""
    said = drift_words(track, track.latest)
    before = track.series[-2] if len(track.series) > 1 and track.latest.drift is None else None
    if before is None or before.drift is None or not before.drift.significant:
        return said
    return f"{said} Before the last adjustment it drifted by {drift_text(track, before)}."


def leaving_words(drift: Drift) -> str:
    """When the limit is reached, as a sentence; nothing where no limit is known."""
    leaving = drift.leaving
    if leaving is None:
        return ""
    last = drift.results[-1].day
    side = "lower" if leaving.side == "low" else "upper"
    earliest = leaving.earliest
    if earliest == last:
        when = "was passed" if leaving.expected == last else "may have been reached"
        return f"Its {side} limit {when} by {last}, the last result."
    if earliest is None:
        return "It keeps its limits for 25 years, if it goes on so."
    if not drift.significant or leaving.expected is None:
        return f"Its {side} limit is not reached before {month(earliest, last)}, if it goes on so."
    return (
        f"Reaches its {side} limit about {month(leaving.expected, last)}, at the earliest {month(earliest, last)}, if "
        "it goes on so."
    )


def leaving_text(drift: Drift | None) -> str:
    """The same for a table: the expected date, and the earliest one in brackets."""
    leaving: Leaving | None = drift.leaving if drift is not None else None
    if drift is None or leaving is None:
        return "–"
    last = drift.results[-1].day
    if leaving.earliest is None:
        return "not in 25 years"
    if leaving.expected == last:
        return "passed"
    earliest = "now" if leaving.earliest == last else month(leaving.earliest, last)
    if leaving.expected is None or not drift.significant:
        return f"from {earliest}" if earliest != "now" else "may be now"
    return f"{month(leaving.expected, last)} (from {earliest})"


def month(day: dt.date, last: dt.date) -> str:
    """A predicted day, no finer than a prediction is: to the month, far out to the year."""
    return str(day.year) if day.year - last.year > _FAR_YEARS else f"{day:%Y-%m}"


def title(history: History) -> str:
    """What the history is of."""
    where = history.where
    named = [f"{name} {value}" for name in ("maker", "model", "bench") if (value := getattr(where, name))]
    if where.serial:
        unit = history.units[0]
        named = [f"{unit.maker} {unit.model}, no. {unit.serial}"]
    if where.standard:
        named.append(f"standard {where.standard}")
    period = [f"since {where.since}"] if where.since else []
    period += [f"until {where.until}"] if where.until else []
    return "History: " + (", ".join([*named, *period]) or "every unit")


def headline(history: History, today: dt.date) -> str:
    """The history in one sentence."""
    runs = sum(len(unit.runs) for unit in history.units)
    said = [f"{counted(runs, 'run')} of {counted(len(history.units), 'unit')}"]
    if history.tracks:
        followed = [track.latest.drift for track in history.tracks if track.latest.drift is not None]
        drifting = sum(drift.significant for drift in followed)
        if followed:
            said.append(f"{drifting} of {counted(len(followed), 'point')} drift{'s' if drifting == 1 else ''}")
        if short := len(history.tracks) - len(followed):
            said.append(f"no drift can be stated yet of {counted(short, 'point')}")
    late = sum(overdue(unit.due, today) for unit in history.units)
    if late:
        said.append(f"{counted(late, 'unit')} overdue")
    certificates = sum(overdue(row.due, today) for row in history.standards)
    if certificates:
        said.append(f"{counted(certificates, 'certificate')} run out")
    if history.unfinished:
        said.append(f"{counted(history.unfinished, 'run')} without an end left out")
    return "; ".join(said) + "."


def marks(history: History) -> tuple[str, ...]:
    """What every page must be marked with."""
    return (shown.SIMULATED,) if history.simulated else ()


def overdue(due: dt.date | None, today: dt.date) -> bool:
    """Whether a day that something is due on has passed."""
    return due is not None and due < today


def tally(results: Iterable[ResultRow]) -> str:
    """How often each word was said: "9 pass, 1 fail"."""
    return ", ".join(f"{n} {word}" for word, n in shown.tallied(row.verdict for row in results)) or "nothing judged"


def use_points(use: StandardUse) -> str:
    """The results of a run that did not pass, by name."""
    return "; ".join(
        f"{row.verdict}: {row.quantity}, channel {row.channel}, {row.setting}"
        for row in use.results
        if row.verdict not in ("pass", "not measured")
    )


def alt(track: Track) -> str:
    """What a track's picture shows, in numbers for a listener."""
    entries = track.entries
    last = entries[-1].row
    span = f"{counted(len(entries), 'result')}, {entries[0].day} to {entries[-1].day}"
    left = sum(entry.as_left for entry in entries)
    adjusted = f", {left} of them as left after an adjustment" if left else ""
    factor, unit = scale(track)
    limits = track.limits
    if limits is not None and factor != 1.0:
        low, high = (None if side is None else side / factor for side in (limits.low, limits.high))
        limits = Limits(low=low, high=high)
    return (
        f"{shown.capital(track.name)}: {span}{adjusted}. Last {result_text(track)}, "
        f"{last.verdict or 'not judged'}; limits {shown.limits_text(limits, unit)}. {track_words(track)}"
    )
