"""Compression between two deflections, (10) of docs/levels.md: by a bent gain itself; where it is a line."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from harness.quantities import HALF_POWER_RATIO
from sequences.bandwidth.evaluation import evaluate
from sequences.levelling.compression import NAME, compression
from tests.benchmarks.hand_runs import HandWorld, hand_setup
from tests.helpers.setups import a_setup


@pytest.mark.parametrize("ratio", [0.71, 0.9, 1.0, 1.1])
def test_it_is_what_a_gain_that_bends_with_the_square_makes(ratio: float) -> None:
    """A screen shows x(1 + b x²) for x: b such that the gain changes by 0.5 % from 6 div to half power of it."""
    unit = a_setup(linearity="0.5 %").unit

    def gain(x: float, b: float) -> float:
        return 1 + b * x**2

    b = 0.005 / (3.0**2 - (3.0 * HALF_POWER_RATIO) ** 2)
    error_db = 20 * math.log10(gain(3.0 * ratio, b) / gain(3.0, b))
    assert compression(unit, ratio).half_width == pytest.approx(abs(error_db), rel=0.02, abs=1e-12)


@pytest.mark.parametrize(("read", "half_width"), [("remote", 0.0434), ("eye", 0.0869)])
def test_where_nothing_is_stated_something_customary_is_assumed(read: str, half_width: float) -> None:
    assert compression(a_setup(read=read).unit, HALF_POWER_RATIO).half_width == pytest.approx(half_width, abs=1e-4)


def test_it_is_a_line_of_half_power_by_the_slope_and_none_of_equal_deflections() -> None:
    """Before: two deflections of one ratio were taken for equally true, whatever the screen does between them."""
    world = HandWorld(setup=hand_setup(linearity="1 %"), rng=np.random.default_rng(1), f3_hz=(21e6, 24e6))
    world.run()
    options = {"levelling": "by hand", "path": "lead"}
    for equal, count in ((False, 1), (True, 0)):
        entry = {"options": {**options, "equal_deflection": equal}}
        for result in evaluate(world.setup, entry, world.taken).results:
            assert result.budget is not None
            lines = [line for line in result.budget.contributions if line.name == NAME]
            assert len(lines) == count
            assert all(line.contribution / result.budget.estimate == pytest.approx(0.01, rel=0.9) for line in lines)


def test_a_unit_that_is_known_to_be_linear_has_none() -> None:
    flat = a_setup(linearity="0 %")
    assert compression(flat.unit, HALF_POWER_RATIO).u == 0.0
    assert replace(flat).unit.gain_change == 0.0
