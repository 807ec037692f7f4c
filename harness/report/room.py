"""The room at the moments of the readings: by the bench's meter, or by a logger's table.   [pure]

What the meter said stands in the journal with each reading. A logger's table comes beside the journal when a report is
made, and the report has its digest.
"""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import math
import re
from bisect import bisect_left
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Final, Literal, TypeAlias

from harness.errors import ConfigError
from harness.journal.journal import Contents, Record
from harness.models import Job
from harness.report import issued
from harness.report.model import Fact, FactGroup, PartResult, Report, Result
from harness.report.particulars import ALONE, hundred
from harness.report.readings import name_of
from harness.steps import RETURN, ROOM_C, ROOM_HUMIDITY, Measure, Reading
from harness.words.language import localised, tr, tr_count, tr_later
from harness.words.moments import in_utc

LONGEST_GAP: Final = dt.timedelta(minutes=30)
"""Between two rows that stand for the time between them; common practice: loggers write every 1 to 15 minutes."""
_PREAMBLE: Final = 50  # lines before the columns are named
_OFFSET: Final = re.compile(r"(utc|z|[+-]\d\d:\d\d)$")
_NAMED: Final = ("time", "temperature", "humidity")
_GROUP: Final = "Conditions"
_BY_METER: Final = tr_later("Room by its meter")

