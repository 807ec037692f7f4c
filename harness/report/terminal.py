"""The report for a terminal: what a person reads at the end of a run, at 80 columns and wider.

A terminal is read from its end, a page from its top: so the order here is the page's turned round. First the verdict in
a line, then the particulars, the tables, what did not pass, and last the verdict in full with what to do next.

Everything is built from `Text`, never from markup, and spelt in what the console's encoding carries. Colours only
repeat what words and signs say.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from rich.console import Group
from rich.padding import Padding
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from harness.report import shown
from harness.report.checklist import SIGN, SOURCE
from harness.report.pairs import change_text, pair_groups, pair_name
from harness.report.terminal_style import STYLE, Fitted, Screen
from harness.words.chart import ResponseChart
from harness.words.clean import shortened

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType

    from harness.report.model import Adjustment, Pair, PartResult, Report, Result, Standard

_ROOMY: Final = 104  # columns from which every column of a table is shown
_NARROW: Final = 76  # and below which what was applied is left out
_LONGEST_LIST: Final = 12
_LONGEST_NUMBER: Final = 60
_LONGEST_SETTING: Final = 22
_WRAPPED: Final = (
    "Applied",
    "Verdict",
    "Purpose",
    "Status",
    "As found",
    "As left",
    "Change",
)  # columns that give way first


def render(report: Report) -> Fitted:
    """The report as something that rich prints; it fits itself to the console."""
    return Fitted(lambda width, encoding: _Screen(report=report, width=width, encoding=encoding))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Screen(Screen):
    """A report in the width and encoding of one console."""

    report: Report

    def everything(self) -> Iterator[RenderableType]:
        """The whole report, in the order of what matters."""
        yield Text.assemble(
            self.say(f"Report {shortened(self.report.number, _LONGEST_NUMBER)}: "), self.word(self.report.overall)
        )
        yield from self.particulars()
        for part in self.report.parts:
            yield from self.part(part)
        if self.report.adjustment is not None:
            yield from self.adjustment(self.report.adjustment)
        yield from self._listed("What did not pass", [*self._not_passed()])
        yield from self._listed("What was not measured", [self.say(text) for text in shown.not_measured(self.report)])
        yield from self._listed("Deviations", [self.say(text) for text in self.report.deviations])
        yield from self._listed("Notes", [self.say(text) for text in self.report.notes])
        if self._hidden() and any(result.curve is None for part in self.report.parts for result in part.results):
            yield self.say(f"At {self.width} columns without {', '.join(self._hidden())}; {_ROOMY} show all.", "dim")
        yield self.answer()

    def _hidden(self) -> tuple[str, ...]:
        """The columns of the points that there is no room for."""
        return () if self.width >= _ROOMY else ("Ideal", "k") if self.width >= _NARROW else ("Ideal", "k", "Applied")

    def answer(self) -> RenderableType:
        """The verdict in one sentence and what to do next."""
        report, style = self.report, STYLE[shown.KIND[self.report.overall]]
        lines = [self.say(f"! {mark}", "bold red") for mark in shown.marks(report)]
        lines += [self.word(report.overall), self.say(report.sentence, "bold"), self.say(report.next_step)]
        if report.adjustment is not None:
            lines.append(self.say(report.adjustment.sentence))
        title = self.say(shortened(f"Report {report.number}", max(self.width - 8, 8)))
        return Panel(Group(*lines), title=title, title_align="left", border_style=style, padding=(0, 1))

    def particulars(self) -> Iterator[RenderableType]:
        """What the report says besides its numbers: particulars, standards, checklist, statements, signatures."""
        report = self.report
        for group in report.facts:
            yield from self._facts(group.title, [(fact.name, fact.text) for fact in group.facts])
        if report.not_stated:
            yield Padding(self.say(f"Not stated: {', '.join(report.not_stated)}."), (1, 0, 0, 0))
        yield from self._facts(
            "Standards used",
            [(s.role, _standard(s)) for s in report.standards],
        )
        yield from self._facts(
            "Checklist", [(f"{SIGN[h.coverage]} {h.coverage}", f"{h.title}: {h.by}") for h in report.checklist]
        )
        yield self.say(SOURCE, "dim")
        yield from self._facts("Statements", [(statement.name, statement.text) for statement in report.statements])
        yield from self._facts(
            "Signatures",
            [(s.role, ", ".join(text for text in (s.name, s.function) if text) or "–") for s in report.signatures],
        )

    def _facts(self, title: str, entries: list[tuple[str, str]]) -> Iterator[RenderableType]:
        if not entries:
            return
        grid = Table.grid(padding=(0, 2, 0, 0))
        grid.add_column(max_width=max(self.width // 3, 8), overflow="fold")
        grid.add_column(overflow="fold")
        for name, text in entries:
            grid.add_row(self.say(name, "dim"), self.say(text))
        yield Padding(self.say(title, "bold"), (1, 0, 0, 0))
        yield grid

    def adjustment(self, found: Adjustment) -> Iterator[RenderableType]:
        """The unit as found beside the unit as left."""
        yield Padding(self.say(f"As found and as left: {found.summary}", "bold"), (1, 0, 0, 0))
        for group in pair_groups(found):
            table = self._pairs(f"{shown.group_title(self.report, group)}, as found and as left", "Setting")
            for pair in group.pairs:
                self._pair(table, pair_name(group, pair), pair)
            yield Padding(table, (1, 0, 0, 0))

    def _pairs(self, title: str, place: str) -> Table:
        return self._table(title, ((place, False), ("As found", False), ("As left", False), ("Change", False)))

    def _pair(self, table: Table, name: str, pair: Pair) -> None:
        def state(one: Result | None) -> Text:
            text = self.say(shown.stated_text(one))
            return text if one is None else Text.assemble(text, apart, self.word(one.word))

        apart = " " if self.width >= _ROOMY else "\n"
        change = Text.assemble(
            self.say(change_text(pair)), apart, self.say(pair.word, "bold" if pair.word == "changed" else "")
        )
        name = shortened(name, 2 * _LONGEST_SETTING)
        table.add_row(self.say(name), state(pair.found), state(pair.left), change)

    def part(self, part: PartResult) -> Iterator[RenderableType]:
        """One sequence: half-power results first, then errors by channel and range."""
        tally = ", ".join(f"{n} {word}" for word, n in shown.tally(part)) or "nothing to judge"
        heading = Text.assemble(self.say(part.title, "bold"), self.say(f" – {tally}", "dim"))
        if not part.finished:
            heading.append_text(self.say("; not finished", "bold"))
        yield Padding(heading, (1, 0, 0, 0))
        for group in shown.result_groups(part):
            if group.channel is None:
                yield Padding(self._by_channel(group), (1, 0))
            else:
                yield Padding(self._by_setting(group), (1, 0, 0, 0))
            for result in group.results:
                yield from self._beside(result)
        if part.plain:
            yield Padding(self._plain(part), (1, 0, 0, 0))
        words = [
            *(self.say(f"{shown.capital(f.name)}: {shown.minus(f.sentence)}") for f in part.findings),
            *(self.say(f"Left out: {text}") for text in part.left_out),
        ]
        if words:
            yield Padding(Group(*words), (1, 0, 0, 0))

    def _table(self, title: str, columns: tuple[tuple[str, bool], ...]) -> Table:
        return self.table(title, columns, _WRAPPED)

    def _by_setting(self, group: shown.ResultGroup) -> Table:
        hidden = self._hidden()
        error = shown.result_name(group.results[0])
        columns = [("Setting", False), ("Applied", True), ("Ideal", True), ("Reading", True), (error, True),
                   ("U", True), ("k", True), ("Limits", True), ("Verdict", False)]  # fmt: skip
        shown_columns = tuple(c for c in columns if c[0] not in hidden)
        table = self._table(shown.group_title(self.report, group), shown_columns)
        for r in group.results:
            said = shown.cells(r)
            cells = {
                "Setting": self.say(shortened(r.setting, _LONGEST_SETTING)), "Applied": self.say(r.applied),
                "Ideal": self.say(shown.number(r.expected, r.unit)), "Reading": self.say(shown.reading_text(r)),
                error: self.say(said.value), "U": self.say(said.u), "k": self.say(said.k),
                "Limits": self.say(shown.limits_text(r.limits, r.result_unit)),
                "Verdict": self._with_remarks(r.word, r.remarks),
            }  # fmt: skip
            table.add_row(*(cells[name] for name, _ in shown_columns))
        return table

    def _with_remarks(self, word: str, remarks: tuple[str, ...]) -> Text:
        return Text.assemble(self.word(word), *(self.say(f" {remark}", "dim") for remark in remarks))

    def _by_channel(self, group: shown.ResultGroup) -> Table:
        narrow = self.width < _NARROW
        columns = (("Channel", False), ("Setting", False), ("Result", True), ("U", True), ("U, rel.", True),
                   ("Limits", True), ("Verdict", False))  # fmt: skip
        hidden = ("Setting", "U, rel.") if narrow else ()
        table = self._table(shown.group_title(self.report, group), tuple(c for c in columns if c[0] not in hidden))
        for r in group.results:
            said = shown.cells(r)
            cells = {
                "Channel": self.say(str(r.channel)),
                "Setting": self.say(shortened(r.setting, _LONGEST_SETTING)),
                "Result": self.say(said.value), "U": self.say(said.u), "U, rel.": self.say(said.relative),
                "Limits": self.say(shown.limits_text(r.limits, r.result_unit)),
                "Verdict": self._with_remarks(r.word, shown.own_remarks(r)),
            }  # fmt: skip
            table.add_row(*(cell for name, cell in cells.items() if name not in hidden))
        return table

    def _beside(self, result: Result) -> Iterator[RenderableType]:
        """What is said of a result beside its table, and a chart of its curve."""
        if result.sentence:
            yield self.say(shown.minus(result.sentence))
        if (curve := result.curve) is None:
            return
        for flag in curve.flags:
            yield self.say(shown.minus(flag.sentence), "dim")
        if curve.points:
            band = curve.band
            chart = ResponseChart(
                readings=tuple((p.frequency_hz, p.response_db) for p in curve.points),
                fitted=tuple(
                    (f, y) for f, y in zip(band.frequency_hz, band.response_db, strict=True) if y is not None
                ),
                half_power_hz=None if result.statement is None else result.statement.estimate, drop_db=curve.drop_db,
                rated_hz=None if result.limits is None else result.limits.low, width=min(self.width, 110),
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
                self.say(shortened(p.setting, _LONGEST_SETTING)),
                self.say(shortened(shown.number(p.value, p.unit if p.value is not None else ""), 24)),
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


def _standard(s: Standard) -> str:
    """An instrument that the results rest on, in a line."""
    certificate = f"certificate {s.certificate}" if s.certificate else "no certificate given"
    some = (
        s.label, s.identity, certificate + (f" by {s.certificate_by}" if s.certificate_by else ""),
        f"certified {s.certified}" if s.certified else "", f"due {s.due}" if s.due else "",
        f"{shown.SIGN['fail']} overdue" if s.overdue else "",
    )  # fmt: skip
    return ", ".join(text for text in some if text)
