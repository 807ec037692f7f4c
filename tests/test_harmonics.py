"""What harmonics make of a level read by peaks, by rms or by a fitted sine: waves themselves, by numpy alone."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from harness.models import Setup
from sequences.levelling.harmonics import harmonic_lines
from sequences.levelling.sine import LevelPlan, held_at, method_of
from tests.helpers.setups import a_setup

HZ = 20e6
PLAN = LevelPlan(path="lead", level_path="lead")
EYE = {"read": "eye", "flatness": [{"frequency": f, "db": "0 dB", "u": "0 dB"} for f in ("50 kHz", "1 GHz")]}
METER = {**EYE, "read": "remote", "kind": "level_meter"}


def bench(dbc: float | None, *, read: str = "eye", reference: dict[str, object] | None = None) -> Setup:
    setup = a_setup(read=read, reference=reference)
    generator = setup.bench.generator
    assert generator is not None
    said = {"generator": generator.model_copy(update={"harmonics": dbc})}
    return replace(setup, bench=setup.bench.model_copy(update=said))


def errors_db(ratio: float, order: int) -> dict[str, np.ndarray]:
    """What each way of reading makes of a sine with one harmonic of that size, its phase anything."""
    at = np.linspace(0.0, 2.0 * np.pi, 2000, endpoint=False)
    phases = np.linspace(0.0, 2.0 * np.pi, 400, endpoint=False)[:, None]
    waves = np.sin(at) + ratio * np.sin(order * at + phases)
    heights = {
        "peak": np.ptp(waves, axis=1) / 2.0,
        "rms": waves.std(axis=1) * math.sqrt(2.0),
        "fit": np.hypot(waves @ np.sin(at), waves @ np.cos(at)) / at.size * 2.0,
    }
    return {reader: 20.0 * np.log10(height) for reader, height in heights.items()}


@pytest.mark.parametrize("dbc", [-30.0, -40.0])
def test_each_way_of_reading_has_the_term_that_waves_show(dbc: float) -> None:
    ratio = 10.0 ** (dbc / 20.0)
    third, second = errors_db(ratio, 3), errors_db(ratio, 2)
    by_eye = list(harmonic_lines(bench(dbc, reference=EYE)))  # alike at the reference frequency, where nothing is left
    assert [line.name for line in by_eye] == ["harmonics, unit", "harmonics, reference"]
    for line in by_eye:
        assert line.u == pytest.approx(third["peak"].std(), rel=0.05)
        assert line.half_width == pytest.approx(np.abs(third["peak"]).max(), rel=0.05)
        assert np.abs(second["peak"]).max() < 0.2 * line.u  # the second lifts both peaks alike
    by_meter = {line.name: line for line in harmonic_lines(bench(dbc, read="remote", reference=METER))}
    rms = by_meter["harmonics, reference"]
    assert rms.half_width == pytest.approx(third["rms"].mean(), rel=0.05)
    assert np.abs(third["fit"]).max() < 1e-9
    assert set(by_meter) == {"harmonics, reference", "harmonics, reference, at the reference frequency"}


def test_they_go_into_the_level_and_are_nothing_at_the_reference_frequency() -> None:
    names = [line.name for line in held_at(bench(-40.0, reference=EYE), PLAN, HZ).contributions]
    assert "harmonics, unit" in names
    assert not [
        line
        for line in held_at(bench(-40.0, reference=EYE), PLAN, PLAN.reference_hz).contributions
        if line.name.startswith("harmonics")
    ]


def test_a_generator_that_states_none_is_said_to_where_it_matters() -> None:
    said = "its harmonics are not stated, and nothing is allowed for them"
    assert said in method_of(bench(None, reference=EYE), None)
    assert said not in method_of(bench(-40.0, reference=EYE), None)
    assert said not in method_of(bench(None, read="remote", reference={**EYE, "read": "remote"}), None)
    assert not list(harmonic_lines(bench(None, reference=EYE)))
