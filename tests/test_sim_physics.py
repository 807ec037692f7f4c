"""The joined physics against closed formulas, written here anew; sources beside each check."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy import special

from harness.sim import own, response, waves
from harness.sim.clock import VirtualClock
from harness.sim.response import (
    Bell,
    Echo,
    FlatnessTable,
    HighPass,
    Loading,
    Pole,
    ResonantPair,
    Shelf,
    half_power_hz,
    transfer,
)
from harness.sim.truth import ChannelTruth, CounterTruth, MeterTruth, PathTruth, ResponseTruth, ScreenTruth, SourceTruth
from harness.sim.waves import Level, Marks, SineWave, SquareWave, step_response
from harness.sim.world import Connection, Input, LevelMeter, SimulatedScreen, SimulatedSource, World

HALF_POWER_DB = -10 * math.log10(2)


def db(chain: response.Chain, frequency_hz: float) -> float:
    return 20 * math.log10(abs(transfer(chain, frequency_hz)))


def bench(
    *,
    source: SourceTruth | None = None,
    channel: ChannelTruth | None = None,
    path: PathTruth | None = None,
    screen: ScreenTruth | None = None,
    source_ohm: float = 50.0,
    into: float | None = 50.0,
    volts_per_div: float = 0.1,
    s_per_div: float = 1e-5,
    bits: int = 8,
) -> World:
    """One source, one two-channel screen, joined on channel 1."""
    world = World(seed=5, clock=VirtualClock())
    world.sources["generator"] = SimulatedSource(truth=source or SourceTruth(), resistance=source_ohm, into=into)
    channels = (channel or ChannelTruth(), ChannelTruth())
    truth = (screen or ScreenTruth()).model_copy(update={"channel": channels})
    inputs = [Input(volts_per_div=volts_per_div), Input(volts_per_div=volts_per_div)]
    world.screens["unit"] = SimulatedScreen(
        truth=truth, resistance=1e6, capacitance=20e-12, inputs=inputs, s_per_div=s_per_div, bits=bits
    )
    world.paths["lead"] = path or PathTruth()
    world.connect(Connection(path="lead", source="generator", display="unit", channel=1))
    world.sources["generator"].on = True
    return world


def height_v(world: World, channel: int = 1) -> float:
    low, high = world.look("unit", channel).extremes_div()
    return (high - low) * world.screens["unit"].inputs[channel - 1].volts_per_div


# --- responses -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("chain", "levels"),
    [
        # 20·log10 |H| at f/f3 = 0.1, 0.2, 0.5, 1, 2, 10; textbook formulas, recomputed to the last digit shown.
        ((Pole(1e8),), (-0.0432, -0.1703, -0.9691, -3.0103, -6.9897, -20.0432)),
        ((Bell(1e8),), (-0.0301, -0.1204, -0.7526, -3.0103, -12.0412, -301.03)),
        ((ResonantPair(1e8, math.sqrt(0.5)),), (-0.0004, -0.0069, -0.2633, -3.0103, -12.3045, -40.0004)),
    ],
)
def test_the_families_at_multiples_of_their_half_power_frequency(
    chain: response.Chain, levels: tuple[float, ...]
) -> None:
    for ratio, level_db in zip((0.1, 0.2, 0.5, 1, 2, 10), levels, strict=True):
        assert db(chain, ratio * 1e8) == pytest.approx(level_db, abs=0.5e-4 if level_db > -300 else 5e-3)


def test_fifty_ohms_on_twenty_picofarads() -> None:
    """A pole of the 25 Ω of source and termination: 318.310 MHz; −0.1059 dB at 50 MHz, −0.4088 dB at 100 MHz."""
    chain = (Loading(50.0, 50.0, 20e-12),)
    assert half_power_hz(chain) == pytest.approx(1 / (2 * math.pi * 25 * 20e-12), rel=1e-9)
    assert half_power_hz(chain) == pytest.approx(318.310e6, abs=0.0005e6)
    for frequency_hz, level_db in ((50e6, -0.1059), (100e6, -0.4088)):
        assert db(chain, frequency_hz) - db(chain, 0.0) == pytest.approx(level_db, abs=0.5e-4)


@pytest.mark.parametrize(("match_ohm", "turns"), [(75.0, 0.25), (75.0, 0.5), (50 / 1.5, 0.25), (50 / 1.5, 0.5)])
def test_a_generator_that_is_not_matched_meets_its_own_wave_again(match_ohm: float, turns: float) -> None:
    """±|Γs||Γl| of a line of quarter waves (textbook): 25 Ω at its end, |Γl| = 1/3, and a source of 75 or 33 Ω, 1/5."""
    world = bench(
        source=SourceTruth(match=f"{match_ohm} ohm"),
        channel=ChannelTruth(capacitance="0 pF"),
        path=PathTruth(termination="25 ohm", delay=f"{10 * turns} ns"),
    )
    world.sources["generator"].wave = SineWave(0.4, 100e6)
    again = (1 if match_ohm > 50 else -1) / 5 * -1 / 3 * math.cos(2 * math.pi * 2 * turns)
    assert height_v(world) == pytest.approx(0.4 * (1 - 1 / 3) / (1 - again), rel=1e-4)


def test_a_shelf_an_echo_a_table_and_a_coupling_do_what_they_say() -> None:
    assert db((Shelf(1e6, 10 ** (-0.5 / 20)),), 1e9) == pytest.approx(-0.5, abs=1e-4)
    echo = (Echo(5e-9, 0.02),)  # in phase at 0, against it half a turn later
    assert db(echo, 1e8) == pytest.approx(20 * math.log10(0.98 / 1.02), abs=1e-9)
    assert db(echo, 2e8) == pytest.approx(0.0, abs=1e-9)
    table = FlatnessTable(((1e6, 0.0), (1e8, -1.0)))
    assert db((table,), 1e7) == pytest.approx(-0.5, abs=1e-12)  # half way in log f
    assert db((table,), 1e9) == pytest.approx(-1.0, abs=1e-12)
    assert db((HighPass(10.0),), 10.0) == pytest.approx(HALF_POWER_DB, abs=1e-12)


@pytest.mark.parametrize("section", [Pole(1e8), ResonantPair(9e7, 0.8), Shelf(3e6, 0.99), Bell(1e8), Echo(3e-9, 0.01),
                                     FlatnessTable(((1e6, 0.0), (1e8, -1.0))), Loading(50, 50, 2e-11)])  # fmt: skip
def test_a_section_is_the_same_for_one_frequency_and_for_many(section: response.Transfer) -> None:
    grid = np.geomspace(1e5, 1e9, 23)
    assert np.asarray(section(grid)) == pytest.approx(np.array([section(float(f)) for f in grid]), rel=1e-12)


def test_stretching_a_cascade_puts_half_power_where_it_is_wanted() -> None:
    stages = (
        {"kind": "pole", "at": "180 MHz"},
        {"kind": "pair", "at": "160 MHz", "q": 0.75},
        {"kind": "echo", "delay": "4 ns", "ratio": "-0.6 %"},
        {"kind": "bell", "at": "400 MHz"},
    )
    chain = ResponseTruth.model_validate({"stages": stages, "half_power": "118 MHz"}).chain
    assert half_power_hz(chain) == pytest.approx(118e6, rel=1e-9)
    assert db(chain, 118e6) - db(chain, 1e3) == pytest.approx(HALF_POWER_DB, abs=1e-6)


def test_half_power_is_the_first_crossing() -> None:
    """A strong echo crosses −3 dB, recovers, and crosses again: cos²(π f τ) for equal parts, first at 1/(4τ)."""
    chain = (Echo(10e-9, 0.89), Pole(1e12))
    # |1 + r·exp(−jx)|² = (1 + r)²/2 with r = 0.89, solved for x
    x = math.acos(((1.89**2) / 2 - 1 - 0.89**2) / (2 * 0.89))
    assert half_power_hz(chain) == pytest.approx(x / (2 * math.pi * 10e-9), rel=1e-5)
    with pytest.raises(ValueError, match="no half-power"):
        half_power_hz((Echo(1e-9, 0.01),))


# --- pulses --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("chain", "product", "overshoot"),
    [
        # rise time × half-power frequency, 10–90 %: ln 9/2π; 2·erfinv(0.8)·√ln2/π·…; Butterworth-2, textbook values
        ((Pole(1e8),), 0.349699, 0.0),
        ((Bell(1e8),), 0.339624, 0.0),
        ((ResonantPair(1e8, math.sqrt(0.5)),), 0.341871, 0.043214),
    ],
)
def test_rise_time_and_overshoot_of_known_families(chain: response.Chain, product: float, overshoot: float) -> None:
    step = step_response(chain, 0.0)
    assert step.rise_time_s() * 1e8 == pytest.approx(product, rel=2e-3)
    assert step.overshoot() == pytest.approx(overshoot, abs=5e-4)


def test_gaussian_edges_add_in_squares() -> None:
    """√(a² + b²) is exact for Gaussian edges alone."""
    own_s = 0.339624 / 1e8
    step = step_response((Bell(1e8),), 2e-9)
    assert step.rise_time_s() == pytest.approx(math.hypot(own_s, 2e-9), rel=1e-3)


def test_the_step_of_a_pole_is_an_exponential() -> None:
    step = step_response((Pole(1e8),), 0.0)
    tau = 1 / (2 * math.pi * 1e8)
    later = tau * np.array([1.0, 2.0, 3.0])
    begin = -tau * math.log(2)  # t = 0 is at one half
    assert step.at(later) == pytest.approx(1 - np.exp(-(later - begin) / tau), abs=2e-3)
    assert step.at(np.array([-1.0, 1.0])).tolist() == [0.0, 1.0]


def test_a_square_wave_that_does_not_settle_is_the_known_exponential() -> None:
    """RC in the steady state: the top ends at 1/(1 + exp(−T/2τ)), the base at its complement (textbook).

    The corner itself is rounded by the table's step, a fortieth of the rise time.
    """
    tau = 1 / (2 * math.pi * 1e8)
    period_s = 6 * tau
    seen = waves.arrive(SquareWave(1.0, 1 / period_s, 0.0), (Pole(1e8),), 1.0, blocks_dc=False)
    shown = seen.volts(np.linspace(-period_s, period_s, 20_001), 0.0)
    assert shown.max() == pytest.approx(1 / (1 + math.exp(-3)), abs=3e-3)
    assert shown.min() == pytest.approx(1 / (1 + math.exp(3)), abs=3e-3)


def test_a_square_wave_stands_between_ground_and_its_level() -> None:
    world = bench(into=None, volts_per_div=1.0, s_per_div=2e-4)
    world.sources["generator"].wave = SquareWave(5.0, 1e3, 60e-9)
    trace = world.look("unit", 1)
    low, high = trace.extremes_div()
    assert (low, high) == pytest.approx((0.0, 5.0 / (1 + 50 / 1e6)))
    world.screens["unit"].inputs[0].coupling = "ac"
    assert world.look("unit", 1).extremes_div() == pytest.approx((-high / 2, high / 2))


def test_time_marks_keep_their_period_and_a_slow_channel_leaves_their_fundamental() -> None:
    world = bench(into=None, channel=ChannelTruth(response=_response("pole", "20 MHz")), volts_per_div=0.5)
    world.sources["generator"].wave = Marks(1.0, 1e-6)
    slow = height_v(world)
    world.sources["generator"].wave = Marks(1.0, 1e-8)  # 100 MHz through 20 MHz
    fast = world.look("unit", 1).seen
    assert slow == pytest.approx(1.0, rel=0.2)
    one = fast.volts(np.linspace(0, 1e-8, 64, endpoint=False), 0.0)
    lines = np.abs(np.fft.rfft(one))
    assert lines[2] / lines[1] < 0.6
    assert fast.period_s == 1e-8


def _response(kind: str, at: str, **more: object) -> ResponseTruth:
    return ResponseTruth.model_validate({"stages": [{"kind": kind, "at": at, **more}]})


# --- loading -------------------------------------------------------------------------------------------------------


def test_a_terminated_level_is_what_it_says() -> None:
    """1 MΩ in parallel to 50 Ω is 49.9975 Ω: 0.99997… of the level."""
    world = bench(path=PathTruth(termination="50 ohm"))
    world.sources["generator"].wave = SineWave(0.6, 50e3)
    parallel = 1 / (1 / 50 + 1 / 1e6)
    assert height_v(world) == pytest.approx(0.6 * 2 * parallel / (50 + parallel), rel=1e-7)


def test_a_missing_termination_doubles_the_level() -> None:
    """×1.9999 (1 MΩ against 50 Ω)."""
    world = bench()
    world.sources["generator"].wave = SineWave(0.6, 1e3)
    assert height_v(world) / 0.6 == pytest.approx(1.9999, abs=0.5e-4)


def test_a_source_that_feeds_two_terminated_inputs_is_loaded_by_both() -> None:
    """25 Ω against 50 Ω: two thirds of the level."""
    world = bench(path=PathTruth(termination="50 ohm"))
    world.paths["other"] = PathTruth(termination="50 ohm")
    world.routes = {1: Connection(path="other", source="generator", display="unit", channel=2)}
    world.closed = {1}
    world.sources["generator"].wave = Level(0.3)
    assert world.look("unit", 1).extremes_div()[0] == pytest.approx(0.3 * 2 / 3 / 0.1, rel=1e-4)


def test_the_divider_divides_by_its_true_ratio_and_hides_the_input() -> None:
    probe = PathTruth(divides_by=10.04, resistance="10 Mohm", capacitance="13 pF")
    world = bench(path=probe, into=None)
    world.sources["generator"].wave = Level(2.0)
    expected = 2.0 * 10e6 / (10e6 + 50) / 10.04
    assert world.look("unit", 1).extremes_div()[0] * 0.1 == pytest.approx(expected, rel=1e-9)


def test_moving_a_lead_unplugs_what_it_replaces() -> None:
    world = bench()
    world.connect(Connection(path="lead", source="generator", display="unit", channel=2))
    assert world.connection_to("unit", 1) is None
    assert world.connection_to("unit", 2) is not None


# --- errors that a verification looks for --------------------------------------------------------------------------


def test_gain_offset_and_source_errors_appear_on_the_screen() -> None:
    channel = ChannelTruth.model_validate({"gain": "1 %", "gain_by_range": {"100 mV": "-2.5 %"}, "offset": "0.03 div"})
    source = SourceTruth.model_validate({"gain": "0.1 %", "gain_dc": "0.2 %", "offset": "1 mV"})
    world = bench(source=source, channel=channel, into=None, source_ohm=1e-3)
    world.sources["generator"].wave = Level(0.3)
    applied = 0.3 * 1.001 * 1.002 + 1e-3
    assert world.look("unit", 1).extremes_div()[0] == pytest.approx(applied * 0.975 / 0.1 + 0.03, rel=1e-8)
    world.screens["unit"].inputs[0].volts_per_div = 0.2
    assert world.look("unit", 1).extremes_div()[0] == pytest.approx(applied * 1.01 / 0.2 + 0.03, rel=1e-8)


def test_grounding_leaves_the_offset_alone() -> None:
    channel = ChannelTruth(offset=0.05)
    world = bench(channel=channel)
    world.sources["generator"].wave = Level(0.3)
    world.screens["unit"].inputs[0].coupling = "ground"
    assert world.look("unit", 1).extremes_div() == (0.05, 0.05)


def test_a_bend_changes_the_ends_and_not_the_middle() -> None:
    world = bench(channel=ChannelTruth(bend=0.01), into=None, source_ohm=1e-3)
    world.sources["generator"].wave = Level(0.4)  # 4 div
    assert world.look("unit", 1).extremes_div()[0] == pytest.approx(4 * 1.01, rel=1e-6)
    world.sources["generator"].wave = Level(0.04)
    assert world.look("unit", 1).extremes_div()[0] == pytest.approx(0.4 * 1.0001, rel=1e-6)


def test_the_screen_falls_to_half_power_at_the_true_frequency() -> None:
    """The levelled sine at 1/√2 of its low-frequency height: −3.0103 dB of a single pole."""
    world = bench(channel=ChannelTruth(response=_response("pole", "100 MHz")), source_ohm=1e-6, into=None)
    box = world.sources["generator"]
    box.wave = SineWave(0.6, 1e3)
    low = height_v(world)
    box.wave = SineWave(0.6, 100e6)
    assert height_v(world) / low == pytest.approx(math.sqrt(0.5), rel=1e-6)


def test_drift_follows_the_clock() -> None:
    world = bench(source=SourceTruth(drift_per_hour=0.01), into=None, source_ohm=1e-3)
    world.sources["generator"].wave = Level(0.1)
    before = world.look("unit", 1).extremes_div()[0]
    world.clock.sleep(7200)
    assert world.look("unit", 1).extremes_div()[0] / before == pytest.approx(1.02, rel=1e-9)


# --- records -------------------------------------------------------------------------------------------------------


def test_codes_are_eight_bits_over_the_screen_and_end_with_it() -> None:
    world = bench(into=None, source_ohm=1e-3)
    world.sources["generator"].wave = SineWave(1.2, 1e5)  # 12 div on a screen of 8
    record = world.record("unit", world.look("unit", 1), 20_000)
    assert record.clipped
    assert (record.volts.min(), record.volts.max()) == pytest.approx((-0.4, 0.4))
    steps = np.diff(np.unique(record.volts))
    assert np.unique(record.volts).size <= 256
    assert steps.min() == pytest.approx(0.8 / 255)
    world.sources["generator"].wave = SineWave(0.7, 1e5)
    assert not world.record("unit", world.look("unit", 1), 1000).clipped


def test_rounding_to_codes_leaves_a_twelfth_of_a_step_squared() -> None:
    """Quantising noise: step/√12 rms, spread evenly (W. R. Bennett, 1948)."""
    world = bench(into=None, source_ohm=1e-9)
    box = world.sources["generator"]
    box.wave = SineWave(0.5, 1.03e4)
    trace = world.look("unit", 1)
    record = world.record("unit", trace, 10_000)
    time_s = np.arange(10_000) * record.dt_s
    basis = np.column_stack(
        [np.cos(2 * math.pi * 1.03e4 * time_s), np.sin(2 * math.pi * 1.03e4 * time_s), np.ones(10_000)]
    )
    residual = record.volts - basis @ np.linalg.lstsq(basis, record.volts, rcond=None)[0]
    assert residual.std() == pytest.approx(0.8 / 255 / math.sqrt(12), rel=0.05)


def test_noise_has_the_size_that_the_truth_says() -> None:
    screen = ScreenTruth(noise="0.05 div", noise_floor="2 mV")
    world = bench(screen=screen, bits=16)
    record = world.record("unit", world.look("unit", 1), 20_000)
    assert record.volts.std() == pytest.approx(math.hypot(0.05 * 0.1, 2e-3), rel=0.02)


def test_the_phase_of_a_sine_changes_from_record_to_record() -> None:
    world = bench()
    world.sources["generator"].wave = SineWave(0.3, 1e5)
    trace = world.look("unit", 1)
    first = [float(world.record("unit", trace, 100).volts[0]) for _ in range(8)]
    assert np.ptp(first) > 0.1


def test_the_same_step_reads_the_same_whatever_came_before() -> None:
    readings = []
    for history in ((), ("a", "b")):
        world = bench(screen=ScreenTruth(noise=0.05))
        world.sources["generator"].wave = SineWave(0.3, 1e5)
        for key in history:
            world.begin(key)
            world.record("unit", world.look("unit", 1), 100)
        world.begin("this step")
        readings.append(world.record("unit", world.look("unit", 1), 100).volts.tolist())
    assert readings[0] == readings[1]
    world.begin("another step")
    assert world.record("unit", world.look("unit", 1), 100).volts.tolist() != readings[0]


def test_a_fast_time_base_shows_a_longer_period() -> None:
    """Indicated over true is 1 + error: marks of 10 µs on a scale 2 % too long stand 10.2 µs apart."""
    world = bench(screen=ScreenTruth(time=0.02), into=None, source_ohm=1e-3, volts_per_div=0.5, bits=12)
    world.sources["generator"].wave = Marks(1.5, 1e-5)
    record = world.record("unit", world.look("unit", 1), 5000)
    assert own.period(record) == pytest.approx(1.02e-5, rel=1e-4)


# --- the scope's own measurements ----------------------------------------------------------------------------------


def test_own_measurements_of_a_clean_square() -> None:
    chain = _response("pair", "100 MHz", q=math.sqrt(0.5))
    world = bench(
        channel=ChannelTruth(response=chain), into=None, source_ohm=1e-3, volts_per_div=0.2, s_per_div=5e-9, bits=12
    )
    world.screens["unit"].inputs[0].ground_div = -3.0
    world.sources["generator"].wave = SquareWave(1.0, 1e5, 1e-12)
    record = world.record("unit", world.look("unit", 1), 2000)
    assert own.amplitude(record) == pytest.approx(1.0, rel=5e-3)
    assert own.rise_time(record) == pytest.approx(0.341871e-8, rel=0.01)
    assert own.overshoot(record) == pytest.approx(4.32, abs=0.3)


def test_own_measurements_of_a_sine_and_of_nothing() -> None:
    world = bench(into=None, source_ohm=1e-3, screen=ScreenTruth(noise=0.02))
    world.sources["generator"].wave = SineWave(0.6, 1e5)
    record = world.record("unit", world.look("unit", 1), 1000)
    assert own.frequency(record) == pytest.approx(1e5, rel=2e-3)
    assert own.mean(record) == pytest.approx(0.0, abs=2e-3)
    assert own.peak_to_peak(record) == pytest.approx(0.6, rel=0.03)
    world.sources["generator"].on = False
    nothing = world.record("unit", world.look("unit", 1), 1000)
    assert math.isnan(own.frequency(nothing))
    world.sources["generator"].on = True
    world.sources["generator"].wave = SineWave(1.6, 1e5)
    assert math.isinf(own.peak_to_peak(world.record("unit", world.look("unit", 1), 1000)))


# --- meters --------------------------------------------------------------------------------------------------------


def test_a_counter_reads_the_generators_own_frequency_with_its_own_error() -> None:
    world = bench(source=SourceTruth(time=1e-6))
    world.counters["counter"] = CounterTruth(time=-2e-6)
    world.sources["generator"].wave = SineWave(0.6, 1e7)
    assert world.count_hz("counter", "generator") == pytest.approx(1e7 * (1 + 1e-6) / (1 - 2e-6), rel=1e-12)
    world.sources["generator"].on = False
    assert math.isnan(world.count_hz("counter", "generator"))


def test_a_level_meter_reads_root_mean_square() -> None:
    """2√2 between Vpp and Vrms of a sine."""
    world = bench()
    world.level_meters["reference"] = LevelMeter(truth=MeterTruth(gain="1 %", resistance="50 ohm"))
    world.connect(Connection(path="lead", source="generator", display="reference", channel=1))
    world.sources["generator"].wave = SineWave(0.6, 1e6)
    assert world.level_vrms("reference") == pytest.approx(0.6 / (2 * math.sqrt(2)) * 1.01, rel=1e-9)


def test_levelling_on_a_rolled_off_reference_flatters_the_unit() -> None:
    """Single poles, the reference at twice the unit's frequency: the unit seems 1.41421 times faster.

    The level is raised by what the reference loses; half power is then found where (1 + x²) = 2(1 + x²/4).
    """
    unit, reference = (Pole(1e8),), (Pole(2e8),)
    levelled = [
        abs(transfer(unit, f)) / abs(transfer(reference, f)) for f in (1e8 * math.sqrt(2) * k for k in (0.99, 1.01))
    ]
    assert levelled[0] > math.sqrt(0.5) > levelled[1]
    assert db(reference, 1e8) == pytest.approx(-0.9691, abs=0.5e-4)


def test_levels_fall_monotonically_for_cascades_of_poles() -> None:
    chain = (Pole(6e7), Pole(9e7), Bell(9e7))
    levels = [db(chain, float(f)) for f in np.geomspace(1e5, 1e9, 50)]
    assert all(later < earlier for earlier, later in pairwise(levels))


def test_the_gaussian_edge_constant_is_the_error_functions() -> None:
    assert pytest.approx(2 * math.sqrt(2) * special.erfinv(0.8), rel=1e-12) == waves._TEN_TO_NINETY
