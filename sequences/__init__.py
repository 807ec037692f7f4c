"""Measuring sequences: generators without I/O, pure functions of their replies.

A sequence is a folder. What its maker rates is `Rated` in its `__init__.py`. `steps.py` has `Options` (a model of its
options), `needs(options)` (the roles it uses), `plan(setup, options)` (the points known beforehand) and
`script(setup, options)`, which yields the steps; `accuracies(options)` where its verdicts rest on certain lines of the
bench file, `gives(options)` where the calibrator must have certain functions, `also_needs(setup, options)` where what
the unit file rates takes further roles. What this package does not list may come from a file of the user's beside the
job file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, TypeAlias

from harness import steps
from harness.errors import AnalysisError
from harness.quantities import nearest
from harness.steps import RETURN, Display, Measure, Reading, connect, measure

if TYPE_CHECKING:
    from harness.models import Calibrator, Generator, Setup, Unit

BUILT_IN: Final = (  # in the order of the calibration guide
    "vertical",
    "dc_accuracy",
    "noise",
    "time_base",
    "bandwidth",
    "passband",
    "isolation",
    "pulse",
    "trigger",
    "inputs",
    "channels_together",
    "own_output",
    "cursors",
    "look",
)


Judges: TypeAlias = Mapping[Display, tuple[str, ...]]
"""What the evaluation of a sequence can judge, by display: a module's JUDGES."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One point as it is planned: the step, how often it is read, and what is expected of a zero that is subtracted."""

    step: Measure
    repeats: int = 1
    ground: tuple[Reading, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """The points in their order of work, and what this equipment cannot do, in sentences."""

    points: tuple[Planned, ...] = ()
    left_out: tuple[str, ...] = ()


def channels_of(setup: Setup, chosen: tuple[int, ...]) -> tuple[int, ...]:
    """The channels asked for, or all of the unit."""
    return chosen or tuple(range(1, setup.unit.channels + 1))


def reconnect(before: Measure | None, step: Measure) -> steps.Sequence[None]:
    """Connect, where the step needs another connection than the one before."""

    def place(at: Measure) -> tuple[object, ...]:
        return at.path, at.source, at.display, channel_of(at)

    if before is None or place(before) != place(step):
        yield from connect(path=step.path, source=step.source, display=step.display, channel=channel_of(step))


def channel_of(step: Measure) -> int:
    """The channel that the signal is connected to."""
    return step.view.channel if step.driven is None else step.driven


def read_all(plan: Plan, *, return_to_first: bool = False) -> steps.Sequence[None]:
    """Read every point of a plan in its order, with its repeats, connecting where the path changes."""
    before: Measure | None = None
    first: Measure | None = None
    for planned in plan.points:
        yield from reconnect(before, planned.step)
        for repeat in range(planned.repeats):
            reading = yield from measure(replace(planned.step, repeat=repeat))
            first = first or (planned.step if reading.status == "read" else None)
        before = planned.step
    if return_to_first and first is not None:
        yield from reconnect(before, first)
        yield from measure(once_more(first))


def repeated(step: Measure, repeats: int) -> steps.Sequence[None]:
    """Read a step so often, whatever comes of it."""
    for repeat in range(repeats):
        yield from measure(replace(step, repeat=repeat))


def once_more(first: Measure) -> Measure:
    """The first point of a pass as it is taken again at the end."""
    return replace(first, purpose=RETURN, repeat=0, because="The first point again: has anything moved?")


def calibrator_of(setup: Setup) -> Calibrator:
    """The bench's calibrator; AnalysisError if it has none."""
    if setup.bench.calibrator is None:
        raise AnalysisError(f"bench {setup.bench.name!r} has no calibrator, which this sequence needs.")
    return setup.bench.calibrator


def generator_of(setup: Setup) -> Generator:
    """The bench's generator; AnalysisError if it has none."""
    if setup.bench.generator is None:
        raise AnalysisError(f"bench {setup.bench.name!r} has no generator, which this sequence needs.")
    return setup.bench.generator


def require_a_hand(setup: Setup, steps_through: object, knob: str) -> None:
    """Refuse `to_line` where no person turns the source, or it has steps only, or nobody sees the lines."""
    why = (
        f"it has certain {knob}s only" if steps_through != "continuous"
        else "it is set over its interface" if calibrator_of(setup).driver != "manual"
        else "the unit is read over its interface" if setup.unit.read != "eye"
        else ""
    )  # fmt: skip
    if why:
        raise AnalysisError(
            f"to_line = true has a person turn the calibrator's {knob} until the trace is on its lines, but {why}; "
            "leave the option out."
        )


def signal_range(unit: Unit, chosen: float | None) -> float:
    """The deflection factor for sine and edge: as chosen, as the unit file says, or the nearest to 100 mV/div."""
    wanted = chosen or unit.bandwidth_volts_per_div
    return wanted or nearest(unit.volts_per_div, 0.1)


def sweep_near(unit: Unit, wanted_s: float) -> float:
    """The time factor that is nearest to what is wanted; that itself where the unit file lists none."""
    return nearest(unit.s_per_div or (wanted_s,), wanted_s)
