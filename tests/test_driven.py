"""One channel driven, another read: what is connected, what is refused, what a person is told, what couples across."""

from __future__ import annotations

from dataclasses import replace

import pytest

from drivers.manual import ManualScreen
from harness.bench.limits import connection_of, refusal
from harness.fakes import FakePerson
from harness.models import UnitLink
from harness.run.rehearsal import ideal
from harness.sim.clock import VirtualClock
from harness.sim.truth import ChannelTruth, PathTruth, ScreenTruth, SourceTruth
from harness.sim.waves import SineWave, SquareWave, Wave
from harness.sim.world import Connection, Input, SimulatedScreen, SimulatedSource, World
from harness.steps import Connect, Measure, Sine, View
from sequences import channel_of
from tests.helpers.setups import a_setup

STEP = Measure(
    purpose="crosstalk", path="terminated", source="generator", stimulus=Sine(level_vpp=1.0, frequency_hz=1e7),
    display="unit", view=View(channel=2, volts_per_div=0.1, s_per_div=1e-6), quantity="peak_to_peak", driven=1,
)  # fmt: skip
MADE = Connect(path="terminated", source="generator", display="unit", channel=1)


def test_the_signal_is_connected_to_the_channel_that_is_driven() -> None:
    assert connection_of(STEP) == MADE
    assert channel_of(STEP) == 1
    assert refusal(STEP, MADE, a_setup()) == ""
    assert "channel 2 of the unit" in refusal(STEP, replace(MADE, channel=2), a_setup())


def test_only_so_may_another_channel_be_read_than_the_connected_one() -> None:
    assert refusal(replace(STEP, driven=None), MADE, a_setup()).startswith(
        "measures generator → terminated → channel 2"
    )


@pytest.mark.parametrize(
    ("step", "why"),
    [
        (replace(STEP, driven=2), "as one that has no signal, and drives it"),
        (replace(STEP, driven=3), "only a channel of the unit"),
        (replace(STEP, driven=0), "only a channel of the unit"),
        (replace(STEP, display="reference"), "only a channel of the unit"),
    ],
)
def test_what_cannot_be_meant_is_refused(step: Measure, why: str) -> None:
    assert why in refusal(step, connection_of(step), a_setup())


def test_an_ideal_unit_shows_nothing_of_it() -> None:
    assert getattr(ideal(a_setup(), STEP), "value", None) == 0.0


def test_a_person_is_told_where_the_signal_is_in_a_line_of_80() -> None:
    person = FakePerson(["0.2"])
    screen = ManualScreen(person, UnitLink(driver="manual"), "unit", a_setup().unit)
    assert screen.read(STEP).value == 0.2
    said = [line for prompt in person.asked for line in (prompt.title, *prompt.lines)]
    (where,) = [line for line in said if "the signal is on channel 1" in line]
    assert len(where) <= 80


def world(wave: Wave, crosstalk: float) -> World:
    made = World(seed=1, clock=VirtualClock())
    source = SimulatedSource(truth=SourceTruth(), resistance=50.0, into=50.0, wave=wave, on=True)
    made.sources["generator"] = source
    truth = ScreenTruth(channel=(ChannelTruth(), ChannelTruth.model_validate({"crosstalk": crosstalk})))
    inputs = [Input(volts_per_div=1.0), Input(volts_per_div=1.0)]
    made.screens["unit"] = SimulatedScreen(truth=truth, resistance=1e6, capacitance=0.0, inputs=inputs)
    made.paths["terminated"] = PathTruth.model_validate({"termination": "50 ohm"})
    made.connect(Connection(path="terminated", source="generator", display="unit", channel=1))
    return made


def height_v(made: World, channel: int) -> float:
    low, high = made.look("unit", channel).seen.extremes()
    return high - low


@pytest.mark.parametrize(("frequency_hz", "share"), [(1e6, 1e-4), (1e7, 1e-3), (1e8, 1e-2)])
def test_crosstalk_rises_with_frequency(frequency_hz: float, share: float) -> None:
    made = world(SineWave(2.0, frequency_hz), crosstalk=0.01)
    assert height_v(made, 1) == pytest.approx(2.0, rel=1e-3)
    assert height_v(made, 2) == pytest.approx(2.0 * share, rel=1e-3)


def test_a_channel_without_crosstalk_or_with_a_signal_of_its_own_shows_none() -> None:
    assert height_v(world(SineWave(2.0, 1e8), crosstalk=0.0), 2) == 0.0
    assert height_v(world(SquareWave(2.0, 1e3, 1e-9), crosstalk=0.01), 2) == 0.0
    grounded = world(SineWave(2.0, 1e8), crosstalk=0.01)
    grounded.screens["unit"].inputs[1].coupling = "ground"
    assert height_v(grounded, 2) == 0.0
