"""What a report says besides its numbers: the particulars of ISO/IEC 17025:2017, 7.8, the checklist, two runs in one.

The clauses are from memory of the standard's text; the headings of the checklist as `harness.report.checklist` says.
"""

from __future__ import annotations

import copy
import datetime as dt
import math
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness.errors import HalfpowerError
from harness.journal import journal
from harness.journal.journal import Contents
from harness.report.checklist import checklist
from harness.report.model import Pair, Report, Result
from harness.report.parts import pair_name
from harness.report.shown import OVERDUE, marks
from harness.report.summary import beside, summarise, with_particulars
from harness.steps import Dc, Reading, Square
from tests.golden.render import FORMATS
from tests.helpers.record_examples import measured
from tests.helpers.report_examples import EXAMPLES, build, setup

DIGITAL = FORMATS[0] / "digital"
EARLIER = FORMATS[0] / "before_identities"


def kept(folder: Path, *, days: int = 0, **job: Any) -> Contents:
    """A journal of the golden ones, some days later, with other words in its job."""
    contents = journal.read(folder)
    shifted = dt.datetime.fromisoformat(contents.header["started"]) + dt.timedelta(days=days)
    ended = dt.datetime.fromisoformat(contents.closed_at or "") + dt.timedelta(days=days)
    header = {**contents.header, "started": shifted.isoformat(), "run": f"{contents.header['run']}+{days}"}
    given = header["setup"]
    header["setup"] = {**given, "job": {**given["job"], **job}}
    return replace(contents, header=header, closed_at=ended.isoformat())


def facts(report: Report) -> dict[str, str]:
    return {fact.name: fact.text for group in report.facts for fact in group.facts}


def clauses(report: Report) -> set[str]:
    found = [fact for group in report.facts for fact in group.facts] + list(report.statements)
    return {fact.clause for fact in found}


# --- particulars -------------------------------------------------------------------------------------------------


def test_every_clause_that_a_tool_can_meet_is_met_by_a_full_job() -> None:
    """The letters of 7.8.2.1 but k and p (no sampling, nothing from others), 7.8.4.1 a to c, 7.8.6.2 a to c."""
    report = summarise(kept(DIGITAL))
    letters = {f"7.8.2.1 {letter}" for letter in "bcdefghijl"} | {f"7.8.4.1 {letter}" for letter in "abcd"}
    assert letters | {f"7.8.6.2 {letter}" for letter in "abc"} | {"7.8.6.1", "7.8.7", "7.8.4.3"} <= clauses(report)
    assert report.title  # a
    assert report.deviations  # n
    assert [signature.role for signature in report.signatures] == ["Performed by", "Authorised by"]  # o
    assert report.not_stated == ("the document that the ratings come from",)


def test_the_specification_names_the_document_that_it_comes_from_with_edition_and_page() -> None:
    contents = kept(DIGITAL)
    header = copy.deepcopy(dict(contents.header))
    header["setup"]["unit"]["document"] = {"title": "Egret service manual", "edition": "3, 2021", "page": "14"}
    report = summarise(replace(contents, header=header))
    said = "the maker's ratings after Egret service manual, edition 3, 2021, page 14, as the unit file states them: "
    assert facts(report)["Specification"].startswith(said)
    assert report.not_stated == ()
    del header["setup"]["unit"]["document"]["page"]
    said = "the maker's ratings after Egret service manual, edition 3, 2021, as the unit file states them: "
    assert facts(summarise(replace(contents, header=header)))["Specification"].startswith(said)


def test_every_clause_stands_in_the_documents() -> None:
    page = (Path(__file__).parent.parent / "docs" / "report.md").read_text("utf-8")
    for clause in clauses(summarise(kept(DIGITAL, next_due="2027-11-30"))) - {""}:
        assert f"| {clause} |" in page, clause


