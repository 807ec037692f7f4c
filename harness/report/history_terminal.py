"""The history of units on a terminal: tables that say what the page says, at 80 columns and wider."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from rich import box
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from harness.report import shown, trends
from harness.report.history_page import headline
from harness.report.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import Console, ConsoleOptions, RenderableType, RenderResult

    from harness.history import History, Track

_STYLE: Final[dict[shown.Kind, str]] = {
    "good": "bold cyan", "bad": "bold red", "open": "bold magenta", "none": "dim",
}  # fmt: skip
_WRAPPED: Final = (
    "Setting",
    "Unit",
    "As",
    "Verdicts",
    "Standard",
    "Limit reached",
    "Verdict",
)  # columns that give way first


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryTables:
    """A history on a console, as of a day."""

    history: History
    today: dt.date

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Yield the points, the runs of a standard, what is due, and the history in one sentence."""
        yield from _Screen(history=self.history, today=self.today, encoding=options.encoding).everything()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Screen:
    history: History
    today: dt.date
    encoding: str

    def say(self, text: str, style: str = "") -> Text:
        """Data as text: spelt, never markup."""
        return Text(spelt(text, self.encoding), style=style)

    def word(self, word: str) -> Text:
        """A verdict with its sign."""
        kind = shown.KIND.get(word, "none")
        return self.say(f"{shown.SIGN.get(word, '')} {word or 'not judged'}".strip(), _STYLE[kind])

    def everything(self) -> Iterator[RenderableType]:
        """All tables, in the order of what matters last."""
        yield from self.points()
        yield from self.uses()
        yield from self.standards()
        yield from self.units()
        for mark in trends.marks(self.history):
            yield self.say(f"! {mark}", "bold red")
        yield self.say(f"{trends.title(self.history)}. {shown.capital(headline(self.history, self.today))}", "bold")

    def table(self, title: str, columns: Sequence[str], rows: Sequence[Sequence[Text | str]]) -> RenderableType:
        """One table; data that are text go through `say`."""
        made = Table(
            title=self.say(title), title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False,
            show_edge=False, collapse_padding=True, header_style="dim",
        )  # fmt: skip
        for name in columns:
            made.add_column(self.say(name), no_wrap=name not in _WRAPPED, overflow="fold")
        for row in rows:
            made.add_row(*(cell if isinstance(cell, Text) else self.say(cell) for cell in row))
        return Padding(made, (1, 0, 0, 0))

    def points(self) -> Iterator[RenderableType]:
        """Every point with its last result, drift and the date of leaving its limit."""
        groups: dict[tuple[str, ...], list[Track]] = {}
        for track in self.history.tracks:
            place = (track.maker, track.model, track.serial, track.quantity, track.path, trends.scale(track)[1])
            groups.setdefault(place, []).append(track)
        for (maker, model, serial, quantity, path, unit), tracks in groups.items():
            rows = [
                (
                    str(track.channel or ""), track.place, str(len(track.latest.entries)),
                    trends.result_text(track, bare=True), trends.drift_text(track, track.latest, bare=True),
                    trends.leaving_text(track.latest.drift), self.word(track.entries[-1].row.verdict),
                )
                for track in tracks
            ]  # fmt: skip
            yield self.table(
                f"{maker} {model}, no. {serial}: {quantity}{f', {path}' if path else ''}",
                ("Ch.", "Setting", "n", f"Last, {unit}", f"Drift, {unit}/year", "Limit reached", "Verdict"),
                rows,
            )
        notes = list(trends.no_drift(self.history.tracks))
        if any(len(track.series) > 1 for track in self.history.tracks):
            notes.append("n counts the results since the last adjustment.")
        notes += [trends.EXTRAPOLATED] if groups else []
        for number, note in enumerate(notes):
            yield Padding(self.say(note, "dim"), (0 if number else 1, 0, 0, 0))

    def uses(self) -> Iterator[RenderableType]:
        """The runs that a standard was used in."""
        if not self.history.uses:
            return
        rows = [
            (
                use.run.number, use.run.serial, f"{use.standard.role}, {use.standard.certificate or 'no certificate'}",
                "; ".join(part for part in (trends.tally(use.results), trends.use_points(use)) if part),
                self.word(use.run.overall),
            )
            for use in self.history.uses
        ]  # fmt: skip
        title = f"Runs with {self.history.where.standard}, and the verdicts of the parts that rest on it"
        yield self.table(title, ("Run", "Unit", "As", "Verdicts", "Whole run"), rows)

    def standards(self) -> Iterator[RenderableType]:
        """The standards, the first due first."""
        rows = [
            (row.label, row.role, row.certificate or "none given", self._due(row.due)) for row in self.history.standards
        ]
        if rows:
            yield self.table("Standards", ("Standard", "Role", "Certificate", "Due"), rows)

    def units(self) -> Iterator[RenderableType]:
        """The units, and when each is due."""
        rows = [
            (
                f"{unit.maker} {unit.model}, no. {unit.serial}", str(len(unit.runs)), str(unit.last.started.date()),
                self._due(unit.due), self.word(unit.last.overall),
            )
            for unit in self.history.units
        ]  # fmt: skip
        yield self.table("Units", ("Unit", "Runs", "Last", "Due", "Last verdict"), rows)

    def _due(self, day: dt.date | None) -> Text:
        overdue = day is not None and day < self.today
        return self.say("not said" if day is None else f"{day}, overdue" if overdue else str(day),
                        _STYLE["bad"] if overdue else "")  # fmt: skip
