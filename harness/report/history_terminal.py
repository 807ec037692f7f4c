"""The history of units on a terminal: tables that say what the page says, at 80 columns and wider."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from rich.padding import Padding
from rich.text import Text

from harness.report import shown, trends
from harness.report.terminal_page import STYLE, Fitted, Screen

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import RenderableType

    from harness.years.history import History, Track

_WRAPPED: Final = (
    "Setting",
    "Unit",
    "As",
    "Verdicts",
    "Standard",
    "Limit reached",
    "Verdict",
)  # columns that give way first


def render(history: History, *, today: dt.date) -> Fitted:
    """A history as of a day as something that rich prints; it fits itself to the console."""
    return Fitted(lambda width, encoding: _Screen(history=history, today=today, width=width, encoding=encoding))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Screen(Screen):
    """A history in the width and encoding of one console."""

    history: History
    today: dt.date

    def word(self, word: str) -> Text:
        """A verdict with its sign; other words, of a store that knows more, without."""
        kind = shown.KIND.get(word, "none")
        return self.say(f"{shown.SIGN.get(word, '')} {word or 'not judged'}".strip(), STYLE[kind])

    def everything(self) -> Iterator[RenderableType]:
        """All tables, in the order of what matters last."""
        yield from self.points()
        yield from self.uses()
        yield from self.standards()
        yield from self.units()
        for mark in trends.marks(self.history):
            yield self.say(f"! {mark}", "bold red")
        yield self.say(
            f"{trends.title(self.history)}. {shown.capital(trends.headline(self.history, self.today))}", "bold"
        )

    def filled(self, title: str, columns: Sequence[str], rows: Sequence[Sequence[Text | str]]) -> RenderableType:
        """One table; data that are text go through `say`."""
        made = self.table(title, [(name, False) for name in columns], _WRAPPED)
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
            yield self.filled(
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
        yield self.filled(title, ("Run", "Unit", "As", "Verdicts", "Whole run"), rows)

    def standards(self) -> Iterator[RenderableType]:
        """The standards, the first due first."""
        rows = [
            (row.label, row.role, row.certificate or "none given", self._due(row.due)) for row in self.history.standards
        ]
        if rows:
            yield self.filled("Standards", ("Standard", "Role", "Certificate", "Due"), rows)

    def units(self) -> Iterator[RenderableType]:
        """The units, and when each is due."""
        rows = [
            (
                f"{unit.maker} {unit.model}, no. {unit.serial}", str(len(unit.runs)), str(unit.last.started.date()),
                self._due(unit.due), self.word(unit.last.overall),
            )
            for unit in self.history.units
        ]  # fmt: skip
        yield self.filled("Units", ("Unit", "Runs", "Last", "Due", "Last verdict"), rows)

    def _due(self, day: dt.date | None) -> Text:
        return self.say(trends.due_text(day, self.today), STYLE["bad"] if trends.overdue(day, self.today) else "")
