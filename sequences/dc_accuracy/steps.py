"""Gain, offset and linearity: direct voltages of both polarities about every position and offset of every range."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pydantic import Field

from harness import steps
from harness.analysis.estimate import Budget
from harness.errors import AnalysisError
from harness.measurement import Quantity, Rating
from harness.models import Function, Setup, Unit, rated
from harness.quantities import largest, show
from harness.steps import Dc, Measure, NoSignal, Reading, Role, Stimulus, View
from harness.values import Divisions, Model, Volts
from harness.words.language import tr
from sequences import Judges, Plan, Planned, calibrator_of, channels_of, read_all
from sequences.dc_accuracy import Rated
from sequences.dc_accuracy.budgets import Level, departure, gain, level, offset
from sequences.dc_accuracy.levels import Zero, levels_about
from sequences.deflection import DEFLECTION
from sequences.vertical import Rated as Factors

TITLE: Final = "Direct voltage: gain, offset, linearity"
_BELIEVED_WITHIN_DIV: Final = 0.6  # of what is expected; what lies beyond is asked once more
_S_PER_DIV: Final = 1e-3


class Options(Model):
    """What a job may choose."""

    channels: tuple[int, ...] = Field((), description="channels; all if left out")
    path: str = "lead"
    ranges: tuple[Volts, ...] = Field((), description="deflection factors; all if left out")
    positions: tuple[Divisions, ...] | None = Field(
        None, description="where zero volts stands, from the screen's centre; left out: -2, 0 and 2 div, by eye 0"
    )
    offsets: tuple[Volts, ...] = Field((), description="voltages at the screen's centre, set as offset")
    levels: int = Field(3, ge=2, le=9, description="voltages a setting; 3 or more show linearity")
    zero: Zero = Field(
        "applied", description="how 0 V is given: applied by the source, or the input's coupling switch at ground"
    )
    repeats: int = Field(1, ge=1, le=100, description="readings of each voltage")


# --- what is read and stated --------------------------------------------------------------------------------------


def _about(setup: Setup, step: Measure, n: int, repeats: int) -> tuple[Level, ...]:
    """The n voltages of a step's setting as an ideal unit shows them."""
    calibrator, path = calibrator_of(setup), setup.bench.path(step.path)
    centre_v = -step.view.ground_line_div * step.view.volts_per_div
    by_switch = isinstance(step.stimulus, NoSignal)
    ways: tuple[Zero, ...] = ("coupling",) if by_switch else ("applied", "coupling")
    for zero in ways:
        found = levels_about(
            calibrator, setup.unit, path, volts_per_div=step.view.volts_per_div, centre_v=centre_v, n=n, zero=zero
        )
        if len(found) == n and (n > 2 or step.stimulus.level in found):
            stimuli = [NoSignal() if zero == "coupling" and not level_v else Dc(level_v=level_v) for level_v in found]
            return tuple(level(setup, replace(step, stimulus=each), repeats=repeats) for each in stimuli)
    raise AnalysisError("the source has not the voltages that go with this one.")


def _gain(
    setup: Setup, step: Measure, _readings: Sequence[Reading] = (), _ground: Sequence[Reading] = (), repeats: int = 1
) -> Budget:
    """What is to be expected of the gain, of one of its voltages."""
    return gain(setup, *_about(setup, step, 2, repeats))


def _offset(
    setup: Setup, step: Measure, _readings: Sequence[Reading] = (), _ground: Sequence[Reading] = (), repeats: int = 1
) -> Budget:
    """What is to be expected of the offset, of one of its voltages."""
    return offset(setup, *_about(setup, step, 2, repeats))


def _linearity(
    setup: Setup, step: Measure, _readings: Sequence[Reading] = (), _ground: Sequence[Reading] = (), repeats: int = 1
) -> Budget:
    """What is to be expected of the linearity: as of three voltages, however many there are."""
    budget, _ = departure(setup, _about(setup, step, 3, repeats))
    return budget


