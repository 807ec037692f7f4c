"""Ratings and hazardous voltage: IEC 61010-1 with its 2016 amendment, 30 V rms, 42.4 V peak, 60 V dc (from memory)."""

import math
from dataclasses import replace

import pytest

from harness.bench.limits import Stress, connection_of, hazards, refusal, stress
from harness.models import Setup
from harness.steps import Connect, Dc, FastEdge, Measure, NoSignal, Sine, Square, TimeMarks, View
from tests.helpers.setups import a_setup


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


# --- magnitudes --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [Square, Sine, FastEdge])
def test_a_negative_level_is_judged_by_its_size(kind):
    above, below = (kind(level_vpp=level, frequency_hz=1e3) for level in (118.0, -118.0))
    assert (stress(below).peak_v, stress(below).rms_v) == (stress(above).peak_v, stress(above).rms_v)
    assert stress(below).hazardous
    assert set(kinds(measure(below), a_setup(input_maximum="42 V"))) == {"rating", "voltage"}


ABSURD = [
    (Square(level_vpp=-118.0, frequency_hz=1e3), "Square(level_vpp=-118.0), which is negative"),
    (Dc(level_v=math.nan), "Dc(level_v=nan), which is no number"),
    (Dc(level_v=-math.inf), "Dc(level_v=-inf), which is no number"),
    (Dc(level_v="118"), "Dc(level_v='118'), which is no number"),
    (Dc(level_v=None), "Dc(level_v=None), which is no number"),
    (Dc(level_v=True), "Dc(level_v=True), which is no number"),
    (Dc(level_v=-3e8), "which is more than the 100 kV that can be meant"),
    (Sine(level_vpp=0.6, frequency_hz=0.0), "Sine(frequency_hz=0.0), which is not above zero"),
    (Sine(level_vpp=0.6, frequency_hz=-50e3), "Sine(frequency_hz=-50000.0), which is negative"),
    (Sine(level_vpp=0.6, frequency_hz=1e300), "which is more than the 1 THz that can be meant"),
    (TimeMarks(period_s=0.0, level_vpp=1.0), "TimeMarks(period_s=0.0), which is not above zero"),
    (TimeMarks(period_s=1e-300, level_vpp=1.0), "which is less than the 1 fs that can be meant"),
]


@pytest.mark.parametrize(("stimulus", "sentence"), ABSURD)
def test_a_level_frequency_or_period_that_no_bench_has_is_refused(stimulus, sentence):
    step = measure(stimulus)
    assert sentence in refusal(step, connection_of(step), a_setup())


@pytest.mark.parametrize("key", ["volts_per_div", "s_per_div", "magnifier"])
@pytest.mark.parametrize("value", [0.0, -0.1, math.nan])
def test_a_factor_that_no_screen_has_is_refused(key, value):
    step = measure(Dc(level_v=1.0))
    step = replace(step, view=replace(step.view, **{key: value}))
    assert f"View({key}={value!r})" in refusal(step, connection_of(step), a_setup())


@pytest.mark.parametrize(("ohm", "why"), [(1e-9, "less than the 1 mΩ"), (1e15, "more than the 1 TΩ")])
def test_an_input_resistance_that_no_screen_has_is_refused(ohm, why):
    step = measure(Dc(level_v=1.0))
    step = replace(step, view=replace(step.view, input_ohm=ohm))
    assert f"View(input_ohm={ohm!r}), which is {why} that can be meant" in refusal(step, connection_of(step), a_setup())


@pytest.mark.parametrize("key", ["expected", "expected_low", "expected_high", "tune_to_div"])
def test_what_is_expected_is_a_number(key):
    step = replace(measure(Dc(level_v=1.0)), **{key: math.inf})
    assert f"asks for Measure({key}=inf), which is no number" in refusal(step, connection_of(step), a_setup())


@pytest.mark.parametrize("stimulus", [Dc(level_v=-60.0), NoSignal(), Square(level_vpp=0.0, frequency_hz=1e3)])
def test_a_negative_direct_voltage_and_nothing_at_all_can_be_meant(stimulus):
    assert refusal(measure(stimulus), connection_of(measure(stimulus)), a_setup()) == ""


