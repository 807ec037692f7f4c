"""Ratings and hazardous voltage: IEC 61010-1 with its 2016 amendment, 30 V rms, 42.4 V peak, 60 V dc (from memory)."""

import math

import pytest

from harness.limits import Stress, hazards, stress
from harness.models import Setup
from harness.steps import Dc, FastEdge, Measure, NoSignal, Sine, Square, TimeMarks, View
from tests.setups import a_setup


def measure(stimulus, path="lead", source="calibrator", display="unit"):
    return Measure(
        purpose="x", path=path, source=source, stimulus=stimulus, display=display,
        view=View(channel=1, volts_per_div=5.0, s_per_div=1e-3), quantity="deflection",
    )  # fmt: skip


def kinds(step, setup=None):
    return [hazard.kind for hazard in hazards(step, setup or a_setup())]


@pytest.mark.parametrize(
    ("stimulus", "expected"),
    [
        (Dc(level_v=59.9), False),
        (Dc(level_v=60.0), False),
        (Dc(level_v=60.1), True),
        (Dc(level_v=-60.1), True),
        (Sine(level_vpp=29.9 * 2 * math.sqrt(2), frequency_hz=50.0), False),
        (Sine(level_vpp=30.1 * 2 * math.sqrt(2), frequency_hz=50.0), True),
        (Square(level_vpp=42.3, frequency_hz=1e3), False),
        (Square(level_vpp=42.5, frequency_hz=1e3), True),
        (TimeMarks(period_s=1e-3, level_vpp=1.0), False),
        (FastEdge(level_vpp=0.5, frequency_hz=1e5), False),
        (NoSignal(), False),
    ],
)
def test_hazardous_voltage_on_either_side_of_its_limits(stimulus, expected):
    assert stress(stimulus).hazardous is expected


def test_ac_with_dc_is_judged_by_its_peak():
    # 20 V rms on 20 V dc peaks at 48.28 V: above 42.4 V although neither part is above its own limit.
    both = Stress(dc_v=20.0, rms_v=math.hypot(20, 20), ac_rms_v=20.0, peak_v=20 + 20 * math.sqrt(2))
    assert both.peak_v == pytest.approx(48.28, abs=0.005)
    assert both.hazardous


@pytest.mark.parametrize(("vpp", "refused"), [(28.28, False), (28.30, True)])
def test_heat_in_a_termination(vpp, refused):
    # V²/R: 10 V rms in 50 Ω is 2 W; 28.284 Vpp is 10 V rms.
    setup = a_setup(termination_power="2 W", generator_level_high="100 Vpp", input_maximum="300 V")
    found = hazards(measure(Sine(level_vpp=vpp, frequency_hz=5e4), path="terminated", source="generator"), setup)
    assert any("termination" in hazard.sentence for hazard in found) is refused


def test_five_volts_rms_into_fifty_ohm_is_half_a_watt():
    setup = a_setup(termination_power="0.49 W", generator_level_high="100 Vpp")
    step = measure(Sine(level_vpp=10 * math.sqrt(2), frequency_hz=5e4), path="terminated", source="generator")
    assert "makes 500 mW" in hazards(step, setup)[0].sentence


def test_the_units_input_is_protected_behind_the_divider():
    setup = a_setup(input_maximum="15 V")
    assert "rating" in kinds(measure(Dc(level_v=20.0)), setup)
    assert "rating" not in kinds(measure(Dc(level_v=100.0), path="probe"), setup)
    assert "rating" in kinds(measure(Dc(level_v=160.0), path="probe"), setup)


def test_the_probe_is_protected_at_its_own_input():
    assert "rating" in kinds(measure(Dc(level_v=150.0), path="probe"), a_setup(probe_maximum="140 V"))


def test_a_level_beyond_the_source_is_refused():
    assert (
        "outside what the calibrator gives"
        in hazards(measure(Dc(level_v=250.0)), a_setup(input_maximum="300 V"))[0].sentence
    )


def test_everything_of_a_setup_survives_the_journals_header():
    setup = a_setup()
    assert Setup.from_header(setup.to_header()) == setup
