"""How the values of a report look as text, the same in every rendering: signs, digits, groups.   [pure]"""

from __future__ import annotations

import datetime as dt
import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

from harness import quantities
from harness.analysis.rounding import format_pair
from harness.measurement import axis_of, is_error
from harness.steps import TimeMarks

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from harness.analysis.estimate import Statement
    from harness.analysis.verdict import Limits
    from harness.models import UnitInput
    from harness.report.model import Finding, PartResult, Point, Report, Response, Word
    from harness.report.pairs import PairGroup
    from sequences.bandwidth.response_model import HalfPower

Kind: TypeAlias = Literal["good", "bad", "open", "none"]

# A sign and a kind beside every word, so that no colour carries a meaning alone.
SIGN: Final[dict[str, str]] = {
    "pass": "✓", "conditional pass": "(✓)", "conditional fail": "(✗)", "fail": "✗", "undecided": "?",
    "not measured": "–", "meets": "✓", "does not meet": "✗", "cannot be decided": "?",
    "not done": "!", "not tried": "–",
}  # fmt: skip
KIND: Final[dict[str, Kind]] = {
    "pass": "good", "conditional pass": "open", "conditional fail": "open", "fail": "bad", "undecided": "open",
    "not measured": "none", "meets": "good", "does not meet": "bad", "cannot be decided": "open",
    "not done": "bad", "not tried": "none",
}  # fmt: skip
WORDS: Final[tuple[Word, ...]] = (
    "pass", "conditional pass", "undecided", "conditional fail", "fail", "not measured",
)  # fmt: skip

NOT_ACCREDITED: Final = (
    "This report is not an accredited calibration certificate unless the laboratory that issues it makes it one "
    "within its own scope of accreditation."
)
SIMULATED: Final = "Simulated bench: no real instrument was measured"
OVERDUE: Final = "A standard was past its due date on the day of the run"
REANALYSED: Final = "Re-analysed: not the original report, which stands as it was issued"
MAY_BE_ON: Final = "An output may still be on"
INCOMPLETE: Final = "Incomplete: the run has not reached its end"
DEFINITION_OF_BANDWIDTH: Final = (
    "The half-power frequency is the lowest frequency at which the response, relative to the reference frequency, "
    "has dropped to 1/√2 of the voltage (−3.0103 dB)."
)

_RAISED: Final = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_ONE_BY_ONE: Final = 3  # points of one group that are listed each with its numbers


def minus(text: str) -> str:
    """Put the minus sign in place of the hyphen before a digit."""
    return re.sub(r"-(?=[0-9.])", "−", text)


def capital(text: str) -> str:
    """Begin a text with a capital letter and leave the rest alone."""
    return text[:1].upper() + text[1:]


def number(value: float | None, unit: str = "", digits: int = 4) -> str:
    """Write a number with its unit to significant digits; a dash where there is none."""
    if value is None:
        return "–"
    if not math.isfinite(value):
        return "∞" if value > 0 else "−∞" if value < 0 else "–"
    text = f"{value:.{digits}g}"
    if "e" in text and 1 <= abs(value) < 1e9:
        text = f"{float(text):.0f}"
    mantissa, _, exponent = text.partition("e")
    if exponent:
        mantissa += f" × 10{str(int(exponent)).translate(_RAISED)}"
    return f"{minus(mantissa)} {unit}".rstrip()


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
    return "–" if level_db is None else minus(f"{level_db:.3f} dB")


def chance(probability: float) -> str:
    """Write a probability without claiming certainty."""
    if probability > 0.9999:
        return "more than 99.99 %"
    return "less than 0.01 %" if probability < 0.0001 else number(100.0 * probability, "%", 4)


def moment(text: str) -> str:
    """Write an ISO date and time to the second, with its offset; other text as it is."""
    try:
        at = dt.datetime.fromisoformat(text)
    except ValueError:
        return text
    offset = at.strftime("%z")
    return at.strftime("%Y-%m-%d %H:%M:%S") + (f" {offset[:3]}:{offset[3:]}" if offset else "")


def result_name(quantity: str) -> str:
    """What is judged of a quantity."""
    return "Error" if is_error(quantity) else "Result"


def error_pair(statement: Statement, *, with_sign: bool = True) -> tuple[str, str]:
    """Estimate (an error with its sign) and expanded uncertainty, rounded together, without unit."""
    value, u = format_pair(statement.estimate, statement.expanded, signed=with_sign)
    return signed(value), u


