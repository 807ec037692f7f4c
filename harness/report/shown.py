"""How the values of a report look as text, the same in every rendering: signs, digits, groups.   [pure]

Over 400 lines because every hole of a sentence that a language fills is named on a line.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal, TypeAlias, TypeVar

from harness import quantities
from harness.analysis.rounding import format_pair
from harness.quantities import with_unit
from harness.words.clean import shortened
from harness.words.language import day, localised, tr, tr_later

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from harness.analysis.estimate import Statement
    from harness.analysis.verdict import Limits
    from harness.models import UnitInput
    from harness.report.model import PartResult, Report, Result, Word
    from harness.years.history import Track

Kind: TypeAlias = Literal["good", "bad", "open", "none"]
T = TypeVar("T")

# A kind beside every word, as there is a sign (`harness.words.spelling`), so that no colour carries a meaning alone.
KIND: Final[dict[str, Kind]] = {
    "pass": "good", "conditional pass": "open", "conditional fail": "open", "fail": "bad", "undecided": "open",
    "not measured": "none", "meets": "good", "conditionally meets": "open", "does not meet": "bad",
    "cannot be decided": "open",
    "not done": "bad", "not tried": "none",
}  # fmt: skip
WORDS: Final[tuple[Word, ...]] = (
    "pass", "conditional pass", "undecided", "conditional fail", "fail", "not measured",
)  # fmt: skip

NOT_ACCREDITED: Final = tr_later(
    "This report is not an accredited calibration certificate unless the laboratory that "
    "issues it makes it one within its own scope of accreditation."
)
SIMULATED: Final = tr_later("Simulated bench: no real instrument was measured")
OVERDUE: Final = tr_later("A standard was past its due date on the day of the run")
REANALYSED: Final = tr_later("Re-analysed: not the original report, which stands as it was issued")
MAY_BE_ON: Final = tr_later("An output may still be on")
DRAFT: Final = tr_later("Draft: not approved, not to be handed out")
INCOMPLETE: Final = tr_later("Incomplete: the run has not reached its end")
DEFINITION_OF_BANDWIDTH: Final = tr_later(
    "The half-power frequency is the lowest frequency at which the response, relative to the "
    "reference frequency, has dropped to 1/√2 of the voltage (−3.0103 dB). Where readings "
    "did not follow the response from there on, it is called a half-power frequency, and "
    "conformity is stated of that one."
)

_RAISED: Final = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_ONE_BY_ONE: Final = 3  # points of one group that are listed each with its numbers


def minus(text: str) -> str:
    """Put the minus sign in place of the hyphen before a digit."""
    return re.sub(r"-(?=[0-9.])", "−", text)


def capital(text: str) -> str:
    """Begin a text with a capital letter and leave the rest alone."""
    return text[:1].upper() + text[1:]


def number(value: float | None, unit: str = "", digits: int = 4, *, zeros: bool = False) -> str:
    """Write a number with its unit to significant digits; a dash where there is none."""
    if value is None:
        return "–"
    if not math.isfinite(value):
        return "∞" if value > 0 else "−∞" if value < 0 else "–"
    text = f"{value:#.{digits}g}".removesuffix(".") if zeros and value else f"{value:.{digits}g}"
    if "e" in text and 1 <= abs(value) < 1e9:
        text = f"{float(text):.0f}"
    mantissa, _, exponent = text.partition("e")
    if exponent:
        mantissa += f" × 10{str(int(exponent)).translate(_RAISED)}"
    return with_unit(minus(mantissa), unit)


def rounded(value: float | None, unit: str = "", digits: int = 2) -> str:
    """The same with every digit, as it becomes an uncertainty: 0.10 beside 0.099."""
    return number(value, unit, digits, zeros=True)


def quantity(value: float | None, unit: str, digits: int = 4) -> str:
    """Write an SI value with a prefix; a dash where there is none."""
    return "–" if value is None else minus(quantities.show(value, unit, digits))


def hertz(frequency_hz: float | None, digits: int = 4) -> str:
    """Write a frequency with its prefix."""
    return quantity(frequency_hz, "Hz", digits)


def percent(share: float | None, digits: int = 3) -> str:
    """Write a ratio in percent."""
    return "–" if share is None else number(100.0 * share, "%", digits)


def decibels(level_db: float | None) -> str:
    """Write a level to a thousandth of a decibel, so that a column lines up."""
    return "–" if level_db is None else minus(localised(f"{level_db:.3f} dB"))


def chance(probability: float) -> str:
    """Write a probability without claiming certainty."""
    if probability > 0.9999:
        return tr("more than 99.99 %")
    return tr("less than 0.01 %") if probability < 0.0001 else number(100.0 * probability, "%", 4)


def moment(text: str) -> str:
    """Write an ISO date and time to the second, with its offset; other text as it is."""
    try:
        at = dt.datetime.fromisoformat(text)
    except ValueError:
        return text
    offset = at.strftime("%z")
    return f"{day(at.date())} {at:%H:%M:%S}" + (f" {offset[:3]}:{offset[3:]}" if offset else "")


def result_name(result: Result | Track) -> str:
    """What is judged of a quantity."""
    return tr("Error") if result.is_error else tr("Result")


def scale_of(unit: str, size: float) -> tuple[float, str]:
    """What a value is divided by to be shown, and the unit with its prefix; only frequencies take one."""
    return frequency_scale(size) if unit == "Hz" else (1.0, unit)


def value_and_u(value: float, expanded: float | None, unit: str) -> tuple[str, str]:
    """A value and its expanded uncertainty to the same place, each with its unit."""
    if not expanded:
        return number(value, unit, 3), number(expanded, unit, 2)
    scale, unit = scale_of(unit, value)
    some = format_pair(value / scale, expanded / scale)
    return with_unit(minus(some[0]), unit), with_unit(some[1], unit)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """A statement as text: value and expanded uncertainty rounded together, without their unit."""

    value: str
    u: str
    unit: str
    k: str
    relative: str  # the expanded uncertainty over the value
    interval: str


def stated(statement: Statement, *, with_sign: bool = True, size: float | None = None) -> Stated:
    """A statement as text, an error with its sign; the unit has the prefix of the value, or of one of that `size`."""
    scale, unit = scale_of(statement.unit, statement.estimate if size is None else size)
    expanded = statement.expanded / scale
    value, u = format_pair(statement.estimate / scale, expanded, signed=with_sign)
    is_share = statement.estimate and statement.unit != "dB"  # a level in dB is a share already
    low, high = (format_pair(end / scale, expanded)[0] for end in (statement.low, statement.high))
    return Stated(
        value=signed(value), u=u, unit=unit, k=localised(f"{statement.k:.2f}"),
        relative=rounded(100.0 * statement.expanded / abs(statement.estimate), "%") if is_share else "–",
        interval=with_unit(tr("{low} to {high}", low=minus(low), high=minus(high)), unit),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Cells:
    """What the columns of a table say of a result; a dash where there is nothing."""

    value: str
    u: str
    k: str = "–"
    relative: str = "–"
    interval: str = "–"


def cells(result: Result) -> Cells:
    """Value and uncertainty of a result, each with its unit; what is known instead, where there is no value."""
    if result.statement is None:
        bound = result.at_least
        known = "–" if result.curve is None else tr("no value")
        return Cells(value=known if bound is None else known_text(None, bound, result.result_unit), u="–")
    s = stated(result.statement, with_sign=result.is_error)
    return Cells(
        value=with_unit(s.value, s.unit), u=with_unit(s.u, s.unit), k=s.k, relative=s.relative,
        interval=s.interval,
    )  # fmt: skip


def known_text(statement: Statement | None, at_least: float | None, unit: str) -> str:
    """A value with its expanded uncertainty, "(92.3 ± 1.8) MHz", or what is known instead."""
    if statement is not None:
        return with_u(statement, with_sign=False)
    return tr("no value") if at_least is None else tr("above {at_least}", at_least=quantity(at_least, unit))


def signed(value: str) -> str:
    """A number as text with its sign; nought has none."""
    return minus(value if value.strip("+-0.,") else value.lstrip("+-"))


def reading_text(result: Result) -> str:
    """The reading of a result, to the decimal place of its expanded uncertainty, which may be relative."""
    if result.reading is None or result.statement is None or result.statement.unit not in ("%", result.unit):
        return number(result.reading, result.unit if result.reading is not None else "")
    relative = result.statement.unit != result.unit
    expanded = result.statement.expanded * (abs(result.reading) / 100.0 if relative else 1.0)
    value, _ = format_pair(result.reading, expanded)
    typed = localised(str(round(result.reading, 10)))
    if len(result.readings) == 1 and "e" not in typed:  # what an eye read as 1.9 is not 1.90
        value = min(value, typed, key=lambda text: len(text.replace(",", ".").partition(".")[2]))
    return with_unit(minus(value), result.unit)


def own_remarks(result: Result) -> tuple[str, ...]:
    """Remarks that are not the sentence of a flag, which stands below the table."""
    flags = () if result.curve is None else result.curve.flags
    return tuple(remark for remark in result.remarks if remark not in {flag.sentence for flag in flags})


def in_words(result: Result) -> str:
    """What is to be said beside the table: the sentence of a result, and the flags of its curve."""
    flags = () if result.curve is None else result.curve.flags
    return " ".join(minus(sentence) for sentence in (result.sentence, *(flag.sentence for flag in flags)) if sentence)


def limits_text(limits: Limits | None, unit: str = "") -> str:
    """Write limits as a report shows them."""
    if limits is None:
        return "–"
    scale, unit = scale_of(unit, limits.low or limits.high or 0.0)
    low, high = (None if end is None else end / scale for end in (limits.low, limits.high))
    return minus(replace(limits, low=low, high=high).text(unit))


def frequency_scale(frequency_hz: float) -> tuple[float, str]:
    """The prefix that a frequency is written with."""
    scales = ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz"), (1.0, "Hz"))
    return next((scale, unit) for scale, unit in scales if abs(frequency_hz) >= scale or scale == 1)


def grouped(some: Iterable[T], result: Callable[[T], Result]) -> list[list[T]]:
    """Sort into the tables a technician wants: by quantity, channel and path; by quantity where a channel has one."""
    groups: dict[tuple[object, ...], list[T]] = {}
    for each in some:
        r = result(each)
        groups.setdefault((r.quantity,) if r.curve is not None else (r.quantity, r.channel, r.path), []).append(each)
    return [*groups.values()]


def result_groups(part: PartResult) -> list[list[Result]]:
    """The results of a part, a group a table."""
    return grouped(part.results, lambda result: result)


def unit_named(report: Report) -> str:
    """The unit under test in a line."""
    unit, job = report.setup.unit, report.setup.job
    return tr(
        "{maker} {unit_model}, serial number {serial}, {condition}",
        maker=unit.maker,
        unit_model=unit.model,
        serial=job.serial,
        condition=job.condition,
    )


def path_label(report: Report, name: str) -> str:
    """What a path is called in the bench file, or its name."""
    path = report.setup.bench.paths.get(name)
    return path.label if path is not None and path.label else name


def group_title(report: Report, first: Result) -> str:
    """Name a group of results by its first."""
    if first.curve is not None:
        return capital(tr(first.quantity))
    return tr(
        "{quantity}, channel {channel}, {report}",
        quantity=capital(tr(first.quantity)),
        channel=first.channel,
        report=path_label(report, first.path),
    )


def overview(part: PartResult) -> tuple[str, ...]:
    """What a part says of each channel, where that is one result: "channel 1: (92.3 ± 1.8) MHz"."""
    return tuple(
        tr("channel {channel}: {r}", channel=r.channel, r=stated_text(r)) for r in part.results if r.curve is not None
    )


def tally(part: PartResult) -> tuple[tuple[Word, int], ...]:
    """How often each word was said in a part."""
    return tallied(result.word for result in part.results)


def tallied(said: Iterable[str]) -> tuple[tuple[Word, int], ...]:
    """How often each word is among those said."""
    words = list(said)
    return tuple((word, words.count(word)) for word in WORDS if word in words)


def not_passed(report: Report) -> tuple[tuple[Word, str], ...]:
    """What was judged and did not pass: a line a result, or one for many of a group; those with a sentence last."""
    lines: list[tuple[Word, str]] = []
    for part in report.parts:
        for group in result_groups(part):
            title = group_title(report, group[0])
            for word in (word for word in WORDS if word not in ("pass", "not measured")):
                results = [result for result in group if result.word == word and not result.sentence]
                if len(results) > _ONE_BY_ONE:
                    lines.append((word, f"{title}: {', '.join(result.setting for result in results)}"))
                else:
                    lines += [(word, f"{title}, {result.setting}{_against(result)}") for result in results]
        lines += [
            (result.word, minus(result.sentence))
            for result in part.results
            if result.sentence and result.word not in ("pass", "not measured")
        ]
    return tuple(lines)


def _against(result: Result) -> str:
    """A result against its limits, as the end of a sentence."""
    if result.statement is None:
        return ""
    return tr(
        ": {result} against {limits}", result=stated_text(result), limits=limits_text(result.limits, result.result_unit)
    )


def stated_text(result: Result | None) -> str:
    """A result with its expanded uncertainty: "(+4.20 ± 0.21) %"; what is known instead, or a dash."""
    if result is None:
        return "–"
    if result.statement is None:
        return cells(result).value
    return with_u(result.statement, with_sign=result.is_error)


def with_u(statement: Statement, *, with_sign: bool = True, size: float | None = None) -> str:
    """An estimate with its expanded uncertainty."""
    s = stated(statement, with_sign=with_sign, size=size)
    return with_unit(f"({s.value} ± {s.u})", s.unit)


def not_measured(report: Report) -> tuple[str, ...]:
    """What is missing, one line a group of results: "Deflection, channel 2, direct: 2 V/div, 5 V/div"."""
    lines: dict[str, list[str]] = {}
    for part in report.parts:
        for r in (result for result in part.results if result.word == "not measured"):
            title = tr(
                "{quantity}, channel {channel}, {report}",
                quantity=capital(tr(r.quantity)),
                channel=r.channel,
                report=path_label(report, r.path),
            )
            lines.setdefault(title, []).append(r.setting)
    return tuple(f"{title}: {', '.join(settings)}" for title, settings in lines.items())


def option(given: object) -> str:
    """What somebody wrote for an option, in words."""
    match given:
        case bool():
            return tr("yes") if given else tr("no")
        case dict():
            return ", ".join(f"{key} {option(each)}" for key, each in given.items())
        case list() | tuple():
            return ", ".join(map(option, given)) or tr("none")
        case _:
            return minus(str(given))


def readings_text(result: Result) -> str:
    """The readings of a result in their order."""
    return f"{', '.join(number(x) for x in result.readings)} {result.unit}".strip() if result.readings else "–"


def with_tolerance(value: str, tolerance: float | None) -> str:
    """A nominal value and how far it may be off."""
    return f"{value} ± {percent(tolerance)}" if tolerance else value


def rated_input(rated: UnitInput) -> str:
    """The input of the unit as its maker rates it."""
    most = tr(
        "{resistance} and {capacitance}",
        resistance=quantity(rated.resistance, "Ω"),
        capacitance=quantity(rated.capacitance, "F"),
    )
    return tr("Rated input of the unit: {most}, at most {maximum}.", most=most, maximum=quantity(rated.maximum, "V"))


def marks(report: Report) -> tuple[str, ...]:
    """What every page must be marked with."""
    issue = report.issue
    replaced = (
        tr("Replaced by report {replaced_by}", replaced_by=shortened(issue.replaced_by, 60))
        if issue is not None
        else ""
    )
    said = (
        (DRAFT, issue is not None and issue.state == "draft"),
        (replaced, issue is not None and issue.state == "replaced"),
        (SIMULATED, report.simulated),
        (MAY_BE_ON, report.may_be_on),
        (OVERDUE, any(standard.overdue for standard in report.standards)),
        (INCOMPLETE, not report.finished),
        (REANALYSED, bool(report.reanalysed)),
    )
    return tuple(tr(mark) for mark, holds in said if holds)
