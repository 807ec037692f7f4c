"""Every time factor over the centre eight divisions, and the magnifier, against time marks."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from harness import steps
from harness.measurement import Quantity
from harness.models import Function, Setup, rated
from harness.quantities import show
from harness.steps import Measure, Role
from harness.words.language import tr
from sequences import Judges, Plan, Planned, calibrator_of, generator_of, read_all, require_a_hand, sweep_near
from sequences.reading import gives_records
from sequences.time_base import Rated
from sequences.time_base.clock import ALIAS
from sequences.time_base.clock_steps import all_sines, sines
from sequences.time_base.delay import MARK_AT_ZERO, MARK_SHIFT
from sequences.time_base.delay_steps import delays, without_delay
from sequences.time_base.marks import Options, marks_for, wave
from sequences.time_base.span import SPAN
from sequences.time_base.sweep import DEPARTURE, SPAN_AT_END, SPAN_AT_START

TITLE: Final = "Time base"
QUANTITIES: Final = (SPAN, SPAN_AT_START, SPAN_AT_END, DEPARTURE, MARK_AT_ZERO, MARK_SHIFT, ALIAS)
JUDGES: Final[Judges] = {"unit": (SPAN.name,)}
_BELIEVED_WITHIN: Final = 0.15
_WELL_KNOWN: Final = 0.1  # of the tolerance: what it takes from a verdict no reading shows
_FROM_MIDDLE_DIV: Final = 4.0  # of the sweep, to what is magnified at its ends: the outer division is left out
_LINEAR_NEAR_S: Final = 1e-3


def needs(options: Options) -> tuple[Role, ...]:
    """The roles that the sequence uses, whatever the unit."""
    return ("generator", "calibrator") if options.clock and options.source == "calibrator" else (options.source,)


def also_needs(setup: Setup, options: Options) -> tuple[Role, ...]:
    """The roles that it uses besides, for what the unit file rates."""
    return ("generator",) if sines(setup, options).points else ()


def gives(options: Options) -> tuple[str, ...]:
    """What the calibrator must be able to give."""
    return ("time_marks",) if options.source == "calibrator" else ()


def accuracies(options: Options) -> tuple[tuple[Role, Function], ...]:
    """What its verdicts rest on, in the bench file; of a generator's wave that may be the counter's line."""
    return (("calibrator", "period"),) if options.source == "calibrator" else ()


def plan(setup: Setup, options: Options) -> Plan:
    """Rising time factors, the magnified ones after them, so that each knob turns one way."""
    if options.to_line and options.source == "calibrator":
        require_a_hand(setup, calibrator_of(setup).periods, "period")
    spans, evenness = _spans(setup, options), _evenness(setup, options)
    parts = (spans, evenness, delays(setup, options), sines(setup, options))
    return Plan(
        points=tuple(point for part in parts for point in part.points),
        left_out=tuple(sentence for part in parts for sentence in part.left_out),
    )


def _spans(setup: Setup, options: Options) -> Plan:
    points, left_out = [], []
    for magnifier, ranges in _settings(setup, options):
        for s_per_div in ranges:
            marks = marks_for(setup, options, s_per_div / magnifier)
            said = f"{show(s_per_div, 's')}/div" + (f" ×{magnifier:g}" if magnifier != 1 else "")
            if marks is None:
                left_out.append(
                    tr(
                        "{said}: the {source} gives nothing that fits its divisions and that the unit can show.",
                        said=said,
                        source=options.source,
                    )
                )
            else:
                for quantity, from_middle_div in _parts_of_sweep(options, magnifier):
                    step = _step(setup, options, s_per_div, magnifier, marks)
                    view = replace(step.view, delay_s=from_middle_div * s_per_div)
                    points.append(
                        Planned(step=replace(step, view=view, quantity=quantity.name), repeats=options.repeats)
                    )
    return Plan(points=tuple(points), left_out=tuple(left_out))


def _parts_of_sweep(options: Options, magnifier: float) -> Iterator[tuple[Quantity, float]]:
    """What of a sweep is tried, and how far it lies from the sweep's middle, in divisions of the sweep."""
    yield SPAN, 0.0
    if options.ends and magnifier != 1.0:
        yield SPAN_AT_START, -_FROM_MIDDLE_DIV
        yield SPAN_AT_END, _FROM_MIDDLE_DIV


