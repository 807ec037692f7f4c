"""The table of quantities: whole, told in the handbook, and closed to names that nobody knows."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness.errors import AnalysisError, JournalError
from harness.journal.journal import Journal, read
from harness.measurement import axis_of, is_error, quantity, quantity_names, seen
from harness.report.readings import missing, planned_place
from harness.run.jobs import built_in
from harness.steps import Measure, Reading, TimeMarks, View, from_plain, to_plain

STEP = Measure(
    purpose="time factor",
    path="lead",
    source="calibrator",
    stimulus=TimeMarks(period_s=1e-3, level_vpp=1.0),
    display="unit",
    view=View(channel=1, volts_per_div=1.0, s_per_div=1e-3),
    quantity="span",
)
NOISE = replace(STEP, quantity="noise")
SENTENCE = "there is no quantity 'noise'; known are deflection, peak_to_peak, "


def test_every_name_stands_for_one_quantity() -> None:
    offered = [one.name for module in built_in().values() for one in module.QUANTITIES]
    assert tuple(offered) == quantity_names()
    assert all(quantity(name).name == name and callable(seen(name)) for name in offered)


def test_what_a_sequence_can_judge_is_known() -> None:
    judged = {name for module in built_in().values() for names in module.JUDGES.values() for name in names}
    assert judged <= set(quantity_names())


def test_the_handbook_lists_every_quantity() -> None:
    page = (Path(__file__).resolve().parents[1] / "docs" / "writing_a_sequence.md").read_text("utf-8")
    rows = re.findall(r"^\| `(\w+)` \| (div|s|ratio|share|V|Hz|dB|ohm|F|deg) \| (.+) \|$", page, re.MULTILINE)
    assert rows == [(one.name, one.unit, one.question) for one in map(quantity, quantity_names())]


def test_an_error_is_told_from_a_value() -> None:
    assert is_error("deflection")
    assert is_error("time factor")
    assert not is_error("rise time")
    assert not is_error("half-power frequency")
    assert (axis_of("deflection"), axis_of("time factor")) == ("level", "time")


def test_an_unknown_quantity_is_refused_with_the_known_ones() -> None:
    with pytest.raises(AnalysisError, match=re.escape(SENTENCE)):
        quantity("noise")
    with pytest.raises(ValueError, match=re.escape(SENTENCE)):
        from_plain(json.loads(json.dumps(to_plain(NOISE))))


def test_what_a_listed_part_has_read_is_not_missing() -> None:
    slower = replace(STEP, view=replace(STEP.view, s_per_div=2e-3))
    entry = {"points": [to_plain(step) for step in (STEP, slower)]}
    assert list(missing(entry, [planned_place(STEP)])) == ["channel 1: 2 ms/div"]


@pytest.mark.parametrize("place", ["a reading", "a planned point"])
def test_a_journal_with_an_unknown_quantity_is_refused_with_its_line(tmp_path: Path, place: str) -> None:
    planned = NOISE if place == "a planned point" else STEP
    header: dict[str, Any] = {
        "program": "test",
        "run": "r",
        "parts": [{"name": "1 own", "points": [to_plain(planned)]}],
    }
    journal = Journal.create(tmp_path / "run", header, lambda: "t")
    journal.reply("1 own", 0, NOISE if place == "a reading" else STEP, Reading(value=1.0))
    journal.close()
    line = 2 if place == "a reading" else 1
    with pytest.raises(JournalError, match=rf"journal.jsonl:{line}: .*{re.escape(SENTENCE)}"):
        read(tmp_path / "run")
