"""The bandwidth sequence before a simulated unit: counted hertz, corrected levels, slips, head-room."""

from __future__ import annotations

import math

import numpy as np
import pytest

from harness.steps import Sine
from sequences.bandwidth.response import _evaluate
from tests.benchmarks.bandwidth_runs import Responder, setup_of


def runs(count: int, **options: object) -> list[tuple[Responder, float, float]]:
    """Runs with one typing slip each: the responder, the error in ln f, and the stated standard uncertainty."""
    done = []
    for seed in range(count):
        rng = np.random.default_rng([17, seed])
        f3_hz = 100e6 * rng.uniform(0.8, 1.8)
        unit = Responder(setup=setup_of(), rng=rng, f3_hz=f3_hz, slip_at=int(rng.integers(0, 7)))
        found = unit.run(**options)
        assert found.frequency_hz is not None
        assert found.u_rel is not None
        done.append((unit, math.log(found.frequency_hz / f3_hz), found.u_rel))
    return done


@pytest.mark.parametrize("options", [{}, {"equal_deflection": True}], ids=["level", "equal deflection"])
def test_a_slip_is_asked_again_at_its_own_setting_and_replaced(options: dict[str, object]) -> None:
    """Counted hertz scatter, and the level is corrected: neither may part a reading from the one that replaces it."""
    done = runs(24, **options)
    for unit, _, _ in done:
        by_number = {step.repeat: step for step in unit.sines}
        for step in unit.sines:
            if step.purpose == "re-ask":
                assert step.replaces is not None
                assert isinstance(step.stimulus, Sine)
                before = by_number[step.replaces].stimulus
                assert isinstance(before, Sine)
                assert step.stimulus.frequency_hz == before.frequency_hz
                assert step.stimulus.level_vpp <= before.level_vpp
    assert max(len(unit.sines) for unit, _, _ in done) <= 30
    assert sum(unit.asked_again for unit, _, _ in done) <= 1.5 * len(done)
    assert max(abs(error) for _, error, _ in done) < 0.06
    # A slip in the last digit is no error that another reading contradicts.
    assert sum(abs(error) <= 3.0 * u for _, error, u in done) >= 22


def test_a_run_makes_one_fit_a_reading() -> None:
    """The judgement of a reading, the next setpoint, its span and the result share the fits of the readings so far."""
    unit = Responder(setup=setup_of(), rng=np.random.default_rng(3))
    before = _evaluate.cache_info().misses
    unit.run()
    assert unit.asked_again == 0
    assert _evaluate.cache_info().misses - before <= len(unit.sines) + 1


@pytest.mark.parametrize("most_vpp", [0.6, 0.65, 0.7, 5.5])
def test_equal_deflection_keeps_to_what_the_generator_gives(most_vpp: float) -> None:
    unit = Responder(setup=setup_of(generator_level_high=f"{most_vpp} Vpp"), rng=np.random.default_rng(5))
    found = unit.run(equal_deflection=True)
    levels = [step.stimulus.level_vpp for step in unit.sines if isinstance(step.stimulus, Sine)]
    assert max(levels) <= most_vpp
    if most_vpp > 0.6:
        assert max(levels) > 0.98 * min(most_vpp, 0.7)  # it is used as far as screen and span allow
    assert found.frequency_hz == pytest.approx(unit.f3_hz, rel=0.04)