def signed(value: str) -> str:
    """A number as text with its sign; nought has none."""
    return minus(value if value.strip("+-0.") else value.lstrip("+-"))


def reading_text(point: Point) -> str:
    """The reading of a point, to the decimal place of its expanded uncertainty, which may be relative."""
    if point.reading is None or point.statement is None or point.statement.unit not in ("%", point.unit):
        return number(point.reading, point.unit if point.reading is not None else "")
    relative = point.statement.unit != point.unit
    expanded = point.statement.expanded * (abs(point.reading) / 100.0 if relative else 1.0)
    value, _ = format_pair(point.reading, expanded)
    return f"{minus(value)} {point.unit}"


def setting_unit(point: Point) -> str:
    """Unit of a point's setting: V/div for deflection, s/div for what is seen along the time axis."""
    return point.setting_unit or ("V/div" if axis_of(point.quantity) == "level" else "s/div")


def applied_unit(point: Point) -> str:
    """Unit of what was applied: the period of time marks in s, everything else in V."""
    return point.applied_unit or ("s" if isinstance(point.stimulus, TimeMarks) else "V")


def own_remarks(response: Response) -> tuple[str, ...]:
    """Remarks that are not the sentence of a flag, which stands below the table."""
    said = {flag.sentence for flag in response.result.flags}
    return tuple(remark for remark in response.remarks if remark not in said)


def error_unit(point: Point) -> str:
    """Unit of a point's error and limits."""
    return point.error_unit if point.statement is None else point.statement.unit


def limits_text(limits: Limits | None, unit: str = "") -> str:
    """Write limits as a report shows them."""
    return "–" if limits is None else minus(limits.text(unit))


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfPowerText:
    """A half-power frequency as text; where there is no value, what is known instead."""

    frequency: str
    u: str
    relative: str
    interval: str


def expanded_hz(result: HalfPower) -> float | None:
    """Expanded uncertainty of a half-power frequency in hertz."""
    if result.frequency_hz is None or result.u_rel is None:
        return None
    return result.k * result.u_rel * result.frequency_hz


def frequency_scale(frequency_hz: float) -> tuple[float, str]:
    """The prefix that a frequency is written with."""
    scales = ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz"), (1.0, "Hz"))
    return next((scale, unit) for scale, unit in scales if abs(frequency_hz) >= scale or scale == 1)


def half_power_text(result: HalfPower) -> HalfPowerText:
    """Frequency and U in the frequency's own prefix, rounded together."""
    expanded = expanded_hz(result)
    if result.frequency_hz is None or result.u_rel is None or expanded is None:
        bound = "" if result.bound_hz is None else f"above {hertz(result.bound_hz)}"
        return HalfPowerText(frequency=bound or "no value", u="–", relative="–", interval="–")
    scale, unit = frequency_scale(result.frequency_hz)
    value, u = format_pair(result.frequency_hz / scale, expanded / scale)
    interval = "–"
    if result.interval_hz is not None:
        low, high = (format_pair(f / scale, expanded / scale)[0] for f in result.interval_hz)
        interval = f"{low} to {high} {unit}"
    return HalfPowerText(
        frequency=f"{value} {unit}", u=f"{u} {unit}", relative=percent(result.k * result.u_rel, 2), interval=interval
    )


def half_power_with_u(result: HalfPower) -> str:
    """A half-power frequency with its expanded uncertainty, "(92.3 ± 1.8) MHz", or what is known instead."""
    text = half_power_text(result)
    if text.u == "–":
        return text.frequency
    value, unit = text.frequency.split()
    return f"({value} ± {text.u.split()[0]}) {unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class PointGroup:
    """The points of one quantity, channel and path, in their order."""

    quantity: str
    channel: int
    path: str
    points: tuple[Point, ...]


def point_groups(part: PartResult) -> tuple[PointGroup, ...]:
    """Sort the points of a part into the tables a technician wants."""
    found: dict[tuple[str, int, str], list[Point]] = {}
    for point in part.points:
        found.setdefault((point.quantity, point.channel, point.path), []).append(point)
    return tuple(
        PointGroup(quantity=quantity, channel=channel, path=path, points=tuple(points))
        for (quantity, channel, path), points in found.items()
    )


def path_label(report: Report, name: str) -> str:
    """What a path is called in the bench file, or its name."""
    path = report.setup.bench.paths.get(name)
    return path.label if path is not None and path.label else name