State: TypeAlias = Literal["inside", "outside", "not logged"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What a logger wrote down."""

    at: dt.datetime  # UTC
    temperature: float  # °C
    humidity: float | None = None  # percent


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """A logger's table."""

    name: str
    sha256: str
    rows: tuple[Row, ...]  # by time

    def at(self, moment: dt.datetime) -> Row | None:
        """The room at a moment, between its two neighbours; None where they are too far apart, or one is missing."""
        place = bisect_left(self.rows, moment, key=lambda row: row.at)
        if place < len(self.rows) and self.rows[place].at == moment:
            return self.rows[place]
        if not 0 < place < len(self.rows):
            return None
        before, after = self.rows[place - 1 : place + 1]
        if after.at - before.at > LONGEST_GAP:
            return None
        share = (moment - before.at) / (after.at - before.at)
        humid = None
        if before.humidity is not None and after.humidity is not None:
            humid = before.humidity + share * (after.humidity - before.humidity)
        warm = before.temperature + share * (after.temperature - before.temperature)
        return Row(at=moment, temperature=warm, humidity=humid)


_At: TypeAlias = Callable[[Record], Row | None]  # the room at a reading


# --- reading -----------------------------------------------------------------------------------------------------


def parse(data: bytes, name: str) -> Room:
    """Read a logger's table; ConfigError with the line of what cannot be read."""
    try:
        lines = data.decode("utf-8-sig").splitlines()
    except UnicodeDecodeError:
        raise ConfigError(f"{name}: is no UTF-8 text; save the logger's table as CSV in UTF-8") from None
    first = next(
        (n for n, line in enumerate(lines[:_PREAMBLE]) if line.strip(' "').casefold().startswith("time")), None
    )
    if first is None:
        raise ConfigError(f"{name}: no line names the columns; expected 'time UTC,temperature,humidity'")
    between = ";" if ";" in lines[first] else "\t" if "\t" in lines[first] else ","
    reader = csv.reader(lines[first:], delimiter=between)
    columns = [cell.strip().casefold() for cell in next(reader)]
    places = {key: next((n for n, cell in enumerate(columns) if cell.startswith(key)), None) for key in _NAMED}
    if places["temperature"] is None:
        raise ConfigError(f"{name}:{first + 1}: there is no column 'temperature'; expected it in °C")
    stated = _OFFSET.search(columns[0].replace(" ", ""))
    zone = "" if stated is None else "+00:00" if stated[1] in ("utc", "z") else stated[1]
    rows = []
    for cells in reader:
        where = f"{name}:{first + reader.line_num}"
        if any(cell.strip() for cell in cells) and (row := _row(cells, places, zone, where)) is not None:
            rows.append(row)
    if not rows:
        raise ConfigError(f"{name}: holds no row with a time and a temperature; expected the hours of the run")
    rows.sort(key=lambda row: row.at)
    return Room(name=name, sha256=hashlib.sha256(data).hexdigest(), rows=tuple(rows))


def _row(cells: Sequence[str], places: Mapping[str, int | None], zone: str, where: str) -> Row | None:
    def cell(key: str) -> str:
        place = places[key]
        return cells[place].strip() if place is not None and place < len(cells) else ""

    try:
        at = dt.datetime.fromisoformat(cell("time"))
        at = at if at.tzinfo or not zone else dt.datetime.fromisoformat(f"{at.isoformat()}{zone}")
    except ValueError:
        raise ConfigError(f"{where}: {cell('time')[:40]!r} is no time; expected such as 2026-11-25 18:00:00") from None
    if at.tzinfo is None:
        raise ConfigError(f"{where}: a time of which zone? Call the column 'time UTC' or 'time +01:00'")
    numbers: list[float | None] = []
    for key, low, high in (("temperature", -40.0, 80.0), ("humidity", 0.0, 100.0)):
        text = cell(key).replace(",", ".").rstrip("°C% ")
        try:
            numbers.append(float(text) if text else None)
        except ValueError:
            numbers.append(math.nan)
        if (number := numbers[-1]) is not None and not low <= number <= high:
            raise ConfigError(f"{where}: {cell(key)[:40]!r} is no {key}; expected a number from {low:g} to {high:g}")
    warm, humid = numbers
    return None if warm is None else Row(at=at.astimezone(dt.UTC), temperature=warm, humidity=humid)


# --- tied to the readings ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tied:
    """A reading, and the room then."""

    at: dt.datetime
    step: Measure
    room: Row | None
    said: str  # how it was outside; "" if it was not
    far: float = 0.0  # how many times as far from the middle as allowed, the farthest

    @property
    def state(self) -> State:
        return "not logged" if self.room is None else "outside" if self.said else "inside"


_MINUTE: Final = "%Y-%m-%d %H:%M"


def with_room(report: Report, contents: Contents, room: Room) -> Report:
    """The report with the room at its readings, and with the points that were read outside its limits marked.

    Raises ConfigError where the table holds nothing of the run: it is another day's, or its zone is another.
    """
    rows = [row.at for row in room.rows]
    moments = [in_utc(record.at) for record in contents.records if isinstance(record.reply, Reading)]
    if moments and (max(moments) < min(rows) or max(rows) < min(moments)):
        run, logged = (f"{min(some):{_MINUTE}} to {max(some):{_MINUTE}} UTC" for some in (moments, rows))
        raise ConfigError(
            f"{room.name}: holds nothing of the run, {run}; its rows are of {logged}: name that day's table, "
            "and look at its zone"
        )
    by = f"by {room.name}, {issued.digest(room.sha256)}"
    told = _told_of(report, contents, lambda record: room.at(in_utc(record.at)), tr("Room by a logger"), by)
    facts = tuple(
        replace(
            group,
            facts=tuple(
                replace(f, text=f.text.replace(tr(ALONE), tr("from the record of the run and {room}", room=room.name)))
                for f in group.facts
            ),
        )
        for group in told.facts
    )
    return replace(told, facts=facts)


def by_meter(report: Report, contents: Contents) -> Report:
    """The same by the bench's own meter, as the journal has it; as it is where the bench has none."""
    meter = report.setup.bench.meter
    if meter is None:
        return report
    return _told_of(report, contents, _by_meter, _BY_METER, f"by {meter.label}")


def metered(contents: Contents) -> bool:
    """Whether the meter of the room has answered at any reading."""
    return any(isinstance(record.reply, Reading) and ROOM_C in record.reply.more for record in contents.records)


def _by_meter(record: Record) -> Row | None:
    more = record.reply.more if isinstance(record.reply, Reading) else {}
    if ROOM_C not in more:
        return None
    return Row(at=in_utc(record.at), temperature=more[ROOM_C], humidity=more.get(ROOM_HUMIDITY))


def _told_of(report: Report, contents: Contents, at: _At, name: str, by: str) -> Report:
    job = report.setup.job
    tied = {part.name: tuple(_tied(part, contents, at, job)) for part in report.parts}
    every = sorted((one for some in tied.values() for one in some), key=lambda one: one.at)
    fact = Fact(name=name, text=_summary(every, by), clause="7.8.4.1 b")
    return replace(
        report,
        parts=tuple(replace(part, results=tuple(_marked(part, tied[part.name]))) for part in report.parts),
        facts=_added(report.facts, (fact,)),
        deviations=(*report.deviations, *_told(every)),
    )


def stays(facts: Sequence[FactGroup], before: Sequence[FactGroup]) -> tuple[FactGroup, ...]:
    """The facts with what the meter said, which those before held."""
    return _added(facts, [fact for group in before for fact in group.facts if fact.name == _BY_METER])


def _added(groups: Sequence[FactGroup], facts: Sequence[Fact]) -> tuple[FactGroup, ...]:
    if facts and not any(group.title == _GROUP for group in groups):
        return (*groups, FactGroup(title=_GROUP, facts=tuple(facts)))
    return tuple(replace(each, facts=(*each.facts, *facts)) if each.title == _GROUP else each for each in groups)


def _tied(part: PartResult, contents: Contents, of: _At, job: Job) -> Iterator[_Tied]:
    for record in contents.replies(part.name):
        if isinstance(record.step, Measure) and isinstance(record.reply, Reading):
            at = in_utc(record.at)
            then = of(record)
            said = [] if then is None else list(_outside(then, job))
            far = max((each for each, _ in said), default=0.0)
            yield _Tied(at=at, step=record.step, room=then, said=tr(" and ").join(words for _, words in said), far=far)


def _outside(room: Row, job: Job) -> Iterator[tuple[float, str]]:
    """How far and how the room was outside what the job says it stayed within."""
    stated = job.environment
    for value, middle, within, digits, unit in (
        (room.temperature, stated.temperature, stated.temperature_within, 1, " °C"),
        (room.humidity, hundred(stated.humidity), hundred(stated.humidity_within), 0, tr(" % humidity")),
    ):
        if value is not None and middle is not None and within is not None:
            off = abs(value - middle)
            if off > within + 1e-9:
                at = localised(f"{value:.{digits}f}{unit}")
                said = tr("{at}, not {middle:g} ± {within:g}{unit}", at=at, middle=middle, within=within, unit=unit[:3])
                yield off / max(within, 1e-9), said


def _marked(part: PartResult, tied: Sequence[_Tied]) -> Iterator[Result]:
    """The results of a part, each with how the room was at its readings where that is to be said."""
    of_point: dict[object, list[_Tied]] = {}
    of_channel: dict[int, list[_Tied]] = {}
    for one in tied:
        step = one.step
        if step.purpose != RETURN:
            of_point.setdefault((name_of(step), step.path, step.view, step.stimulus), []).append(one)
        if step.display == "unit":
            of_channel.setdefault(step.view.channel, []).append(one)
    for result in part.results:
        point = result.quantity, result.path, result.view, result.stimulus
        rests_on = of_point.get(point) or of_channel.get(result.channel, [])
        said = [tr("the room was at {said}", said=one.said) for one in rests_on if one.said][:1]
        said += [tr("the room was not logged")] if any(one.room is None for one in rests_on) else []
        yield replace(result, remarks=(*result.remarks, *said)) if said else result


def _summary(every: Sequence[_Tied], by: str) -> str:
    logged = [one.room for one in every if one.room is not None]
    if not logged:
        return tr("not logged at any reading, {by}", by=by)
    warm = [row.temperature for row in logged]
    humid = [row.humidity for row in logged if row.humidity is not None]
    text = tr("{warm:.1f} °C to {warm_2:.1f} °C", warm=min(warm), warm_2=max(warm))
    text += (
        tr(", {humid:.0f} % to {humid_2:.0f} % relative humidity", humid=min(humid), humid_2=max(humid))
        if humid
        else ""
    )
    return tr(
        "{text}, at {readings} of {count}, {by}",
        text=text,
        readings=tr_count(len(logged), "reading"),
        count=len(every),
        by=by,
    )


def _told(every: Sequence[_Tied]) -> Iterator[str]:
    """Each departure and each stretch that was not logged, with the readings that it touches."""
    for state, some in groupby(every, key=lambda one: one.state):
        there = list(some)
        span = tr("from {at:%Y-%m-%d %H:%M:%S} to {at_2:%H:%M:%S} UTC", at=there[0].at, at_2=there[-1].at)
        readings = tr("{readings}, marked at the points", readings=tr_count(len(there), "reading"))
        if state == "outside":
            farthest = max(there, key=lambda one: one.far)
            yield tr(
                "The room left its limits: {said} at the farthest; {span}, {readings}.",
                said=farthest.said,
                span=span,
                readings=readings,
            )
        elif state == "not logged":
            yield tr("The room was not logged {span}: {readings}.", span=span, readings=readings)