def test_every_heading_of_the_checklist_stands_in_the_documents() -> None:
    page = (Path(__file__).parent.parent / "docs" / "measurement.md").read_text("utf-8").lower()
    for heading in summarise(kept(DIGITAL)).checklist:
        assert heading.title.lower() in page, heading.title


def test_what_is_missing_is_named_and_leaves_no_empty_field() -> None:
    report = summarise(kept(EARLIER, laboratory="", customer=""))
    assert all(fact.text for group in report.facts for fact in group.facts)
    assert all(group.facts for group in report.facts)
    for name in ("the laboratory's name", "the customer's contact", "who authorises the report"):
        assert name in report.not_stated
    assert "Laboratory" not in facts(report)
    assert not any(group.title == "Customer" and "Customer" in {f.name for f in group.facts} for group in report.facts)


def test_the_statement_of_conformity_says_what_it_is_about() -> None:
    said = facts(summarise(kept(DIGITAL)))
    assert "half-power frequency at least 100 MHz" in said["Specification"]
    assert said["Applies to"].startswith("Vertical deflection, 22 results, channels 1, 2; Time base, 23 results")
    assert "Pulse response, 3 results, channels 1, 2" in said["Applies to"]
    assert said["Does not apply to"].startswith("Pulse response, 1 result, channel 2, open; ")
    assert "2 points that could not be tried" in said["Does not apply to"]
    assert said["Met"] == "48 of 51 results"
    assert said["Not met"] == "2 of 51 results: channel 2, 500 mV/div; channel 2, half-power frequency"
    assert said["Open"] == "1 of 51 results: channel 2, 5 ns/div, rise time"
    assert said["Agreed with the customer"] == "order SAN-118"


@pytest.mark.parametrize("name", ["meets", "undecided", "conditional", "incomplete", "above_generator", "plain_only"])
def test_conformity_is_stated_of_what_was_decided_and_of_nothing_else(name: str) -> None:
    """ILAC-G8:09/2019: a result in the guard band has no statement of conformity; a conditional word is one."""
    report = with_particulars(EXAMPLES[name]())
    said = facts(report)
    words = [one.word for part in report.parts for one in part.results]
    is_open = [word in ("undecided", "not measured") for word in words]

    def counted(text: str) -> int:
        return sum(int(count) for count in re.findall(r"(\d+) results?, channel", text))

    assert counted(said["Applies to"]) == is_open.count(False)
    assert counted(said.get("Does not apply to", "")) == is_open.count(True)
    assert ("Open" in said) == any(is_open)


def test_the_span_of_coverage_factors_is_that_of_the_results() -> None:
    report = summarise(kept(DIGITAL))
    k = [p.statement.k for part in report.parts for p in part.results if p.statement is not None]
    assert f"({min(k):.2f} to {max(k):.2f})" in facts(report)["Uncertainty"]
    assert "95.45 %" in facts(report)["Uncertainty"]


def test_a_chain_of_traceability_is_named_or_said_to_be_open() -> None:
    assert "the bench was simulated" in facts(summarise(kept(DIGITAL)))["Traceability"].lower()
    real = facts(EXAMPLES["meets"]())["Traceability"]
    assert "traceable to the SI through the certificates" in real
    assert "calibrator BRK-2026-0110" in real
    assert "issued by Harbour Standards Laboratory" in real
    assert "an issuer that is not stated" in facts(summarise(kept(EARLIER)))["Traceability"]


def test_only_standards_that_a_reading_was_taken_with_stand_behind_the_results() -> None:
    """What merely stood on the bench makes nothing traceable, is not asked for a certificate, and may be overdue."""
    contents = measured()  # deflection and time base: the calibrator alone
    bench = copy.deepcopy(contents.header["setup"]["bench"])
    bench["generator"] |= {"due": "2020-01-01", "certificate": None}
    given = {**contents.header["setup"], "bench": bench}
    report = summarise(replace(contents, header={**contents.header, "setup": given}))
    assert [standard.role for standard in report.standards] == ["calibrator"]
    assert "generator" not in facts(report)["Traceability"] + "; ".join((*report.not_stated, *report.deviations))
    assert OVERDUE not in marks(report)
    assert {s.role for s in summarise(kept(DIGITAL)).standards} == {"calibrator", "generator", "counter", "reference"}


