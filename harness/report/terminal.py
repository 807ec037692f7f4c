"""The report for a terminal: what a person reads at the end of a run, at 80 columns and wider.

Everything is built from `Text`, never from markup, and spelt in what the console's encoding carries. Colours only
repeat what words and signs say.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from rich import box
from rich.console import Group
from rich.padding import Padding
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from harness.report import shown
from harness.report.response_chart import response_chart
from harness.report.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import Console, ConsoleOptions, RenderableType, RenderResult

    from harness.report.model import PartResult, Report, Response

_STYLE: Final[dict[shown.Kind, str]] = {
    "good": "bold cyan", "bad": "bold red", "open": "bold magenta", "none": "dim",
}  # fmt: skip
_ROOMY: Final = 104  # columns from which every column of a table is shown
_NARROW: Final = 76  # and below which what was applied is left out
_LONGEST_LIST: Final = 12
_LONGEST_SETTING: Final = 22
_WRAPPED: Final = ("Applied", "Verdict", "Purpose", "Status")  # columns that give way first


def render(report: Report) -> Summary:
    """The report as something that rich prints; it fits itself to the console."""
    return Summary(report=report)


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """A report on a console."""

    report: Report

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Yield the verdict, what did not pass, the parts, and the deviations."""
        yield from _Screen(report=self.report, width=options.max_width, encoding=options.encoding).everything()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Screen:
    """A report in the width and encoding of one console."""

    report: Report
    width: int
    encoding: str

    def say(self, text: str, style: str = "") -> Text:
        """Data as text: spelt, never markup."""
        return Text(spelt(text, self.encoding), style=style)

    def word(self, word: str) -> Text:
        """A verdict with its sign."""
        return self.say(f"{shown.SIGN[word]} {word}", _STYLE[shown.KIND[word]])

    def everything(self) -> Iterator[RenderableType]:
        """The whole report, in the order of what matters."""
        for part in self.report.parts:
            yield from self.part(part)
        yield from self._listed("What did not pass", [*self._not_passed()])
        yield from self._listed("What was not measured", [self.say(text) for text in shown.not_measured(self.report)])
        yield from self._listed("Deviations", [self.say(text) for text in self.report.deviations])
        yield from self._listed("Notes", [self.say(text) for text in self.report.notes])
        yield self.answer()

    def answer(self) -> RenderableType:
        """The verdict in one sentence and what to do next."""
        report, style = self.report, _STYLE[shown.KIND[self.report.overall]]
        lines = [self.say(f"! {mark}", "bold red") for mark in shown.marks(report)]
        lines += [self.word(report.overall), self.say(report.sentence, "bold"), self.say(report.next_step)]
        title = self.say(shown.shortened(f"Report {report.number}", max(self.width - 8, 8)))
        return Panel(Group(*lines), title=title, title_align="left", border_style=style, padding=(0, 1))

    def part(self, part: PartResult) -> Iterator[RenderableType]:
        """One sequence: half-power results first, then errors by channel and range."""
        tally = ", ".join(f"{n} {word}" for word, n in shown.tally(part)) or "nothing to judge"
        heading = Text.assemble(self.say(part.title, "bold"), self.say(f" – {tally}", "dim"))
        if not part.finished:
            heading.append_text(self.say("; not finished", "bold"))
        yield Padding(heading, (1, 0, 0, 0))
        if part.responses:
            yield Padding(self._half_power(part.responses), (1, 0))
            for response in part.responses:
                yield from self._response(response)
        for group in shown.point_groups(part):
            yield Padding(self._points(group), (1, 0, 0, 0))
        if part.plain:
            yield Padding(self._plain(part), (1, 0, 0, 0))
        words = [
            *(self.say(f"{shown.capital(f.name)}: {shown.minus(f.sentence)}") for f in part.findings),
            *(self.say(f"Left out: {text}") for text in part.left_out),
        ]
        if words:
            yield Padding(Group(*words), (1, 0, 0, 0))

    def _table(self, title: str, columns: tuple[tuple[str, bool], ...]) -> Table:
        table = Table(
            title=self.say(title), title_justify="left", title_style="bold",
            box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, collapse_padding=True, header_style="dim",
        )  # fmt: skip
        for name, right in columns:
            wraps = name in _WRAPPED
            table.add_column(self.say(name), justify="right" if right else "left", no_wrap=not wraps, overflow="fold")
        return table

    def _points(self, group: shown.PointGroup) -> Table:
        hidden = () if self.width >= _ROOMY else ("Ideal", "k") if self.width >= _NARROW else ("Ideal", "k", "Applied")
        error = shown.result_name(group.quantity)
        columns = [("Setting", False), ("Applied", True), ("Ideal", True), ("Reading", True), (error, True),
                   ("U", True), ("k", True), ("Limits", True), ("Verdict", False)]  # fmt: skip
        shown_columns = tuple(c for c in columns if c[0] not in hidden)
        table = self._table(shown.group_title(self.report, group), shown_columns)
        for p in group.points:
            s = p.statement
            value, u = shown.error_pair(s, p.quantity) if s is not None else ("–", "–")
            unit = f" {s.unit}" if s is not None and s.unit else ""
            cells = {
                "Setting": self.say(shown.shortened(p.setting, _LONGEST_SETTING)), "Applied": self.say(p.applied),
                "Ideal": self.say(shown.number(p.expected, p.unit)), "Reading": self.say(shown.reading_text(p)),
                error: self.say(value + unit), "U": self.say(u + unit),
                "k": self.say("–" if s is None else f"{s.k:.2f}"),
                "Limits": self.say(shown.limits_text(p.limits, shown.error_unit(p))),
                "Verdict": self._with_remarks(p.word, p.remarks),
            }  # fmt: skip
            table.add_row(*(cells[name] for name, _ in shown_columns))
        return table

    def _with_remarks(self, word: str, remarks: tuple[str, ...]) -> Text:
        return Text.assemble(self.word(word), *(self.say(f" {remark}", "dim") for remark in remarks))

    def _half_power(self, responses: tuple[Response, ...]) -> Table:
        table = self._table(
            "Half-power frequency",
            (("Channel", False), ("Setting", False), ("Half power at", True), ("U", True), ("U, rel.", True),
             ("Rated", True), ("Verdict", False)),
        )  # fmt: skip
        for r in responses:
            text = shown.half_power_text(r.result)
            table.add_row(
                self.say(str(r.channel)), self.say(shown.shortened(r.setting, _LONGEST_SETTING)),
                self.say(text.frequency), self.say(text.u),
                self.say(text.relative), self.say(shown.hertz(r.rated_hz)),
                self._with_remarks(r.word, shown.own_remarks(r)),
            )  # fmt: skip
        return table

    def _response(self, response: Response) -> Iterator[RenderableType]:
        yield self.say(shown.minus(response.sentence))
        for flag in response.result.flags:
            yield self.say(flag.sentence, "dim")
        points = response.result.points
        if points:
            fitted = [
                (f, y) for f, y in zip(response.band.frequency_hz, response.band.response_db, strict=True)
                if y is not None
            ]  # fmt: skip
            chart = response_chart(
                [p.frequency_hz for p in points], [p.response_db for p in points], fitted=fitted,
                half_power_hz=response.result.frequency_hz, drop_db=response.result.drop_db,
                rated_hz=response.rated_hz, width=min(self.width, 110),
            )  # fmt: skip
            yield Padding(chart, (1, 0))

    def _plain(self, part: PartResult) -> Table:
        table = self._table(
            "Readings without a judgement",
            (("Purpose", False), ("Channel", False), ("Applied", False), ("Setting", False), ("Reading", True),
             ("Status", False)),
        )  # fmt: skip
        for p in part.plain:
            table.add_row(
                self.say(p.purpose), self.say(str(p.channel)), self.say(p.applied),
                self.say(shown.shortened(p.setting, _LONGEST_SETTING)),
                self.say(shown.shortened(shown.number(p.value, p.unit if p.value is not None else ""), 24)),
                self.say(p.status),
            )  # fmt: skip
        return table

    def _not_passed(self) -> Iterator[Text]:
        for word, text in shown.not_passed(self.report):
            yield Text.assemble(self.word(word), self.say(f": {text}"))

    def _listed(self, title: str, lines: list[Text]) -> Iterator[RenderableType]:
        if not lines:
            return
        yield Padding(self.say(title, "bold"), (1, 0, 0, 0))
        for line in lines[:_LONGEST_LIST]:
            grid = Table.grid(padding=(0, 1))
            grid.add_row(self.say("–"), line)
            yield grid
        if len(lines) > _LONGEST_LIST:
            yield self.say(f"… and {len(lines) - _LONGEST_LIST} more, in the report")
