"""The report for a terminal: what a person reads at the end of a run, at 80 columns and wider."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from harness.report.report_page import answer, on_terminal
from harness.report.short import below
from harness.report.shown import marks
from harness.report.terminal_page import Fitted

if TYPE_CHECKING:
    from harness.report.model import Report


def render_short(report: Report) -> Fitted:
    """The short form, which a terminal shows from its end as well."""
    return Fitted([*below(report), replace(answer(report), next_step=None)], marks(report))


def render(report: Report) -> Fitted:
    """The report as something that rich prints; it fits itself to the console."""
    return Fitted([*on_terminal(report)], marks(report))