# --- heat in 50 ohm ----------------------------------------------------------------------------------------------

FIFTY = {"input": {"maximum": "400 V", "resistance": "50 ohm", "maximum_rms": "5 Vrms"}}


def sentences(step, setup):
    return [hazard.sentence for hazard in hazards(step, setup) if not hazard.of_the_source]


@pytest.mark.parametrize(
    ("stimulus", "path", "refused"),
    [
        # 5 V rms in 50 Ω is 0.5 W. A direct voltage is its own rms, a square wave on 0 V has level/√2.
        (Dc(level_v=5.0), "lead", False),
        (Dc(level_v=-5.01), "lead", True),
        (Square(level_vpp=7.07, frequency_hz=1e3), "lead", False),
        (Square(level_vpp=7.08, frequency_hz=1e3), "lead", True),
        (FastEdge(level_vpp=7.08, frequency_hz=1e5), "lead", True),
        (TimeMarks(level_vpp=7.08, period_s=1e-3), "lead", True),
        (Sine(level_vpp=14.14, frequency_hz=1e3), "lead", False),
        (Sine(level_vpp=14.15, frequency_hz=1e3), "lead", True),
        (Dc(level_v=49.9), "probe", False),  # a tenth arrives behind the divider
        (Dc(level_v=50.1), "probe", True),
    ],
)
def test_heat_in_a_fifty_ohm_input_is_judged_for_every_signal(stimulus, path, refused):
    found = sentences(measure(stimulus, path=path), a_setup(**FIFTY))
    assert any("above the 5 Vrms that the 50 Ω input of the unit" in text for text in found) is refused


def test_a_level_meter_ends_its_line_and_is_protected_as_an_input_is():
    sine = measure(Sine(level_vpp=2.0, frequency_hz=5e4), source="generator", display="reference")
    bare, rated = ({"kind": "level_meter", **more} for more in ({}, {"maximum_rms": "0.5 Vrms", "maximum": "0.9 V"}))
    assert sentences(sine, a_setup(reference=bare)) == [
        "nothing says what the 50 Ω input of the reference bears; write reference.maximum_rms in the bench file"
    ]
    assert sentences(sine, a_setup(reference=rated)) == [
        "1 V peak, 707.1 mV rms is above the 900 mV that the reference's input may take",
        "1 V peak, 707.1 mV rms is above the 500 mVrms that the 50 Ω input of the reference may take",
    ]
    assert sentences(replace(sine, stimulus=NoSignal()), a_setup(reference=rated)) == []


def test_nothing_is_applied_to_a_termination_without_a_rating():
    setup = a_setup()
    unrated = setup.bench.paths["terminated"].model_copy(update={"termination_power": None})
    paths = {**setup.bench.paths, "terminated": unrated}
    setup = replace(setup, bench=setup.bench.model_copy(update={"paths": paths}))
    found = sentences(measure(Dc(level_v=0.1), path="terminated"), setup)
    (said,) = found
    assert said.endswith("'terminated' bears; write paths.terminated.termination_power in the bench file")


@pytest.mark.parametrize(
    ("display", "more"),
    [
        ("unit", FIFTY),
        ("reference", {"reference": {"kind": "level_meter", "maximum_rms": "5 Vrms"}}),
        ("reference", {"reference": {"input_resistance": "50 ohm", "maximum_rms": "5 Vrms"}}),
    ],
)
def test_a_path_that_ends_twice_is_refused(display, more):
    sine = measure(Sine(level_vpp=0.6, frequency_hz=5e4), path="terminated", source="generator", display=display)
    (said,) = sentences(sine, a_setup(**more))
    assert said == f"path 'terminated' ends twice: in its 50 Ω termination and in the 50 Ω input of the {display}"