def test_no_calibration_interval_is_recommended_unless_the_customer_asked() -> None:
    """7.8.4.3: no recommendation on the interval, except where it was agreed with the customer."""

    def interval(**job: Any) -> str:
        return next(s.text for s in summarise(kept(DIGITAL, **job)).statements if s.name == "Interval")

    assert interval() == "It recommends no calibration interval."
    assert "as the customer asked: 2027-11-30" in interval(next_due="2027-11-30")


def test_the_day_of_issue_is_the_last_day_of_the_run_or_the_day_stated() -> None:
    contents = kept(DIGITAL)
    assert summarise(contents).issued == "2026-11-25"
    assert facts(summarise(contents))["Issued"] == "2026-11-25, the day (UTC) on which the run ended"
    stated = summarise(contents, issued=dt.date(2026, 12, 1))
    assert (stated.issued, facts(stated)["Issued"]) == ("2026-12-01", "2026-12-01")
    with pytest.raises(HalfpowerError, match=r"on 2026-11-24 cannot hold a run that ended on 2026-11-25 \(UTC\)"):
        summarise(contents, issued=dt.date(2026, 11, 24))
    west = replace(contents, closed_at="2026-11-26T02:30:00+00:00")  # 18:30 on the 25th where the clock is 8 h behind
    assert summarise(west, issued=dt.date(2026, 11, 25)).issued == "2026-11-25"


def test_the_last_statement_is_the_end() -> None:
    report = summarise(kept(DIGITAL))
    assert report.statements[-1].text == f"End of report {report.number}."


# --- checklist ---------------------------------------------------------------------------------------------------


def test_the_checklist_says_of_every_heading_how_the_run_stands_to_it() -> None:
    found = {heading.title: heading for heading in summarise(kept(DIGITAL)).checklist}
    covered = {title for title, heading in found.items() if heading.coverage == "covered"}
    assert covered >= {
        "Vertical deflection by direct voltage", "Horizontal deflection", "Bandwidth, high-impedance input",
        "Rise time and pulse response",
    }  # fmt: skip
    assert found["Vertical deflection by square wave or pulse"].coverage == "not in this job"
    assert "signal = 'square'" in found["Vertical deflection by square wave or pulse"].by
    assert found["Trigger sensitivity"].coverage == "not in this job"
    assert found["Harmonic distortion of the source"].coverage == "out of scope"
    assert all(heading.by for heading in found.values())


def test_what_was_not_measured_is_not_covered() -> None:
    cut = EXAMPLES["incomplete"]()  # the time base and the response were not begun
    found = {heading.title: heading.coverage for heading in checklist(cut.setup, cut.parts)}
    assert found["Vertical deflection by direct voltage"] == "covered"
    for title in ("Horizontal deflection", "Bandwidth, high-impedance input", "Flatness below the bandwidth"):
        assert found[title] == "not in this job"


def test_a_run_of_which_everything_was_skipped_covers_nothing() -> None:
    contents = kept(DIGITAL)
    skipped = replace(
        contents,
        records=[
            replace(r, reply=replace(r.reply, status="skipped", value=None)) if isinstance(r.reply, Reading) else r
            for r in contents.records
        ],
    )  # fmt: skip
    covered = {h.title for h in summarise(skipped).checklist if h.coverage == "covered"}
    assert covered == {"Documentation"}


def test_a_bandwidth_counts_for_the_input_that_the_unit_has() -> None:
    report = EXAMPLES["meets"]()
    unit = report.setup.unit
    fifty = unit.model_copy(update={"input": unit.input.model_copy(update={"resistance": 50.0})})
    found = {h.title: h.coverage for h in checklist(replace(report.setup, unit=fifty), report.parts)}
    assert found["Bandwidth, 50 Ω input"] == "covered"
    assert found["Bandwidth, high-impedance input"] == "not in this job"


