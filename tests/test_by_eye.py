"""A unit that is read by eye: what is proved, what agrees, and the one word for the unit."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import get_args

import pytest

from harness.analysis.verdict import Overall
from harness.cli import cli
from harness.journal import journal
from harness.report import night, shown
from harness.report.html import html_page
from harness.report.model import Report
from harness.report.results import results
from harness.report.summary import summarise
from harness.report.words import sentence
from harness.steps import Measure, Step
from harness.words.spelling import SIGN

KEPT = Path(__file__).parent / "golden" / "format-1" / "by_eye"


def kept(*, rule: str, without: Callable[[Step], bool] = lambda _: False, finished: bool = True) -> Report:
    """The kept run of an analogue scope, as if another rule had been agreed, and as if some of it had not been done."""
    contents = journal.read(KEPT / journal.NAME)
    setup = dict(contents.header["setup"])
    setup["job"] = {**setup["job"], "rule": rule}
    records = tuple(each for each in contents.records if not without(each.step))
    closed = contents.closed_at if finished else None
    header = {**contents.header, "setup": setup}
    return summarise(replace(contents, header=header, records=records, closed_at=closed))


def by_hand() -> dict[str, Counter[str]]:
    """The four words of ILAC-G8:09/2019, 4.2.3, from the numbers of the kept table alone."""
    counts: dict[str, Counter[str]] = {}
    with (KEPT / "points.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if not row["result"] or not row["limit_high"]:
                continue
            error, u, limit = float(row["result"]), float(row["expanded_u"]), float(row["limit_high"])
            inside = limit - abs(error)
            word = "proved" if inside >= u else "agree" if inside >= 0 else "disagree" if inside >= -u else "failed"
            counts.setdefault(row["part"], Counter())[word] += 1
    return counts


@pytest.mark.parametrize("rule", ["guarded", "non-binary", "simple"])
def test_what_is_proved_and_what_agrees_is_counted_by_the_non_binary_statement_whatever_the_rule(rule: str) -> None:
    report, counts = kept(rule=rule), by_hand()
    found = {
        part.name: {"proved": row.proved, "agree": row.agree, "disagree": row.disagree, "failed": row.failed}
        for part, row in zip(report.parts, report.by_eye, strict=True)
    }
    for name, words in counts.items():
        assert found[name] == {each: words[each] for each in found[name]}
    total = sum(len(part.results) for part in report.parts)
    assert f"of {total} points proved" in report.sentence


def test_what_agrees_is_not_named_among_what_is_open() -> None:
    report = kept(rule="non-binary")
    open_points = sum(result.word == "conditional fail" for part in report.parts for result in part.results)
    assert report.overall == "cannot be decided"
    assert f"cannot be decided: {open_points} of 49 points are open (" in report.sentence


def outside(step: Step) -> bool:
    """The points of the kept run that lie outside their limits: the divider probe on channel 2."""
    return isinstance(step, Measure) and step.path == "probe" and step.view.channel == 2


def test_a_unit_of_which_an_eye_sees_no_error_conditionally_meets() -> None:
    report = kept(rule="non-binary", without=outside)
    proved, agree = (sum(getattr(row, name) for row in report.by_eye) for name in ("proved", "agree"))
    assert report.overall == "conditionally meets"
    assert report.sentence == (
        "Aldermoor Skua, no. Skua-0958, conditionally meets its rating: no error can be seen: "
        f"{proved} of {proved + agree} points proved, {agree} agree within ±0.1 div, which is too coarse to prove ±3 %."
    )
    assert report.next_step.startswith("File this report with the unit.")
    assert kept(rule="guarded", without=outside).overall == "cannot be decided"


def test_what_agrees_is_no_farther_off_than_is_said() -> None:
    report = kept(rule="non-binary", without=outside)
    agreeing = [each for each in report.parts[0].results if each.word == "conditional pass"]
    away = max(abs(each.reading - each.expected) for each in agreeing)  # type: ignore[operator]
    assert report.by_eye[0].within_div == pytest.approx(0.1)
    assert away <= 0.1 + 1e-9


def test_a_run_that_is_not_finished_conditionally_meets_nothing() -> None:
    assert kept(rule="non-binary", without=outside, finished=False).overall == "cannot be decided"


def test_what_is_not_read_by_eye_says_what_lies_nearer_to_its_limit_than_its_uncertainty() -> None:
    report = kept(rule="non-binary", without=outside)
    said = sentence(report.setup, "conditionally meets", report.parts, (), finished=True)
    assert "conditionally meets its rating: 16 of 39 points pass, channel 1, 5 mV/div, lead; " in said
    assert said.endswith("lie inside their limits by less than their uncertainty.")


def test_every_word_of_a_unit_has_a_sign_a_colour_and_a_place_in_a_night() -> None:
    for word in get_args(Overall):
        assert SIGN[word]
        assert shown.KIND[word] != "none"
        assert word in get_args(night.Outcome)


def test_the_store_is_asked_for_every_word() -> None:
    (option,) = (each for each in cli.commands["records"].commands["list"].params if each.name == "overall")  # type: ignore[attr-defined]
    assert set(option.type.choices) == set(get_args(Overall))


def test_the_table_stands_in_the_page_and_in_the_data() -> None:
    report = kept(rule="guarded")
    assert "As far as an eye can read" in html_page(report)
    first = results(report)["by_eye"][0]
    assert first["agree"] == report.by_eye[0].agree > 0
    assert first["limits"] == ["±3 %"]
