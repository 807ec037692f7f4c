"""Levels over frequency against limits in dB: each is judged, the worst stands for all, a curve has them.   [pure]"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.analysis.curve import Curve, CurvePoint, LevelPoint
from harness.analysis.estimate import Budget, Statement, state
from harness.analysis.verdict import Limits, Verdict, decide_statement
from harness.models import Setup
from harness.quantities import show
from harness.report import shown
from harness.report.model import Result, Word
from harness.report.words import NO_SIGNAL
from harness.steps import Measure
from harness.words.language import tr


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """What is stated at one frequency: a budget in dB, or no more than that it lies above a bound, or nothing."""

    step: Measure
    frequency_hz: float
    budget: Budget | None = None
    at_least: float | None = None
    readings: tuple[float, ...] = ()
    remark: str = ""  # why there is nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A level with its word."""

    level: Level
    statement: Statement | None
    verdict: Verdict | None
    word: Word

    @property
    def value(self) -> float:
        """What is known of it, in dB."""
        return (self.level.at_least or 0.0) if self.statement is None else self.statement.estimate


def judge(setup: Setup, level: Level, limits: Limits) -> Judged:
    """The word of one level; a bound can pass a lower limit, and fail none."""
    if level.budget is None:
        known = level.at_least
        passes = known is not None and limits.high is None and limits.low is not None and known >= limits.low
        word: Word = "pass" if passes else "undecided" if known is not None or level.remark else "not measured"
        return Judged(level=level, statement=None, verdict=None, word=word)
    statement = state(level.budget, setup.job.coverage)
    verdict = decide_statement(statement, limits, setup.job.rule, budget=level.budget)
    return Judged(level=level, statement=statement, verdict=verdict, word=verdict.word)


def worst(judged: Sequence[Judged], limits: Limits) -> Judged:
    """The one with the worst word; of those the one nearest to a limit, or farthest beyond."""

    def inside(each: Judged) -> float:
        edges = (limits.low, limits.high)
        distances = (abs(each.value - edge) for edge in edges if edge is not None)
        within = all(edge is None or (each.value - edge) * sign >= 0 for edge, sign in zip(edges, (1, -1), strict=True))
        return min(distances) if within else -min(distances)

    read = [each for each in judged if each.word != "not measured"] or list(judged)
    return max(read, key=lambda each: (shown.WORDS.index(each.word), -inside(each)))


def result(
    setup: Setup, levels: Sequence[Level], limits: Limits, *, quantity: str, setting: str, says: str, sign: float = 1.0,
    reference_hz: float = 0.0, reference_div: float | None = None, level: tuple[LevelPoint, ...] = (), method: str = "",
) -> Result:  # fmt: skip
    """The result of all levels of one channel at one setting; `says` goes before what the worst of them is."""
    judged = [judge(setup, each, limits) for each in levels]
    one = worst(judged, limits)
    step, at = one.level.step, shown.hertz(one.level.frequency_hz)
    known = shown.known_text(one.statement, one.level.at_least, "dB")
    edges = [sign * edge for edge in (limits.low, limits.high) if edge is not None]
    left = [f"{show(each.level.frequency_hz, 'Hz')}: {each.level.remark}" for each in judged if each.level.remark]
    return Result(
        quantity=quantity,
        channel=step.view.channel,
        path=step.path,
        setting=setting,
        setting_value=step.view.volts_per_div,
        setting_unit="V/div",
        readings=one.level.readings,
        reading=sum(one.level.readings) / len(one.level.readings) if one.level.readings else None,
        unit="div",
        statement=one.statement,
        budget=one.level.budget,
        at_least=one.level.at_least,
        result_unit="dB",
        limits=limits,
        verdict=one.verdict,
        word=one.word,
        remarks=tuple(left),
        sentence=tr(
            "Channel {channel}, {setting}: {says} {known} at {at}. Rated {limits}: {word}.",
            channel=step.view.channel,
            setting=setting,
            says=says,
            known=known,
            at=at,
            limits=shown.limits_text(limits, "dB"),
            word=one.word,
        ),
        stimulus=step.stimulus,
        view=step.view,
        curve=Curve(
            status="read",
            reference_hz=reference_hz,
            limits_db=tuple(edges),
            reference_div=reference_div,
            points=tuple(
                _point(each, sign) for each in judged if each.word != "not measured" and not each.level.remark
            ),
            readings_used=sum(len(each.level.readings) for each in judged),
            level=level,
            level_method=method,
        ),
    )


def _point(judged: Judged, sign: float) -> CurvePoint:
    statement = judged.statement
    return CurvePoint(
        frequency_hz=judged.level.frequency_hz,
        response_db=sign * judged.value,
        u_db=0.0 if statement is None else statement.u,
        purpose="read" if statement is not None else tr("at least"),
        used=statement is not None,
    )


def not_read(statuses: Sequence[str]) -> str:
    """Why there is no value, of readings without one."""
    if "off_screen" in statuses:
        return tr("off the screen")
    return tr(NO_SIGNAL) if "no_signal" in statuses else tr("left out by the operator")