# A source of emf 2U behind 50 Ω gives 2U·R/(R + 50): U into 50 Ω, 2U into an open circuit, 1.2 U into 75 Ω.
@pytest.mark.parametrize(
    ("path", "more", "largest_vpp"),
    [
        ("lead", {}, 10.0),  # 20 Vpp there: 10 V peak
        ("probe", {}, 100.0),  # 200 Vpp at the probe's tip
        ("terminated", {}, 20.0),
        ("lead", FIFTY | {"input": FIFTY["input"] | {"maximum": "10 V", "maximum_rms": "8 Vrms"}}, 20.0),
        ("lead", FIFTY | {"input": {"maximum": "10 V", "resistance": "75 ohm", "maximum_rms": "8 Vrms"}}, 16.66),
    ],
)
def test_a_generators_level_into_fifty_ohm_is_judged_by_what_the_path_makes_of_it(path, more, largest_vpp):
    setup = a_setup(**({"input_maximum": "10 V", "generator_level_high": "300 Vpp", "termination_power": "9 W"} | more))
    for factor, refused in ((0.999, False), (1.002, True)):
        sine = measure(Sine(level_vpp=factor * largest_vpp, frequency_hz=5e4), path=path, source="generator")
        assert any("above the 10 V" in text for text in sentences(sine, setup)) is refused
    calibrated = measure(Square(level_vpp=9.9, frequency_hz=1e3), path="lead")  # stated for an open circuit
    assert not any("above the 10 V" in text for text in sentences(calibrated, setup))


def test_a_doubled_level_is_told_and_asked_about_as_what_arrives():
    setup = a_setup(input_maximum="30 V", generator_level_high="300 Vpp")
    sine = measure(Sine(level_vpp=50.0, frequency_hz=5e4), source="generator")
    rating, voltage = hazards(sine, setup)
    assert rating.sentence.startswith(
        "50 V peak, 35.35 V rms, 2 times the level that is set for 50 Ω, is above the 30 V"
    )
    assert (voltage.kind, voltage.peak_v) == ("voltage", pytest.approx(50.0, rel=1e-3))
    assert (
        kinds(replace(sine, path="terminated"), a_setup(generator_level_high="300 Vpp", termination_power="9 W")) == []
    )


# --- where a reading is taken ------------------------------------------------------------------------------------

CONNECTED = Connect(path="lead", source="calibrator", display="unit", channel=1)


@pytest.mark.parametrize(
    ("other", "sentence"),
    [
        (
            {"path": "probe"},
            "measures calibrator → probe → channel 1 of the unit, but what is connected is calibrator → ",
        ),
        ({"source": "generator"}, "measures generator → lead → "),
        ({"display": "reference"}, "measures calibrator → lead → channel 1 of the reference, but"),
        ({"path": "bare"}, "names the path 'bare', which the bench file has not ('lead', 'probe', 'terminated')"),
    ],
)
def test_a_reading_elsewhere_than_what_is_connected_is_refused(other, sentence):
    assert sentence in refusal(replace(measure(Dc(level_v=1.0)), **other), CONNECTED, a_setup())


def test_a_reading_of_another_channel_or_of_nothing_connected_is_refused():
    step = measure(Dc(level_v=1.0))
    assert refusal(step, CONNECTED, a_setup()) == ""
    there = replace(step, view=replace(step.view, channel=2))
    assert "channel 2 of the unit, but what is connected is" in refusal(there, CONNECTED, a_setup())
    assert "before anything is connected" in refusal(step, None, a_setup())
    assert "names the path 'bare'" in refusal(replace(CONNECTED, path="bare"), None, a_setup())


def test_a_tee_lets_the_reference_be_read_on_the_signal_of_the_unit():
    on_a_tee = Connect(path="terminated", source="generator", display="unit", channel=1, watched=True)
    sine = measure(Sine(level_vpp=0.3, frequency_hz=1e6), path="terminated", source="generator")
    for step in (sine, replace(sine, display="reference")):
        assert refusal(step, on_a_tee, a_setup()) == ""
    assert "but what is connected" in refusal(replace(sine, display="reference", path="lead"), on_a_tee, a_setup())
    assert "but what is connected" in refusal(replace(sine, view=replace(sine.view, channel=2)), on_a_tee, a_setup())


def test_everything_of_a_setup_survives_the_journals_header():
    setup = a_setup()
    assert Setup.from_header(setup.to_header()) == setup