def _evenness(setup: Setup, options: Options) -> Plan:
    """One mark a division, first and last on their lines: how far off is the worst between?"""
    asked = rated(setup.unit, Rated).time_linearity is not None if options.linearity is None else options.linearity
    if not asked or not setup.unit.s_per_div:
        return Plan()
    if not gives_records(setup):
        return Plan(left_out=(tr("Linearity of the sweep: it takes a record, and the unit gives none."),))
    points, left_out = [], []
    for s_per_div in sorted(options.linearity_ranges or (sweep_near(setup.unit, _LINEAR_NEAR_S),)):
        marks = marks_for(setup, options, s_per_div)
        if marks is None or marks[0] > 2 * s_per_div * (1 + 1e-9):
            left_out.append(
                tr(
                    "Linearity at {s_per_div}/div: the {source} gives no marks that fit.",
                    s_per_div=show(s_per_div, "s"),
                    source=options.source,
                )
            )
            continue
        step = _step(setup, options.model_copy(update={"to_line": False}), s_per_div, 1.0, marks)
        even = replace(
            step, purpose="linearity", quantity=DEPARTURE.name, with_counter=False, expected=0.0,
            expected_low=-2.0, expected_high=2.0,
        )  # fmt: skip
        points.append(Planned(step=even, repeats=options.repeats))
    return Plan(points=tuple(points), left_out=tuple(left_out))


def _settings(setup: Setup, options: Options) -> list[tuple[float, tuple[float, ...]]]:
    plain = tuple(sorted(options.ranges or setup.unit.s_per_div))
    if setup.unit.magnifier == 1 or not options.magnified:
        return [(1.0, plain)]
    magnified = tuple(sorted(options.magnified_ranges or plain, reverse=True))
    return [(1.0, plain), (setup.unit.magnifier, magnified)]


def _is_counted(setup: Setup) -> bool:
    """Whether the counter is read at every point: nobody reads one by eye for a generator that is known well enough."""
    counter = setup.bench.counter
    if counter is None or counter.driver != "manual":
        return counter is not None
    own = [line.of_value for line in generator_of(setup).accuracy if line.function == "frequency"]
    return not own or min(own) > _WELL_KNOWN * rated(setup.unit, Rated).time


def _step(setup: Setup, options: Options, s_per_div: float, magnifier: float, marks: tuple[float, float]) -> Measure:
    period_s, span_div = marks
    stimulus, view = wave(setup, options, period_s)
    on_lines = options.to_line and options.source == "calibrator" and math.isclose(span_div % 1.0, 0.0)
    return Measure(
        purpose="time factor",
        path=options.path,
        source=options.source,
        stimulus=stimulus,
        display="unit",
        view=replace(view, s_per_div=s_per_div, magnifier=magnifier),
        quantity=SPAN.name,
        with_counter=options.source == "generator" and _is_counted(setup),
        tune_to_div=span_div if on_lines else None,
        tune="period" if on_lines else "frequency",
        expected=span_div,
        expected_low=round(span_div * (1 - _BELIEVED_WITHIN), 4),
        expected_high=round(span_div * (1 + _BELIEVED_WITHIN), 4),
    )


def script(setup: Setup, options: Options) -> steps.Sequence[None]:
    """Read every time factor, then what is asked for besides."""
    spans, evenness = _spans(setup, options), _evenness(setup, options)
    by_marks = (*spans.points, *evenness.points, *without_delay(delays(setup, options)))
    yield from read_all(Plan(points=by_marks), return_to_first=options.return_to_first)
    yield from read_all(Plan(points=tuple(all_sines(setup, options))))
