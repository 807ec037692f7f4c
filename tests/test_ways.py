"""Other ways that a bench has for a deflection that cannot be decided: which levels, which signal, how often read."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from harness.measurement import Way
from harness.models import Setup
from harness.steps import Dc, Measure, Square, Stimulus, View
from sequences.deflection import RATING
from tests.helpers.setups import a_setup


def a_step(level_v: float, volts_per_div: float, path: str = "lead", **more: Any) -> Measure:
    """A direct voltage from the ground line."""
    divides_by = 10.0 if path == "probe" else 1.0
    told: dict[str, Any] = {"expected": level_v / divides_by / volts_per_div, "stimulus": Dc(level_v=level_v), **more}
    return Measure(
        purpose="deflection", path=path, source="calibrator", display="unit", quantity="deflection",
        view=View(channel=1, volts_per_div=volts_per_div, s_per_div=1e-3), **told,
    )  # fmt: skip


def ways(setup: Setup, step: Measure) -> list[Way]:
    assert RATING.ways is not None
    return list(RATING.ways(setup, step))


def told(setup: Setup, step: Measure) -> list[tuple[Stimulus, float | None, int]]:
    return [(way.step.stimulus, way.step.expected, way.readings) for way in ways(setup, step)]


def calibrator(setup: Setup, **changed: Any) -> Setup:
    made = setup.bench.calibrator
    assert made is not None
    return replace(setup, bench=setup.bench.model_copy(update={"calibrator": made.model_copy(update=changed)}))


def squares(vpp: float, div: float) -> list[tuple[Stimulus, float | None, int]]:
    return [(Square(level_vpp=vpp, frequency_hz=1e3), div, n) for n in (3, 5, 10)]


STEPS = a_setup(levels=["0.1 V", "0.2 V", "0.4 V", "0.8 V", "1 V", "2 V", "4 V", "8 V", "16 V"])


def test_every_higher_level_that_the_whole_screen_holds_and_both_edges_of_a_wave_at_each():
    assert told(STEPS, a_step(0.2, 0.1)) == [
        *squares(0.2, 2.0),
        (Dc(level_v=0.4), 4.0, 1), *squares(0.4, 4.0),
        (Dc(level_v=0.8), 8.0, 1), *squares(0.8, 8.0),
    ]  # fmt: skip
    assert {way.step.quantity for way in ways(STEPS, a_step(0.2, 0.1)) if isinstance(way.step.stimulus, Square)} == {
        "peak_to_peak"
    }


def test_what_will_be_shown_is_told_to_six_digits():
    assert [way.step.expected for way in ways(STEPS, a_step(0.8, 0.3))[3:4]] == [3.33333]


def test_behind_a_divider_the_screen_holds_as_much_more():
    assert [stimulus for stimulus, _, _ in told(STEPS, a_step(4.0, 0.1, "probe"))[3:4]] == [Dc(level_v=8.0)]
    assert told(STEPS, a_step(4.0, 0.1, "probe"))[:4] == [*squares(4.0, 4.0), (Dc(level_v=8.0), 8.0, 1)]
    assert len(told(STEPS, a_step(4.0, 0.1, "probe"))) == 7


def test_a_source_without_square_wave_has_its_levels_alone():
    assert told(calibrator(STEPS, functions=("dc",)), a_step(0.2, 0.1)) == [
        (Dc(level_v=0.4), 4.0, 1),
        (Dc(level_v=0.8), 8.0, 1),
    ]


def test_they_are_told_in_words():
    higher = "apply 800 mV from the lowest graticule line, 8 div"
    assert [way.sentence for way in ways(STEPS, a_step(0.4, 0.1))[2:5]] == [
        'read top and bottom of a square wave 10 times (signal = "square", repeats = 10)',
        higher,
        f'{higher}, and read top and bottom of a square wave 3 times (signal = "square", repeats = 3)',
    ]


def test_a_knob_is_turned_until_the_trace_is_on_its_lines():
    turned = ways(calibrator(a_setup(), driver="manual"), a_step(0.52, 0.1))[0]
    assert (turned.step.tune, turned.step.tune_to_div, turned.readings) == ("level", 5.0, 1)
    assert "turn the level" in turned.sentence


@pytest.mark.parametrize(
    ("setup", "step"),
    [
        (a_setup(), a_step(0.5, 0.1)),  # set over its interface
        (calibrator(STEPS, driver="manual"), a_step(0.4, 0.1)),  # with steps
        (calibrator(a_setup(), driver="manual"), a_step(0.5, 0.1, expected=None)),  # who knows how far
        (calibrator(a_setup(), driver="manual"), a_step(0.5, 0.1, tune_to_div=5.0, tune="level")),  # it is already
    ],
)
def test_nobody_turns_what_has_no_knob_or_no_line_to_meet(setup: Setup, step: Measure):
    found = ways(setup, step)
    assert found
    assert not any("turn the level" in way.sentence for way in found)


@pytest.mark.parametrize(
    ("setup", "step"),
    [
        (a_setup(read="remote"), a_step(0.2, 0.1)),
        (replace(STEPS, bench=STEPS.bench.model_copy(update={"calibrator": None})), a_step(0.2, 0.1)),
        (STEPS, a_step(0.2, 0.1, stimulus=Square(level_vpp=0.2, frequency_hz=1e3))),
    ],
)
def test_they_are_ways_of_a_direct_voltage_read_by_eye(setup: Setup, step: Measure):
    assert ways(setup, step) == []