def group_title(report: Report, group: PointGroup | PairGroup) -> str:
    """Name a group of points."""
    return f"{capital(group.quantity)}, channel {group.channel}, {path_label(report, group.path)}"


def judged(part: PartResult) -> Iterator[Point | Response]:
    """Everything in a part that has a word."""
    yield from part.points
    yield from part.responses


def tally(part: PartResult) -> tuple[tuple[Word, int], ...]:
    """How often each word was said in a part."""
    return tallied(one.word for one in judged(part))


def tallied(said: Iterable[str]) -> tuple[tuple[Word, int], ...]:
    """How often each word is among those said."""
    words = list(said)
    return tuple((word, words.count(word)) for word in WORDS if word in words)


def not_passed(report: Report) -> tuple[tuple[Word, str], ...]:
    """What was judged and did not pass, in the order of the report: a line a point, or a line for many of one group."""
    lines: list[tuple[Word, str]] = []
    for part in report.parts:
        for group in point_groups(part):
            title = group_title(report, group)
            for word in (word for word in WORDS if word not in ("pass", "not measured")):
                some = [p for p in group.points if p.word == word]
                if len(some) > _ONE_BY_ONE:
                    lines.append((word, f"{title}: {', '.join(p.setting for p in some)}"))
                else:
                    lines += [(word, f"{title}, {p.setting}{_against(p)}") for p in some]
        lines += [(r.word, minus(r.sentence)) for r in part.responses if r.word not in ("pass", "not measured")]
    return tuple(lines)


def _against(point: Point) -> str:
    """A point's result against its limits, as the end of a sentence."""
    if point.statement is None:
        return ""
    return f": {stated(point)} against {limits_text(point.limits, point.statement.unit)}"


def stated(point: Point | None) -> str:
    """A point's result with its expanded uncertainty: "(+4.20 ± 0.21) %"; a dash where there is none."""
    if point is None or point.statement is None:
        return "–"
    return with_u(point.statement, with_sign=is_error(point.quantity))


def with_u(statement: Statement, *, with_sign: bool = True) -> str:
    """An estimate with its expanded uncertainty."""
    value, u = error_pair(statement, with_sign=with_sign)
    return f"({value} ± {u}) {statement.unit}".rstrip()


def not_measured(report: Report) -> tuple[str, ...]:
    """What is missing, one line a group of points: "Deflection, channel 2, direct: 2 V/div, 5 V/div"."""
    lines = []
    for part in report.parts:
        for group in point_groups(part):
            missing = [p.setting for p in group.points if p.word == "not measured"]
            if missing:
                lines.append(f"{group_title(report, group)}: {', '.join(missing)}")
        lines += [
            f"Half-power frequency, channel {r.channel}, {path_label(report, r.path)}: {r.setting}"
            for r in part.responses
            if r.word == "not measured"
        ]
    return tuple(lines)


def finding_text(finding: Finding) -> str:
    """A further result as a sentence with its number."""
    u = "" if finding.u is None else f", U = {number(finding.u, finding.unit, 2)}, k = {finding.k:g}"
    value = number(finding.value, finding.unit, 3)
    return f"{capital(finding.name)}: {minus(finding.sentence)} ({value}{u})"


def readings_text(point: Point) -> str:
    """The readings of a point in their order."""
    return f"{', '.join(number(x) for x in point.readings)} {point.unit}".strip() if point.readings else "–"


def with_tolerance(value: str, tolerance: float | None) -> str:
    """A nominal value and how far it may be off."""
    return f"{value} ± {percent(tolerance)}" if tolerance else value


def rated_input(rated: UnitInput) -> str:
    """The input of the unit as its maker rates it."""
    most = f"{quantity(rated.resistance, 'Ω')} and {quantity(rated.capacitance, 'F')}"
    return f"Rated input of the unit: {most}, at most {quantity(rated.maximum, 'V')}."


def marks(report: Report) -> tuple[str, ...]:
    """What every page must be marked with."""
    said = (
        (SIMULATED, report.simulated),
        (MAY_BE_ON, report.may_be_on),
        (OVERDUE, any(standard.overdue for standard in report.standards)),
        (INCOMPLETE, not report.finished),
        (REANALYSED, bool(report.reanalysed)),
    )
    return tuple(mark for mark, holds in said if holds)
