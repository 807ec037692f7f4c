"""The history of units as one HTML page, in the style of a report: nothing outside the file, no script."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from harness.report import shown, trends
from harness.report.html import environment, inline, style_sheet
from harness.report.trend_plot import trend_picture
from harness.words.clean import shortened

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.report.plot_style import Picture
    from harness.years.history import History, Track


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
            history=history, trends=trends, title=title, marks=marks, today=today,
            program=f"Halfpower {program}", tracks=_by_unit(history),
            css=style_sheet(header=f"{shortened(title, 60)} · as of {today}", marks=" · ".join(marks).upper()),
        )
    )  # fmt: skip


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
