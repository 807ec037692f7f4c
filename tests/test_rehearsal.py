"""What would help a point that cannot be decided: what this bench has comes first, and following it decides."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest

from harness.models import Setup
from harness.run.jobs import Use
from harness.run.rehearsal import Rehearsal, rehearse
from sequences.vertical import steps as vertical
from tests.helpers.setups import a_setup


def rehearsed(setup: Setup, **options: Any) -> Rehearsal:
    chosen = vertical.Options(channels=(1,), **options)
    return rehearse(setup, (Use(name="1 vertical", definition=vertical, options=chosen, use="vertical"),))


def test_both_edges_of_a_square_wave_are_advised_and_following_it_decides_the_point() -> None:
    setup = a_setup(levels="decade", volts_per_div=("500 mV",))  # 1 V: two divisions
    (found,) = rehearsed(setup).undecided
    advised = re.search(r'read top and bottom .* \(signal = "square", repeats = (\d+)\)', found.remedy)
    assert advised, found.remedy
    followed = rehearsed(setup, signal="square", repeats=int(advised[1]))
    assert not followed.undecided
    assert followed.parts[0].decidable == 1


def test_a_higher_level_of_this_bench_is_advised_before_another_source() -> None:
    """Two and seven divisions: the second is more than the plan takes, and the whole screen holds it."""
    setup = a_setup(levels=["1 V", "3.5 V"], volts_per_div=("500 mV",))
    (found,) = rehearsed(setup).undecided
    assert found.remedy == "apply 3.5 V from the lowest graticule line, 7 div"


@pytest.mark.parametrize(("maximum", "advised"), [("400 V", True), ("3 V", False)])
def test_no_level_above_a_rating_is_advised(maximum: str, advised: bool) -> None:
    setup = a_setup(levels=["1 V", "3.5 V"], volts_per_div=("500 mV",), input_maximum=maximum)
    (found,) = rehearsed(setup).undecided
    assert ("3.5 V" in found.remedy) is advised


def test_a_level_that_a_person_turns_is_set_to_the_line() -> None:
    """Read by eye U is 1.7 % at six divisions; turned to the line it is 0.9 % (docs/deflection.md)."""
    setup = a_setup(volts_per_div=("500 mV",), tolerance={"deflection": "1.5 %"})
    calibrator = setup.bench.calibrator
    assert calibrator is not None
    by_hand = calibrator.model_copy(update={"driver": "manual"})
    setup = replace(setup, bench=setup.bench.model_copy(update={"calibrator": by_hand}))
    (found,) = rehearsed(setup).undecided
    assert found.remedy == "turn the level until the trace is on its lines (to_line = true)"
    assert not rehearsed(setup, to_line=True).undecided


def test_where_this_bench_has_nothing_another_source_is_named() -> None:
    setup = a_setup(levels="decade", volts_per_div=("1 V",))  # one division: even ten readings prove nothing
    (found,) = rehearsed(setup).undecided
    assert found.remedy == "apply 6 V, from a source that gives it: 6 div"
