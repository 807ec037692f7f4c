"""The page about a night for a terminal: the jobs, what is not done and what comes next, the first sentence last."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from rich.console import Group
from rich.padding import Padding
from rich.panel import Panel
from rich.text import Text

from harness.report import shown
from harness.report.night import Night, NightRun, marks, span
from harness.report.terminal_page import STYLE, Fitted, Screen
from harness.words.spelling import spelt

if TYPE_CHECKING:
    from rich.console import RenderableType

_ROOMY: Final = 100  # columns from which the times and events are shown


def render(night: Night) -> Fitted:
    """A night as something that rich prints; it fits itself to the console."""
    return Fitted(lambda width, encoding: _Screen(night=night, width=width, encoding=encoding))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Screen(Screen):
    """A night in the width and encoding of one console."""

    night: Night

    def everything(self) -> Iterator[RenderableType]:
        """The whole page, in the order in which a terminal is read: the answer last."""
        yield Padding(self.jobs(), (1, 0, 0, 0))
        for run in self.night.runs:
            yield Padding(self.job(run), (1, 0, 0, 0))
            yield self.command(f"Next: {run.next_step}")
        for refused in self.night.refused:
            lines = [
                self.say(f"{refused.job}: left out", "bold"),
                *(self.say(f"  {each}") for each in refused.problems),
            ]
            yield Padding(Group(*lines), (1, 0, 0, 0))
        if self.night.events:
            lines = [self.say(f"{shown.moment(event.at)}: {event.text}") for event in self.night.events]
            yield Padding(Group(self.say("What else happened", "bold"), *lines), (1, 0, 0, 0))
        yield Padding(self.answer(), (1, 0, 0, 0))
        yield self.command(self.night.next_step)

    def command(self, text: str) -> Text:
        """A sentence that may end in a command: wrapped by the terminal alone, so that it can be copied whole."""
        return Text(spelt(text, self.encoding), no_wrap=True, overflow="ignore")

    def jobs(self) -> RenderableType:
        """A line a job."""
        roomy = self.width >= _ROOMY
        columns = [("Job", False), ("Serial", False), *([("From – to", False)] if roomy else []), ("Points", True)]
        columns += [*([("Events", True)] if roomy else []), ("Outputs", False), ("Verdict", False)]
        table = self.table("Jobs", columns, wrapped=[name for name, _ in columns])
        for run in self.night.runs:
            cells = [self.say(run.job), self.say(run.serial)]
            cells += [self.say(span(run.started, run.ended))] if roomy else []
            cells += [self.say(f"{run.taken} of {run.planned}")]
            cells += [self.say(str(run.events))] if roomy else []
            off = "off" if run.outputs_off else "MAY BE ON" if run.outputs_off is False else "–"
            table.add_row(*cells, self.say(off), self.word(run.outcome))
        return table

    def job(self, run: NightRun) -> RenderableType:
        """One job in words."""
        lines = [self.say(f"{run.job}: {run.outcome}", "bold"), self.say(run.sentence)]
        lines += [self.say(f"Missing: {text}") for text in run.missing]
        lines += [self.say(f"Outputs: {run.outputs}")] if run.outputs_off is not True and run.tries else []
        return Group(*lines)

    def answer(self) -> RenderableType:
        """The night in a sentence."""
        lines = [self.say(f"! {mark}", "bold red") for mark in marks(self.night)]
        lines += [self.say(said, "bold red") for said in self.night.may_be_on]
        lines += [self.say(self.night.sentence, "bold")]
        style = STYLE[self.night.kind]
        return Panel(
            Group(*lines), title=self.say(self.night.name), title_align="left", border_style=style, padding=(0, 1)
        )
