"""The history of units as one HTML page, in the style of a report: nothing outside the file, no script."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from harness.quantities import counted
from harness.report import shown, trends
from harness.report.html import environment, inline, style_sheet
from harness.report.trend_plot import trend_picture

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.history import History, Track
    from harness.report.plot_style import Picture


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shown:
    """A track with its picture, as the page shows it."""

    track: Track
    key: str
    short: str
    picture: Picture
    drawing: Markup
    words: str


def history_page(history: History, *, today: dt.date, program: str) -> str:
    """Render a history as of a day; the same history gives the same bytes."""
    title = trends.title(history)
    marks = trends.marks(history)
    return (
        environment()
        .get_template("history.html.j2")
        .render(
            history=history, trends=trends, title=title, headline=headline(history, today), marks=marks, today=today,
            program=f"Halfpower {program}", tracks=_by_unit(history),
            css=style_sheet(header=f"{shown.shortened(title, 60)} · as of {today}", marks=" · ".join(marks).upper()),
        )
    )  # fmt: skip


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
    overdue = sum(unit.due is not None and unit.due < today for unit in history.units)
    if overdue:
        said.append(f"{counted(overdue, 'unit')} overdue")
    certificates = sum(row.due is not None and row.due < today for row in history.standards)
    if certificates:
        said.append(f"{counted(certificates, 'certificate')} run out")
    if history.unfinished:
        said.append(f"{counted(history.unfinished, 'run')} without an end left out")
    return "; ".join(said) + "."


def _by_unit(history: History) -> Sequence[tuple[str, Sequence[tuple[str, Sequence[_Shown]]]]]:
    """The tracks, by unit and quantity, in their order."""
    units: dict[str, dict[str, list[_Shown]]] = {}
    for number, track in enumerate(history.tracks):
        unit = f"{track.maker} {track.model}, no. {track.serial}"
        picture = trend_picture(track, key=f"t{number}")
        short = track.name.removeprefix(f"{track.quantity}, ").replace(
            track.setting, track.setting.replace(" ", "\u00a0")
        )
        units.setdefault(unit, {}).setdefault(track.quantity, []).append(
            _Shown(
                track=track, key=picture.key, short=shown.capital(short), picture=picture,
                drawing=inline(picture.svg, f"{picture.key}-"), words=trends.track_words(track),
            )
        )  # fmt: skip
    return [(unit, list(groups.items())) for unit, groups in units.items()]
