"""The history of units as a page: what is due, and each point over the years.   [pure]"""

from __future__ import annotations

import datetime as dt
from itertools import groupby
from typing import TYPE_CHECKING

from harness.report import blocks as b
from harness.report import shown, trends
from harness.report.markup import html
from harness.report.trend_plot import trend_picture
from harness.words.clean import shortened

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from harness.years.history import History, StandardUse, Track


def history_page(history: History, *, today: dt.date, program: str) -> str:
    """A history as of a day, as HTML; the same history gives the same bytes."""
    title, made = trends.title(history), f"Halfpower {program}"
    return html(
        b.Page(
            title=shortened(title, 160), heading=title, beside=f"as of {today}", program=made,
            running=f"{shortened(title, 60)} · as of {today}", marks=trends.marks(history),
            blocks=tuple(blocks(history, today, drawn=True)),
            footer=(b.paragraph(trends.EXTRAPOLATED), b.paragraph(f"Made from {history.source} by {made}.")),
        )
    )  # fmt: skip


def blocks(history: History, today: dt.date, *, drawn: bool = False) -> Iterator[b.Block]:
    """What the page says, in its order; with the picture of every point where they are drawn."""
    yield b.Answer(
        title=trends.title(history), word=b.Span(text=""), said=(shown.capital(trends.headline(history, today)),)
    )
    yield _units(history, today)
    if history.uses:
        yield _uses(history)
    yield from _tracks(history.tracks, drawn=drawn)
    if history.standards:
        yield _standards(history, today)
    if history.problems:
        yield b.Section(title="What could not be read", key="problems", blocks=(b.bullets(history.problems),))


def _units(history: History, today: dt.date) -> b.Section:
    table = b.table(
        ("Unit", ">Runs", "?First", "Last", "Due", "Last verdict"),
        (
            b.row(
                f"{unit.maker} {unit.model}, no. {unit.serial}", str(len(unit.runs)),
                str(unit.runs[0].started.date()), f"{unit.last.started.date()}, {unit.last.condition}",
                _due(unit.due, today), b.word(unit.last.overall or "not judged"), kind=_late(unit.due, today),
            )
            for unit in sorted(history.units, key=lambda unit: unit.due or dt.date.max)
        ),
        look="wordy",
    )  # fmt: skip
    return b.Section(title="Units", note="when each is due", key="units", blocks=(table,))


def _uses(history: History) -> b.Section:
    table = b.table(("Run", "Unit", "As", "Verdicts", "Whole run"), map(_use, history.uses), look="wordy", listed=True)
    return b.Section(
        title=f"Runs with {history.where.standard}", key="uses", blocks=(table,),
        note="the verdicts of the parts that rest on it",
    )  # fmt: skip


def _use(use: StandardUse) -> b.Row:
    points = trends.use_points(use)
    return b.row(
        use.run.number, f"{use.run.maker} {use.run.model}, no. {use.run.serial}",
        f"{use.standard.role}, {use.standard.certificate or 'no certificate'}",
        (b.Span(text=trends.tally(use.results)), *([b.Span(text=points, look="remark")] if points else [])),
        b.word(use.run.overall or "not judged"),
    )  # fmt: skip


def _tracks(tracks: Sequence[Track], *, drawn: bool) -> Iterator[b.Section]:
    """A section a unit, a table a quantity and path, its pictures below it."""
    numbered = list(enumerate(tracks))
    for n, (unit, some) in enumerate(groupby(numbered, lambda each: _unit(each[1]))):
        parts: list[b.Block] = []
        for (quantity, path, scale), these in _by_place(some).items():
            place = ", ".join(filter(None, (shown.capital(quantity), path)))
            parts += [_track_table(place, scale, these)]
            parts += [b.Gallery(figures=tuple(_figure(each, track) for each, track in these))] if drawn else []
        notes = [b.paragraph(note, small=True) for note in trends.notes(tracks, drawn=drawn)] if n == 0 else []
        yield b.Section(title=unit, key=f"unit{n}", blocks=(*notes, *parts))


def _unit(track: Track) -> str:
    return f"{track.maker} {track.model}, no. {track.serial}"


def _by_place(numbered: Iterator[tuple[int, Track]]) -> dict[tuple[str, str, str], list[tuple[int, Track]]]:
    places: dict[tuple[str, str, str], list[tuple[int, Track]]] = {}
    for each, track in numbered:
        places.setdefault((track.quantity, track.path, trends.scale(track)[1]), []).append((each, track))
    return places


def _track_table(place: str, unit: str, tracks: Sequence[tuple[int, Track]]) -> b.Table:
    return b.table(
        ("Point", ">n", f">Last, {unit}", f">Drift, {unit}/year", "Limit reached", "Verdict"),
        (_track(f"t{each}", track) for each, track in tracks),
        caption=place, note="drift since the last adjustment (95 %)", look="wordy",
    )  # fmt: skip


def _track(key: str, track: Track) -> b.Row:
    last, without = track.entries[-1].row, len(track.without_value)
    point = ", ".join(filter(None, (f"ch. {track.channel}" if track.channel else "", track.place)))
    return b.row(
        b.Span(text=shown.capital(point), to=f"#{key}"),
        (
            b.Span(text=str(len(track.latest.entries))),
            *([b.Span(text=f"{without} without a value", look="remark")] if without else []),
        ),
        trends.result_text(track, bare=True), trends.drift_text(track, track.latest, bare=True),
        trends.leaving_text(track.latest.drift), b.word(last.verdict or "not judged"),
        kind=shown.KIND.get(last.verdict, "none"),
    )  # fmt: skip


def _figure(each: int, track: Track) -> b.Figure:
    return b.Figure(picture=trend_picture(track, key=f"t{each}"), words=trends.track_words(track))


def _standards(history: History, today: dt.date) -> b.Section:
    table = b.table(
        ("Standard", "Role", "Certificate", "Due", "Last run"),
        (
            b.row(
                each.label, each.role, each.certificate or "none given", _due(each.due, today),
                str(each.started.date()), kind=_late(each.due, today),
            )
            for each in history.standards
        ),
    )  # fmt: skip
    return b.Section(
        title="Standards",
        note="on the benches, each by the newest certificate that is known of it",
        key="standards",
        blocks=(table,),
    )


def _due(day: dt.date | None, today: dt.date) -> b.Line:
    return b.due("not said" if day is None else str(day), overdue=trends.overdue(day, today))


def _late(day: dt.date | None, today: dt.date) -> b.Kind:
    return "bad" if trends.overdue(day, today) else ""
