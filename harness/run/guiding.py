"""What a person at the bench is told at once: how far the run is, and what a reading came to.

A reading is judged by the budget and the limits that the report will use, by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

from harness.analysis.rounding import format_pair
from harness.assess import judge
from harness.errors import AnalysisError
from harness.journal.journal import Contents
from harness.models import Setup
from harness.person.guide import Guide, Judged
from harness.run.jobs import LoadedJob
from harness.run.loop import Watch
from harness.run.rehearsal import rehearse
from harness.steps import Connect, Measure, Reading, Reply, Step


def guide_of(loaded: LoadedJob) -> Guide:
    """The guide of a job; readings are judged at once where eyes take them."""

    def planned() -> Mapping[str, int]:
        parts = rehearse(loaded.setup, loaded.uses).parts
        return {part.name: sum(not isinstance(step, Connect) for step in part.steps) for part in parts}

    if loaded.setup.unit.read != "eye":
        return Guide(planned=planned)
    return Guide(planned=planned, judge=partial(judged, loaded.setup))


def guided_watch(guide: Guide, contents: Contents | None, tell: Callable[[str], None], watch: Watch) -> Watch:
    """Tell of every reading at once, and of those of an earlier session now; `watch` goes on being told."""
    for record in contents.records if contents is not None else ():
        guide.took(record.part, record.n, record.step, record.reply)
    if contents is not None:
        tell(guide.resumed())

    def told(part: str, n: int, step: Step, reply: Reply) -> None:
        if said := guide.took(part, n, step, reply):
            tell(said)
        watch(part, n, step, reply)

    return told


def judged(setup: Setup, step: Measure, reading: Reading) -> Judged:
    """The word of a reading by itself, and "+0.4 %, limit ±3 %"; nothing where it takes more than that to judge it."""
    if reading.status != "read" or step.display != "unit":
        return "", ""
    try:
        statement, verdict = judge(setup, step, (reading,))
    except AnalysisError:
        return "", ""
    limits = verdict.limits
    value, expanded = format_pair(statement.estimate, statement.expanded, signed=limits.low is not None)
    unit = statement.unit
    shown = f"{value} {unit}, limit {limits.text(unit)}"
    shown = shown.replace("-", "−")
    return verdict.word, shown if verdict.word == "pass" else f"{shown}, U = {expanded} {unit}: {verdict.word}"