def _of_the_factor(unit: Unit, step: Measure) -> float:
    """What is rated of the deflection factor, over the height that the voltages span."""
    view = step.view
    return rated(unit, Factors).deflection_at(unit, view.channel, view.volts_per_div, unit.usable_div)


GAIN: Final = Rating(
    name="DC gain",
    is_error=True,
    axis="level",
    tolerance=lambda unit, step: rated(unit, Rated).dc_gain or _of_the_factor(unit, step),
    budget=_gain,
)
OFFSET: Final = Rating(
    name="DC offset",
    is_error=True,
    absolute=True,
    axis="level",
    tolerance=lambda unit, step: rated(unit, Rated).dc_offset_within_div(step.view),
    budget=_offset,
)
LINEARITY: Final = Rating(
    name="DC linearity",
    is_error=True,
    absolute=True,
    axis="level",
    tolerance=lambda unit, _step: rated(unit, Rated).dc_linearity,
    budget=_linearity,
)


def _read_for(name: str, rating: Rating) -> Quantity:
    """A position of the trace: three by name, so that each tells what it is read for and may be judged by."""
    return replace(
        DEFLECTION, name=name, question="how many divisions from the zero line, down negative?", rating=rating
    )


UPPER: Final = _read_for("dc_upper", GAIN)
LOWER: Final = _read_for("dc_lower", OFFSET)
BETWEEN: Final = _read_for("dc_between", LINEARITY)
QUANTITIES: Final = (UPPER, LOWER, BETWEEN)
JUDGES: Final[Judges] = {"unit": tuple(quantity.name for quantity in QUANTITIES)}


def needs(_options: Options) -> tuple[Role, ...]:
    """The roles that the sequence uses."""
    return ("calibrator",)


def gives(_options: Options) -> tuple[str, ...]:
    """What the calibrator must be able to give."""
    return ("dc",)


def accuracies(_options: Options) -> tuple[tuple[Role, Function], ...]:
    """What its verdicts rest on, in the bench file."""
    return (("calibrator", "dc"),)


# --- the steps ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Setting:
    """One range of a channel with a voltage at the screen's centre."""

    channel: int
    volts_per_div: float
    centre_v: float

    @property
    def words(self) -> str:
        """For a sentence of what is left out."""
        about = tr(", {centre_v} at the centre", centre_v=show(self.centre_v, "V")) if self.centre_v else ""
        return tr(
            "Channel {channel}, {volts_per_div}/div{about}",
            channel=self.channel,
            volts_per_div=show(self.volts_per_div, "V"),
            about=about,
        )


def _settings(setup: Setup, options: Options) -> Iterator[_Setting]:
    usual = (0.0,) if setup.unit.read == "eye" else (-2.0, 0.0, 2.0)
    positions = usual if options.positions is None else options.positions
    for channel in channels_of(setup, options.channels):
        for volts_per_div in sorted(options.ranges or setup.unit.volts_per_div):
            about = [-position * volts_per_div + 0.0 for position in positions]
            for centre_v in dict.fromkeys((*about, *options.offsets)):
                yield _Setting(channel=channel, volts_per_div=volts_per_div, centre_v=centre_v)


def _levels(setup: Setup, options: Options, at: _Setting) -> tuple[Measure, ...]:
    """The steps of a setting, rising; none where this equipment cannot do it."""
    found = levels_about(
        calibrator_of(setup), setup.unit, setup.bench.path(options.path), volts_per_div=at.volts_per_div,
        centre_v=at.centre_v, n=options.levels, zero=options.zero,
    )  # fmt: skip
    return tuple(
        _step(setup, options, at, level_v, UPPER if place == len(found) else LOWER if place == 1 else BETWEEN)
        for place, level_v in enumerate(found, 1)
    )


