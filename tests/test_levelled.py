"""From levels made by hand to the level at the unit's input, with what is known of it: every line by its own figure.

Expected values are worked out here from the readings and from circuit theory, with no function of the project's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from harness.errors import AnalysisError
from harness.models import Setup
from harness.steps import Measure, Reading, Sine, View
from sequences.bandwidth.levelled import Levelled, levelled
from sequences.bandwidth.response import half_power
from sequences.bandwidth.response_model import ResponseReading
from sequences.bandwidth.wanted import Wanted
from sequences.levelling.sine import LEVEL, LEVEL_CHECK, Taken
from sequences.levelling.width import TRACE_WIDTH
from tests.helpers.setups import a_setup

LOW_HZ, HIGH_HZ, END_HZ = 50e3, 40e6, 100e6
FLAT = [{"frequency": f, "db": "0 dB", "u": "0 dB"} for f in ("50 kHz", "40 MHz", "100 MHz")]
SQRT3 = math.sqrt(3.0)


def db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


def bench(*, generator: dict[str, Any] | None = None, path: dict[str, Any] | None = None, **reference: Any) -> Setup:
    """A reference without scatter, a generator and a path without reflection: one thing at a time is put in."""
    said = {"flatness": FLAT, "scatter": "0 div", "resolution": "0 div", "vswr": 1.0, **reference}
    setup = a_setup(read="remote", resolution="0 div", scatter="0 div", reference=said)
    made = setup.bench
    assert made.generator is not None
    on_way = made.path("terminated").model_copy(update={"vswr": 1.0, **(path or {})})
    return replace(
        setup,
        unit=setup.unit.model_copy(update={"input": setup.unit.input.model_copy(update={"capacitance": 0.0})}),
        bench=made.model_copy(
            update={
                "generator": made.generator.model_copy(update={"vswr": 1.0, **(generator or {})}),
                "paths": {**made.paths, "terminated": on_way},
            }
        ),
    )


def with_capacitance(setup: Setup, farad: float) -> Setup:
    held = setup.unit.input.model_copy(update={"capacitance": farad})
    return replace(setup, unit=setup.unit.model_copy(update={"input": held}))


def sine(frequency_hz: float, vpp: float = 0.6, *, purpose: str = LEVEL, display: str = "reference") -> Measure:
    return Measure(
        purpose=purpose, path="terminated", source="generator", display=display, quantity="peak_to_peak",
        stimulus=Sine(frequency_hz=frequency_hz, level_vpp=vpp),
        view=View(channel=1, volts_per_div=0.1, s_per_div=1e-6),
    )  # fmt: skip


def levels(*at: tuple[float, float], purpose: str = LEVEL) -> list[Taken]:
    """What the reference showed of 0.6 Vpp, in dB of it."""
    return [(sine(f, purpose=purpose), Reading(value=6.0 * 10 ** (each / 20.0))) for f, each in at]


def shown(*at: tuple[float, float, float]) -> list[Taken]:
    """Frequency, level set and deflection at the unit."""
    return [
        (sine(f, vpp, purpose="reference" if f == LOW_HZ else "refine", display="unit"), Reading(value=div))
        for f, vpp, div in at
    ]


EVEN = levels((LOW_HZ, 0.0), (HIGH_HZ, 0.0), (END_HZ, 0.0))
BOTH = shown((LOW_HZ, 0.6, 6.0), (HIGH_HZ, 0.6, 4.0))


def known(setup: Setup, level: Sequence[Taken] = EVEN, at_unit: Sequence[Taken] = BOTH) -> Levelled:
    wanted = Wanted(path="terminated", level_path="terminated", reference_hz=LOW_HZ, max_hz=END_HZ)
    return levelled(setup, wanted, level, at_unit)


def high(found: Levelled) -> ResponseReading:
    """The reading at the high frequency, one of those of the table: nothing is interpolated."""
    (one,) = (reading for reading in found.readings if reading.set_hz == HIGH_HZ)
    return one


def test_nothing_is_known_badly_on_an_ideal_bench():
    assert high(known(bench())).level_db == pytest.approx(0.0, abs=1e-4)  # 1 Mohm beside 50 ohm, at both
    assert high(known(bench())).u_level_db == pytest.approx(0.0, abs=1e-12)


def test_a_level_is_as_read_as_set_and_as_the_reference_is_corrected():
    flatness = [*FLAT[:1], {**FLAT[1], "db": "-0.3 dB"}, {**FLAT[2], "db": "-0.3 dB"}]
    found = known(
        bench(flatness=flatness),
        levels((LOW_HZ, 0.0), (HIGH_HZ, -0.5), (END_HZ, -0.5)),
        shown((LOW_HZ, 0.6, 6.0), (HIGH_HZ, 1.2, 4.0)),
    )
    # Read 0.5 dB low by a reference that reads 0.3 dB low; set twice as high.
    assert high(found).level_db == pytest.approx(-0.5 + 0.3 + db(2.0), abs=1e-4)
    assert high(found).set_level_db == pytest.approx(db(2.0))
    assert high(found).deflection_div == 4.0


def at_an_input(farad: float, frequency_hz: float) -> float:
    """The voltage on 50 Ω, 1 MΩ and a capacitance from a source of 50 Ω: complex circuit theory."""
    admittance = 1 / 50.0 + 1 / 1e6 + 2j * math.pi * frequency_hz * farad
    return abs(1.0 / (1.0 + 50.0 * admittance))


def test_the_units_capacitance_lowers_the_level_at_its_input():
    found = high(known(with_capacitance(bench(), 20e-12)))
    loss_db = db(at_an_input(20e-12, HIGH_HZ) / at_an_input(20e-12, LOW_HZ))
    assert loss_db < -0.05
    assert found.level_db == pytest.approx(loss_db, abs=1e-6)
    # A tenth of the capacitance, within limits (common practice).
    more_db = db(at_an_input(22e-12, HIGH_HZ) / at_an_input(20e-12, HIGH_HZ))
    assert found.u_level_db == pytest.approx(abs(more_db) / SQRT3, rel=0.1)


def test_the_references_capacitance_raises_it_and_the_same_at_both_cancels():
    scope = bench(input_capacitance="20 pF")
    loss_db = db(at_an_input(20e-12, HIGH_HZ) / at_an_input(20e-12, LOW_HZ))
    assert high(known(scope)).level_db == pytest.approx(-loss_db, abs=1e-6)
    assert high(known(with_capacitance(scope, 20e-12))).level_db == pytest.approx(0.0, abs=1e-9)


def test_a_flatness_table_states_expanded_uncertainties():
    flatness = [{**point, "u": "0.06 dB"} for point in FLAT]
    assert high(known(bench(flatness=flatness))).u_level_db == pytest.approx(0.06 / 2.0, rel=1e-9)


@pytest.mark.parametrize(("stated_as", "divisor"), [("limits", SQRT3), ("expanded", 2.0)])
def test_a_flatness_in_one_figure_is_limits_or_expanded(stated_as, divisor):
    accuracy = [{"function": "sine", "db": "0.1 dB", "stated_as": stated_as}]
    setup = bench(flatness=[], accuracy=accuracy)
    assert high(known(setup)).u_level_db == pytest.approx(0.1 / divisor, rel=1e-9)


@pytest.mark.parametrize(("source", "reference", "unit"), [(1.5, 1.0, 1.3), (1.5, 1.2, 1.0)])
def test_a_mismatch_at_either_end_is_u_shaped(source, reference, unit):
    """±|Γs||Γl|, u = |Γs||Γl|/√2 (common practice), at reference or unit; √2 times that if both frequencies count."""
    setup = bench(vswr=reference, generator={"vswr": source}, path={"vswr": unit})
    loads = [(vswr - 1.0) / (vswr + 1.0) for vswr in (source, max(reference, unit))]
    u_db = 20.0 / math.log(10.0) * math.prod(loads) / math.sqrt(2.0)
    assert u_db * 0.999 <= high(known(setup)).u_level_db <= 1.5 * u_db


@pytest.mark.parametrize(
    ("at_reference", "at_high", "half_widths"),
    # Common to both: any part of it may have come between, ±half. Of one against the other: it stays whole.
    [(0.2, 0.2, (0.1,)), (0.0, 0.3, (0.3,)), (0.2, 0.5, (0.1, 0.3)), (0.2, -0.1, (0.1, 0.3))],
)
def test_a_level_that_went_is_uncertain_by_what_it_went(at_reference, at_high, half_widths):
    checks = levels((LOW_HZ, at_reference), (HIGH_HZ, at_high), purpose=LEVEL_CHECK)
    found = high(known(bench(), [*EVEN, *checks]))
    assert found.u_level_db == pytest.approx(math.hypot(*half_widths) / SQRT3, rel=1e-9)
    assert found.level_db == pytest.approx(0.0, abs=1e-4)  # it moves nothing


@pytest.mark.parametrize(("stated_as", "divisor"), [("limits", SQRT3), ("expanded", 2.0)])
def test_the_frequency_is_known_by_limits_or_expanded(stated_as, divisor):
    accuracy = bench().bench.generator.accuracy
    (of_frequency,) = (line for line in accuracy if line.function == "frequency")
    setup = bench(generator={"accuracy": (of_frequency.model_copy(update={"stated_as": stated_as}),)})
    assert known(setup).plan.u_frequency_rel == pytest.approx(2e-6 / divisor, rel=1e-9)
    with pytest.raises(AnalysisError, match="no stated uncertainty"):
        known(bench(generator={"accuracy": ()}))


def test_a_trace_width_is_taken_off_and_known_to_half_of_itself():
    width = (replace(sine(LOW_HZ, display="unit"), quantity=TRACE_WIDTH.name), Reading(value=0.1))
    found = known(bench(), EVEN, [width, *BOTH])
    assert [reading.deflection_div for reading in found.readings] == pytest.approx([5.9, 3.9])
    # An error e of the width is in both deflections: e·(1/3.9 − 1/5.9) of their ratio stays; ±0.05 div.
    u_db = 20.0 / math.log(10.0) * 0.05 / SQRT3 * (1 / 3.9 - 1 / 5.9)
    assert high(found).u_level_db == pytest.approx(u_db, rel=1e-9)


def test_off_the_screen_is_the_whole_screen_and_what_was_skipped_is_no_reading():
    skipped = (sine(END_HZ, display="unit"), Reading(status="skipped"))
    beyond = (sine(HIGH_HZ, display="unit", purpose="refine"), Reading(status="off_screen"))
    found = known(bench(), EVEN, [*BOTH[:1], beyond, skipped])
    assert [reading.deflection_div for reading in found.readings] == [6.0, 8.0]


def test_a_half_power_frequency_is_stated_with_k_of_two():
    """The interval is even in ln f: ±2 u of it, at 95.45 % of a normal distribution."""
    pole = [(f, 0.6, 6.0 / math.hypot(1.0, f / HIGH_HZ)) for f in (LOW_HZ, 20e6, 30e6, 36e6, 40e6, 44e6, 60e6)]
    setup = bench(flatness=[{**point, "u": "0.2 dB"} for point in FLAT])
    found = known(setup, EVEN, shown(*pole))
    result = half_power(found.readings, found.plan)
    assert result.frequency_hz == pytest.approx(HIGH_HZ, rel=1e-3)
    assert result.interval_hz is not None
    # All that is not known is the level: 0.1 dB on a single pole, which falls by 10/ln 10 dB per ln f (textbook).
    assert result.u_rel == pytest.approx(0.1 / (10 / math.log(10)), rel=0.02)
    assert math.log(result.interval_hz[1] / result.frequency_hz) == pytest.approx(2.0 * result.u_rel, rel=1e-4)


# Several readings, other frequencies, and what the plan is told ------------------------------------------------------


def test_a_level_read_several_times_counts_as_its_mean():
    level = [*levels((LOW_HZ, 0.1), (LOW_HZ, -0.1), (HIGH_HZ, -0.4), (HIGH_HZ, -0.6), (HIGH_HZ, -0.5), (END_HZ, 0.0))]
    nothing = [(sine(HIGH_HZ), Reading(value=0.0)), (sine(HIGH_HZ), Reading(status="skipped"))]
    checks = levels((LOW_HZ, 0.3), (LOW_HZ, 0.1), (HIGH_HZ, -0.2), (HIGH_HZ, -0.4), purpose=LEVEL_CHECK)
    found = high(known(bench(), [*level, *nothing, *checks]))
    assert found.level_db == pytest.approx(-0.5, abs=1e-3)
    # 0.2 dB common to both, and none of one against the other.
    assert found.u_level_db == pytest.approx(0.1 / SQRT3, rel=1e-6)


def test_the_largest_change_of_any_frequency_of_the_table_stands():
    checks = levels((LOW_HZ, 0.0), (HIGH_HZ, 0.1), (END_HZ, -0.4), purpose=LEVEL_CHECK)
    assert high(known(bench(), [*EVEN, *checks])).u_level_db == pytest.approx(0.4 / SQRT3, rel=1e-9)


def test_a_trace_width_is_as_uncertain_as_it_was_read():
    setup = bench()
    setup = replace(setup, unit=setup.unit.model_copy(update={"scatter": 0.02, "resolution": 0.1}))
    width = (replace(sine(LOW_HZ, display="unit"), quantity=TRACE_WIDTH.name), Reading(value=0.1))
    u_div = (0.05 + SQRT3 * math.hypot(0.02, 0.1 / math.sqrt(12.0))) / SQRT3
    u_db = 20.0 / math.log(10.0) * u_div * (1 / 3.9 - 1 / 5.9)
    assert high(known(setup, EVEN, [width, *BOTH])).u_level_db == pytest.approx(u_db, rel=1e-9)


@pytest.mark.parametrize(
    ("path", "most_vpp"),
    [
        ({"termination_power": 10.0}, 5.5),  # all that the generator gives
        ({"termination_power": 10.0, "maximum": 1.0}, 2.0),  # 1 V peak is 2 Vpp
        ({"termination_power": 0.01}, 2.0 * math.sqrt(2.0) * math.sqrt(0.01 * 50.0)),  # P = V²/R
        ({"termination_power": 0.01, "divides_by": 2.0}, 4.0 * math.sqrt(2.0) * math.sqrt(0.01 * 50.0)),
    ],
)
def test_a_level_may_be_raised_as_far_as_everything_on_its_way_bears(path, most_vpp):
    wanted = Wanted(
        path="terminated", level_path="terminated", reference_hz=LOW_HZ, max_hz=END_HZ, equal_deflection=True
    )
    plan = levelled(bench(path=path), wanted, EVEN, BOTH).plan
    assert plan.headroom_db == pytest.approx(math.floor(100.0 * db(most_vpp / 0.6)) / 100.0, abs=1e-9)
    assert known(bench(path=path)).plan.headroom_db == 0.0


@pytest.mark.parametrize(
    ("reference", "max_hz"),
    [
        ({}, 100e6),  # the end of its flatness table; 2.5 times the unit's 40 MHz is as far
        ({"flatness": [], "bandwidth": "80 MHz"}, 76e6),  # not up to its own bandwidth, where its shape decides
        ({"flatness": [], "bandwidth": "1 GHz"}, 100e6),
    ],
)
def test_the_search_ends_where_the_reference_is_no_longer_known(reference, max_hz):
    assert Wanted.from_options({}, bench(**reference)).max_hz == pytest.approx(max_hz)


def test_an_accuracy_of_other_frequencies_says_nothing():
    accuracy = bench().bench.generator.accuracy
    (of_frequency,) = (line for line in accuracy if line.function == "frequency")
    low_only = of_frequency.model_copy(update={"frequency_to": 1e6})
    with pytest.raises(AnalysisError, match="no stated uncertainty"):
        known(bench(generator={"accuracy": (low_only,)}))


def test_a_reading_that_was_asked_again_names_the_one_it_replaces():
    first, second = (replace(step, repeat=n) for n, (step, _) in enumerate(BOTH, start=1))
    again = replace(second, purpose="re-ask", repeat=3, replaces=1)
    nameless = replace(second, purpose="re-ask", repeat=3)
    answers = [(first, Reading(value=6.0)), (second, Reading(value=4.0))]
    for asked, index in ((again, 0), (nameless, 1), (replace(second, repeat=3), None)):
        readings = known(bench(), EVEN, [*answers, (asked, Reading(value=4.1))]).readings
        assert [each.replaces for each in readings] == [None, None, index]


def test_what_is_off_the_screen_or_no_number_is_told_apart():
    nothing = (sine(HIGH_HZ, display="unit", purpose="refine"), Reading(status="no_signal", value=3.0))
    assert len(known(bench(), EVEN, [*BOTH, nothing]).readings) == 2


def test_a_level_is_in_volts_whatever_range_it_was_read_on():
    def on_range(frequency_hz: float, volts_per_div: float, div: float) -> Taken:
        step = sine(frequency_hz)
        return replace(step, view=replace(step.view, volts_per_div=volts_per_div)), Reading(value=div)

    level = [on_range(LOW_HZ, 0.1, 6.0), on_range(HIGH_HZ, 0.2, 3.0), on_range(END_HZ, 0.2, 3.0)]
    assert high(known(bench(), level)).level_db == pytest.approx(0.0, abs=1e-4)


def test_a_level_below_nothing_is_no_reading():
    """As nothing is: it has no decibels, and is no deflection that an uncertainty could be reckoned from."""
    setup = bench(scatter="0.02 div")
    below = [(sine(f), Reading(value=-0.5)) for f in (LOW_HZ, HIGH_HZ)]
    assert high(known(setup, [*EVEN, *below])) == high(known(setup))


@pytest.mark.parametrize(
    ("ohm", "path", "reflects"),
    [
        (1e6, {"termination": None}, (1e6 - 50.0) / (1e6 + 50.0)),  # an open end
        (1e3, {"termination": None}, (1e3 - 50.0) / (1e3 + 50.0)),
        (50.0, {"termination": None}, 0.3 / 2.3),  # the input ends the line as well as the path says, VSWR 1.3
        (1e6, {"termination": None, "divides_by": 10.0}, 0.3 / 2.3),  # and so does what divides
        (1e6, {"termination": None, "termination_tolerance": 0.05}, (1e6 - 50.0) / (1e6 + 50.0)),  # of none, nothing
    ],
)
def test_a_line_without_a_termination_ends_in_the_input(ohm, path, reflects):
    """u = 8.686 dB |Γs||Γl|/√2 (common practice), Γl = (R − 50)/(R + 50), beside it the VSWR of the path."""
    setup = bench(generator={"vswr": 1.5}, path={"vswr": 1.3, **path})
    # What a low input's capacitance reflects is in the VSWR that is stated of it.
    held = setup.unit.input.model_copy(update={"resistance": ohm, "capacitance": 20e-12 if ohm < 100.0 else 0.0})
    setup = replace(
        setup,
        unit=setup.unit.model_copy(update={"input": held}),
        bench=setup.bench.model_copy(update={"reference": None}),
    )
    (line,) = (line for line in known(setup, []).level_lines[-1] if line.name == "mismatch, unit")
    if reflects > 0.5:
        reflects = math.hypot(reflects, 0.3 / 2.3)
    assert line.u == pytest.approx(20.0 / math.log(10.0) * 0.2 * reflects / math.sqrt(2.0), rel=1e-6)


def test_a_level_is_relative_to_the_mean_at_the_reference_frequency():
    level = levels((LOW_HZ, 0.4), (LOW_HZ, 0.2), (HIGH_HZ, 0.0), (END_HZ, 0.0))
    assert high(known(bench(), level)).level_db == pytest.approx(-0.3, abs=1e-4)
    assert high(known(bench(), levels((LOW_HZ, 0.4), (HIGH_HZ, 0.1)))).level_db == pytest.approx(-0.3, abs=1e-4)


@pytest.mark.parametrize(
    "level", [levels((LOW_HZ, 0.0)), levels((HIGH_HZ, 0.0), (END_HZ, 0.0)), levels((HIGH_HZ, 0.0))]
)
def test_a_level_without_the_reference_frequency_or_with_nothing_else_is_not_known(level):
    assert known(bench(), level).level == ()
    assert "level not known" in known(bench(), level).method


def test_a_level_of_less_than_a_division_is_a_level():
    small = [(step, replace(reading, value=(reading.value or 0.0) / 10.0)) for step, reading in EVEN]
    assert high(known(bench(scatter="0.01 div"), small)).u_level_db == pytest.approx(
        10.0 * high(known(bench(scatter="0.01 div"))).u_level_db, rel=1e-6
    )