# --- as found and as left ----------------------------------------------------------------------------------------


def as_left(**changes: Any) -> Report:
    left = build(seed=11)
    ahead = {"started": "2026-11-26T10:30:11+00:00", "ended": "2026-11-26T11:52:40+00:00", "number": "left"}
    return replace(left, **{"setup": setup(condition="as left"), **ahead, **changes})


def test_points_are_paired_by_their_place_and_a_change_is_told_from_its_uncertainty() -> None:
    report = EXAMPLES["as_left"]()
    assert report.adjustment is not None
    changed = [pair for pair in report.adjustment.pairs if pair.word == "changed"]
    assert [(pair.either.channel, pair.either.setting) for pair in changed] == [(1, "50 mV/div")]
    (pair,) = changed
    assert pair.found is not None
    assert pair.left is not None
    assert pair.change is not None
    assert (pair.found.word, pair.left.word) == ("fail", "pass")
    assert pair.found.statement is not None
    assert pair.left.statement is not None
    assert pair.change.estimate == pytest.approx(pair.left.statement.estimate - pair.found.statement.estimate)
    assert abs(pair.change.estimate) > pair.change.expanded
    assert report.adjustment.summary == "1 of 34 results changed by more than the uncertainty of the change."


def test_the_error_of_one_and_the_same_calibrator_drops_out_of_the_change() -> None:
    """Two measurements with one standard share its error: less u² by their covariance (GUM 5.2.2)."""
    contents = kept(DIGITAL), kept(DIGITAL, days=1, condition="as left")
    report = summarise(contents[1], found=contents[0])
    assert report.adjustment is not None
    pair = next(pair for pair in report.adjustment.pairs if pair.either.quantity == "deflection")
    assert pair.found is not None
    assert pair.found.budget is not None
    assert pair.change is not None
    own = [line.contribution for line in pair.found.budget.contributions if "Orme" not in line.name]
    assert pair.change.u == pytest.approx(math.sqrt(2.0 * math.fsum(u * u for u in own)), rel=1e-6)


def test_both_runs_answer_for_standards_deviations_and_days() -> None:
    found = replace(build(bad=(3, 0.062), seed=11, overdue=True), deviations=("A fuse was changed.",))
    report = beside(as_left(), found)
    assert "As found: A fuse was changed." in report.deviations
    assert [s.overdue for s in report.standards if s.role == "generator"] == [False, True]
    assert "as found 2026-11-25 09:15:02" in facts(report)["Performed"]
    assert "as left 2026-11-26 10:30:11" in facts(report)["Performed"]
    assert found.id in facts(report)["As found"]


def test_the_room_of_either_run_is_told_where_they_differ() -> None:
    found = build(bad=(3, 0.062), seed=11)
    assert facts(beside(as_left(), found))["Temperature"] == "22.6 °C"
    warmer = setup(condition="as left", environment={"temperature": 24.1, "temperature_within": 0.5})
    said = facts(beside(as_left(setup=warmer), found))
    assert said["Temperature, as found"] == "22.6 °C"
    assert said["Temperature, as left"] == "(24.1 ± 0.5) °C"
    assert "by I. Marrow" in said["As found"]


def test_a_point_of_one_run_alone_has_no_change() -> None:
    left = as_left()
    fewer = replace(
        left,
        parts=tuple(replace(part, results=[r for r in part.results if r.curve is None][:3]) for part in left.parts),
    )
    report = beside(fewer, build(seed=11))
    assert report.adjustment is not None
    single = [pair for pair in report.adjustment.pairs if pair.word == "one state only"]
    assert len(single) == 34 - 6
    assert all(isinstance(pair, Pair) and pair.left is None and pair.change is None for pair in single)
    assert report.adjustment.summary.endswith("; 28 were read in one state only.")


