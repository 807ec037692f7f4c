"""What a report says, as values: every rendering shows these and computes nothing.   [pure]"""

from __future__ import annotations

from dataclasses import dataclass, replace
from importlib import import_module
from typing import Final, Literal, TypeAlias

from harness.analysis.curve import Band, Curve, CurvePoint, Flag, LevelPoint
from harness.analysis.estimate import Budget, Contribution, Statement
from harness.analysis.verdict import Limits, Overall, Rule, Verdict, decide_statement
from harness.journal.issues import Issue
from harness.models import Setup
from harness.steps import KINDS as STEPS
from harness.steps import Stimulus, View

Word: TypeAlias = Literal[
    "pass", "conditional pass", "conditional fail", "fail", "undecided",
    "not measured",  # skipped by the operator, or the part ended before it
]  # fmt: skip


class Shown:
    """What a notebook shows as a line, or as a table. The words stand above this module, so they are loaded by name."""

    __slots__ = ()

    def __repr__(self) -> str:
        return str(import_module("harness.report.notebook").in_a_line(self))

    def _repr_html_(self) -> str:
        return str(import_module("harness.report.notebook").as_html(self))


@dataclass(frozen=True, slots=True, kw_only=True)
class Standard:
    """An instrument that a reading was taken with, and the results rest on."""

    role: str
    label: str
    identity: str
    certificate: str
    certificate_by: str
    certified: str
    due: str
    overdue: bool  # on the last day of the run


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Result(Shown):
    """What was judged, or would have been: a range of a channel, a time factor, a rise time, a half-power frequency."""

    quantity: str  # the name of its `harness.measurement.Rating`
    is_error: bool = False  # of what was applied; else the value itself
    channel: int
    path: str
    setting: str  # "50 mV/div", "10 µs/div ×10"
    setting_value: float  # V/div or s/div, for axes
    setting_unit: Literal["V/div", "s/div"]
    applied: str = ""  # "300 mV", "marks of 1 µs"; "" where it is not one thing
    corrected: str = ""  # the same by all that is known of its source, where that is not what was set
    applied_value: float | None = None
    applied_unit: Literal["", "V", "s"] = ""
    expected: float | None = None  # what an ideal unit shows, in `unit`
    readings: tuple[float, ...] = ()  # in `unit`; repeats in order
    reading: float | None = None  # what the error was made from, in `unit`
    unit: str = ""  # "div", "ns", "%"
    statement: Statement | None  # the error or value with its uncertainty, in its own unit
    budget: Budget | None
    at_least: float | None = None  # without a statement: the value lies above this (95 %), in `result_unit`
    result_unit: str = "%"  # of the statement and the limits
    limits: Limits | None
    verdict: Verdict | None
    word: Word
    remarks: tuple[str, ...] = ()
    sentence: str = ""  # what is to be said beside the table: "Channel 1: half power at …"
    stimulus: Stimulus | None = None  # what was put out, and how the screen was set: for a drawing of it
    view: View | None = None
    curve: Curve | None = None

    def decided(self, rule: Rule) -> Result:
        """With the word on its statement by a rule; as it is where nothing is stated, or no limit is rated."""
        if self.statement is None or self.limits is None:
            return self
        verdict = decide_statement(self.statement, self.limits, rule, budget=self.budget)
        return replace(self, verdict=verdict, word=verdict.word)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A further result in words and one number: linearity, channel match, divider ratio, drift."""

    name: str
    channel: int | None
    path: str
    value: float
    u: float | None  # expanded, by `k`
    unit: str
    sentence: str
    k: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainReading:
    """A reading of a sequence that the report has no judgement for (a user's own sequence)."""

    purpose: str
    channel: int
    path: str
    applied: str
    setting: str
    quantity: str
    expected: float | None
    value: float | None
    unit: str
    status: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LookedAt:
    """A check by looking, as it was answered."""

    what: str
    question: str
    answer: str
    remark: str


Coverage: TypeAlias = Literal["covered", "not in this job", "out of scope"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading of the calibration guide for oscilloscopes, and how this run stands to it."""

    title: str
    coverage: Coverage
    by: str  # by what it is covered, by what it could be, or why it is out of this tool's scope


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluated:
    """What the measurement of a part makes of its readings."""

    results: tuple[Result, ...] = ()
    findings: tuple[Finding, ...] = ()
    plain: tuple[PlainReading, ...] = ()
    missing: tuple[str, ...] = ()  # what was to be read and has not been, channel by channel
    headings: tuple[Heading, ...] = ()  # of the calibration guide, where a measurement of the user's own says some


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class PartResult(Shown):
    """One sequence of the job."""

    name: str
    use: str
    title: str
    finished: bool
    results: tuple[Result, ...] = ()
    findings: tuple[Finding, ...] = ()
    plain: tuple[PlainReading, ...] = ()
    left_out: tuple[str, ...] = ()  # what this equipment could not do, said before the run
    missing: tuple[str, ...] = ()  # what a part that is not finished has not read, channel by channel
    headings: tuple[Heading, ...] = ()  # of a measurement of the user's own; others are asked when the report is made
    looks: tuple[LookedAt, ...] = ()  # what somebody saw: no measurement, and counted as none


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A particular of the report, and the clause of ISO/IEC 17025:2017 that asks for it; "" if none does."""

    name: str
    text: str
    clause: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FactGroup:
    """Particulars under one heading; none of them is empty."""

    title: str
    facts: tuple[Fact, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """Who stands for the report, and a line to sign on paper."""

    role: Literal["Performed by", "Authorised by"]
    name: str  # "" leaves the line to be filled in by hand
    function: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """What an eye has proved of a part, and what agrees as far as it can read."""

    part: str
    points: int
    proved: int  # pass
    agree: int  # conditional pass
    disagree: int  # conditional fail
    failed: int
    within_div: float | None  # that what agrees was read from its nominal, to the next step that an eye reads
    limits: tuple[str, ...]  # of what agrees: "±3 %"


@dataclass(frozen=True, slots=True, kw_only=True)
class Photograph:
    """A photograph of the screen that the run has kept."""

    name: str  # in the run's folder
    sha256: str  # of the file, as the journal has it
    at: str  # what was set or read: "channel 2, 50 mV/div, 300 mV DC"
    part: int  # of the report, counted from 0


Change: TypeAlias = Literal["changed", "no change shown", "one state only"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """A result as found and as left; None where one of the two runs has no such result."""

    found: Result | None
    left: Result | None
    change: Statement | None  # of the result, left less found, with its expanded uncertainty
    word: Change

    @property
    def either(self) -> Result:
        """The result that names the place of both."""
        result = self.left or self.found
        assert result is not None
        return result


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjustment:
    """What an earlier run found, beside the run that this report is of."""

    number: str  # of the earlier run
    id: str
    journal_sha256: str
    started: str
    ended: str
    overall: Overall
    sentence: str  # "As found (run …): …"
    summary: str  # how many results changed
    pairs: tuple[Pair, ...]


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Report(Shown):
    """Everything a report says."""

    number: str
    id: str  # what no other run has
    journal_sha256: str  # of the journal as it was read
    issued: str  # the day of issue, ISO
    title: str
    setup: Setup
    program: str
    started: str
    ended: str
    finished: bool
    simulated: bool
    overall: Overall
    sentence: str  # the verdict in one sentence
    next_step: str  # what to do next
    rule_text: str
    equality_text: str
    error_text: str
    parts: tuple[PartResult, ...]
    standards: tuple[Standard, ...]
    deviations: tuple[str, ...]  # repeats, withdrawn readings, skipped points, overdue standards, events
    notes: tuple[str, ...]  # of the operator
    facts: tuple[FactGroup, ...]  # laboratory, customer, unit, work, conditions, conformity, uncertainty, traceability
    not_stated: tuple[str, ...]  # particulars that the files left open: "the customer's contact"
    statements: tuple[Fact, ...]  # what a report must say about itself, the last one its end
    signatures: tuple[Signature, ...]
    checklist: tuple[Heading, ...]  # against the calibration guide for oscilloscopes
    adjustment: Adjustment | None = None  # the unit as found, where this report is of the unit as left
    by_eye: tuple[Agreement, ...] = ()  # of a unit that is read by eye, where something is neither proved nor failed
    photographs: tuple[Photograph, ...] = ()
    advice: str = ""  # an opinion for the customer, printed where the laboratory wants one (ISO/IEC 17025:2017, 7.8.7)
    may_be_on: bool = False  # an output, as far as this run knows
    issue: Issue | None = None  # what became of it, where it was approved or amended, or is to be
    reanalysed: str = ""  # worked out again later: when, by what, and why, in a sentence


KINDS: Final[dict[str, type]] = STEPS | {
    kind.__name__: kind
    for kind in (
        Evaluated, Result, Finding, PlainReading, Heading, Curve, CurvePoint, LevelPoint, Band, Flag,
        Statement, Budget, Contribution, Limits, Verdict,
    )
}  # fmt: skip
"""What results are made of, as a journal keeps those of a user's own measurement: fields are added, never renamed."""