def _step(setup: Setup, options: Options, at: _Setting, level_v: float, quantity: Quantity) -> Measure:
    by_switch = not level_v and options.zero == "coupling"
    stimulus: Stimulus = NoSignal() if by_switch else Dc(level_v=level_v)
    expected = round(level_v / setup.bench.path(options.path).divides_by / at.volts_per_div, 6)
    return Measure(
        purpose="direct voltage",
        path=options.path,
        source="calibrator",
        stimulus=stimulus,
        display="unit",
        view=View(
            channel=at.channel,
            volts_per_div=at.volts_per_div,
            s_per_div=_S_PER_DIV,
            coupling="ground" if by_switch else "dc",
            ground_line_div=round(-at.centre_v / at.volts_per_div, 6) + 0.0,
        ),
        quantity=quantity.name,
        expected=expected,
        expected_low=round(expected - _BELIEVED_WITHIN_DIV, 4),
        expected_high=round(expected + _BELIEVED_WITHIN_DIV, 4),
    )


def _why_not(setup: Setup, at: _Setting, found: Sequence[Measure]) -> str:
    """Why nothing is read at a setting; empty where it is."""
    away_div = abs(at.centre_v / at.volts_per_div)
    if setup.unit.read == "eye" and away_div > setup.unit.vertical_div / 2:
        return tr("the zero line is off the screen, where no eye can set it")
    if away_div > largest("div"):
        return tr(
            "the zero line is {away_div:.3g} div away, more than the {largest:g} div that can be meant",
            away_div=away_div,
            largest=largest("div"),
        )
    if not found:
        return tr("the source has no two voltages that lie two divisions apart there and fit the ratings")
    return ""


def _tried(setup: Setup, options: Options) -> Iterator[tuple[_Setting, tuple[Measure, ...], str]]:
    """Every setting with its steps, and why none of them is read."""
    for at in _settings(setup, options):
        found = _levels(setup, options, at)
        yield at, found, _why_not(setup, at, found)


def plan(setup: Setup, options: Options) -> Plan:
    """Every voltage that something is judged by, and in words what is read without a verdict, or not at all."""
    points, left_out = [], []
    for at, found, why in _tried(setup, options):
        if why:
            left_out.append(f"{at.words}: {why}.")
        else:
            points += [step for step in found if _judged(setup, step)]
    ratings = rated(setup.unit, Rated)
    first = View(channel=1, volts_per_div=1.0, s_per_div=_S_PER_DIV)
    stated = {"offset": ratings.dc_offset_within_div(first), "linearity": ratings.dc_linearity}
    unrated = [name for name, limit in stated.items() if limit is None]
    if unrated:
        left_out.append(
            tr(
                "A verdict on {unrated}: the unit file states no rating (tolerance.dc_…).",
                unrated=tr(" and ").join(unrated),
            )
        )
    if setup.unit.read == "eye":
        left_out.append(tr("The offset: by eye the zero line is set on its line, so that there is none to read."))
    if not calibrator_of(setup).negative:
        left_out.append(tr("Negative voltages: the calibrator gives none."))
    return Plan(points=tuple(Planned(step=step, repeats=options.repeats) for step in points), left_out=tuple(left_out))


def _judged(setup: Setup, step: Measure) -> bool:
    """Whether something that the unit file rates is stated when this voltage has been read."""
    ratings = rated(setup.unit, Rated)
    if step.quantity == UPPER.name:
        return True  # at least by the deflection factor
    if step.quantity == LOWER.name:
        return ratings.dc_offset_within_div(step.view) is not None and setup.unit.read != "eye"
    return ratings.dc_linearity is not None


def script(setup: Setup, options: Options) -> steps.Sequence[None]:
    """Setting by setting, its voltages rising."""
    every = (step for _, found, why in _tried(setup, options) if not why for step in found)
    yield from read_all(Plan(points=tuple(Planned(step=step, repeats=options.repeats) for step in every)))
