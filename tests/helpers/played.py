"""Readings played into a sequence, and the report made of them; what a single pole shows.

|H| = 1/√(1 + (f/f3)²) (textbook), so the true frequencies of any drop are known.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from harness.errors import AnalysisError
from harness.journal.journal import Contents, Record
from harness.models import Setup
from harness.report.model import Report
from harness.report.summary import summarise
from harness.steps import Connect, Done, NoSignal, Reading, Reply, Sine, Step

AT = "2026-05-04T09:00:00+00:00"
Answer = Callable[[Step], Reply]


def played(sequence: Any, setup: Setup, options: Any, answer: Answer) -> tuple[Record, ...]:
    """Every step with its answer; what a sequence raises ends it, as in a run."""
    script, records = sequence.script(setup, options), []
    try:
        step = next(script)
        while True:
            records.append(Record(part="1", n=len(records), step=step, reply=answer(step), at=AT))
            step = script.send(records[-1].reply)
    except (StopIteration, AnalysisError):
        return tuple(records)


def reported(sequence: str, setup: Setup, options: Any, records: tuple[Record, ...], *, ended: str = AT) -> Report:
    part = {"name": "1", "use": sequence, "options": options.model_dump(mode="json", exclude_none=True)}
    header = {"run": "r", "program": "test", "started": AT, "setup": setup.to_header(), "parts": [part]}
    return summarise(
        Contents(header=header, records=records, withdrawn=(), events=(), parts={"1": "finished"}, closed_at=ended)
    )


def single_pole(setup: Setup, f3_hz: float, *, gain: float = 1.0) -> Answer:
    """What a unit of this bandwidth shows, by eye with a trace 0.1 div wide; off the screen beyond it."""
    by_eye = setup.unit.read == "eye"

    def answer(step: Step) -> Reply:
        if isinstance(step, Connect):
            return Done()
        if step.quantity == "trace_width":
            return Reading(value=0.1)
        if isinstance(step.stimulus, NoSignal):
            return Reading(value=0.0)
        assert isinstance(step.stimulus, Sine)
        frequency_hz = step.stimulus.frequency_hz
        response = 1.0 if step.display == "reference" else gain / math.hypot(1.0, frequency_hz / f3_hz)
        shown = step.stimulus.level_vpp / step.view.volts_per_div * response
        if shown > setup.unit.vertical_div:
            return Reading(status="off_screen")
        value = round((shown + 0.1) / 0.1) * 0.1 if by_eye and step.display == "unit" else shown
        return Reading(value=value, frequency_hz=frequency_hz)

    return answer


def remote(setup: Setup) -> Setup:
    return replace(setup, unit=setup.unit.model_copy(update={"read": "remote", "resolution": 0.0, "scatter": 0.01}))