def levels(point: Result, *divisions: float) -> tuple[Result, ...]:
    """The point at several levels, as a job with `levels` has them."""
    return tuple(
        replace(
            point, applied=f"{d * point.setting_value:g} V DC", applied_value=d * point.setting_value,
            stimulus=Dc(level_v=d * point.setting_value),
        )
        for d in divisions
    )  # fmt: skip


def paired(found: Sequence[Sequence[Result]], left: Sequence[Sequence[Result]]) -> list[tuple[str | None, str | None]]:
    """What the pairs were tried with; each argument has the points of the parts of a run."""

    def run(report: Report, parts: Sequence[Sequence[Result]]) -> Report:
        some = (replace(report.parts[0], results=tuple(points)) for points in parts)
        return replace(report, parts=tuple(some))

    both = beside(run(as_left(), left), run(build(seed=11), found))
    assert both.adjustment is not None
    return [(p.found.applied if p.found else None, p.left.applied if p.left else None) for p in both.adjustment.pairs]


def test_no_point_of_several_parts_is_lost_and_none_is_paired_with_another_signal() -> None:
    """A job may try a range by direct voltage in one part, and by a square wave in the next."""
    (dc,) = levels(build(seed=11).parts[0].results[0], 6)
    square = replace(dc, applied="30 mVpp square wave, 1 kHz", stimulus=Square(level_vpp=0.03, frequency_hz=1e3))
    same = [(dc.applied, dc.applied), (square.applied, square.applied)]
    assert paired([[dc], [square]], [[dc], [square]]) == same
    assert paired([[square], [dc]], [[dc], [square]]) == same
    assert paired([[dc]], [[square]]) == [(None, square.applied), (dc.applied, None)]


def test_levels_are_paired_by_what_was_applied_and_a_lowered_one_with_what_is_left_over() -> None:
    point = build(seed=11).parts[0].results[0]
    one, three = levels(point, 6), levels(point, 2, 4, 6)
    assert paired([one], [three]) == [(None, "0.01 V DC"), (None, "0.02 V DC"), ("0.03 V DC", "0.03 V DC")]
    assert paired([three], [three[::-1]]) == [(p.applied, p.applied) for p in three[::-1]]
    assert paired([levels(point, 4, 6)], [levels(point, 4, 5)]) == [
        ("0.02 V DC", "0.02 V DC"), ("0.03 V DC", "0.025 V DC"),
    ]  # fmt: skip


def test_levels_of_one_range_are_told_apart_by_name() -> None:
    point = build(seed=11).parts[0].results[0]
    pairs = tuple(Pair(found=None, left=one, change=None, word="one state only") for one in levels(point, 3, 6))
    assert [pair_name(pairs, pair) for pair in pairs] == ["5 mV/div, 0.015 V DC", "5 mV/div, 0.03 V DC"]
    assert pair_name(pairs[:1], pairs[0]) == "5 mV/div"


def test_another_rule_or_rating_of_the_run_as_found_is_told() -> None:
    said = facts(beside(as_left(setup=setup(condition="as left", rule="simple")), build(seed=11)))
    assert said["Decision rule"].startswith("Simple acceptance")
    assert said["Decision rule, as found"].startswith("Guarded acceptance")
    assert "Specification, as found" not in said


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"setup": setup(condition="as left", error="deflection factor")}, "would seem to have changed"),
        ({"setup": setup(condition="as left", serial="NF-1")}, "not of one unit: the serial number is 'NF-20417'"),
        ({"setup": setup()}, "says condition = 'as found' in its job, where the run as left is asked for"),
        ({"started": "2026-11-25T10:00:00+00:00"}, "began before run 20261125-0915-NF-20417, as found, had ended"),
    ],
)
def test_two_runs_that_are_not_before_and_after_are_refused(changes: dict[str, Any], said: str) -> None:
    with pytest.raises(HalfpowerError, match=said):
        beside(as_left(**changes), build(seed=11))
