"""Quantities: the SI's spelling in, the SI's spelling out, and nothing guessed.

Prefixes and their powers of ten: SI Brochure, 9th edition (BIPM 2019), table 7; case matters and no prefix stands
alone (section 3). V peak-to-peak of a sine is 2√2 times its rms value, and half power is 10·lg 2 = 3.0103 dB: from
the definitions.
"""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness import quantities
from tests.helpers.thorough import examples

SI_PREFIXES = {
    "f": 1e-15, "p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9,
    "T": 1e12,
}  # fmt: skip
PREFIXED = ("Hz", "V", "Vpp", "Vrms", "s", "Ω", "F", "W")
UNITS = (*PREFIXED, "dB", "div", "°C", "ratio")


@pytest.mark.parametrize("unit", PREFIXED)
@pytest.mark.parametrize("prefix", SI_PREFIXES)
def test_prefixes_are_those_of_the_si(unit: str, prefix: str) -> None:
    for text in (f"2.5 {prefix}{unit}", f"2.5{prefix}{unit}", f" 2.5  {prefix}{unit} "):
        assert quantities.parse(text, unit) == pytest.approx(2.5 * SI_PREFIXES[prefix], rel=1e-15)


@pytest.mark.parametrize(("text", "unit", "value"), [
    ("20 MHz", "Hz", 20e6), ("50 mV", "V", 0.05), ("±3 %", "ratio", 0.03), ("+/- 3%", "ratio", 0.03),
    ("2 ppm", "ratio", 2e-6), (0.03, "ratio", 0.03), ("0.03", "ratio", 0.03), (8, "div", 8.0), ("8", "div", 8.0),
    ("8 div", "div", 8.0), ("-3.01 dB", "dB", -3.01), ("23 °C", "°C", 23.0), ("30 min", "s", 1800.0),
    ("1 h", "s", 3600.0), ("1 Mohm", "Ω", 1e6), ("1 MOhm", "Ω", 1e6), ("50 \u2126", "Ω", 50.0), ("1e3 Hz", "Hz", 1e3),
    ("1E-3V", "V", 1e-3), (".5 V", "V", 0.5), ("5. V", "V", 5.0), ("0.1 V", "V", 0.1), ("3 uV", "V", 3e-6),
    ("3 \u00b5V", "V", 3e-6), ("3 \u03bcV", "V", 3e-6), ("100 pF", "F", 1e-10),
    ("1 Mohm", "ohm", 1e6), ("3 deg", "deg", 3.0),
])  # fmt: skip
def test_reads(text: str | float, unit: str, value: float) -> None:
    assert quantities.parse(text, unit) == value  # exact: decimal scaling, rounded once


@pytest.mark.parametrize(("text", "unit", "sentence"), [
    (0.5, "s", "0.5 has no unit; expected a time such as '20 ns' or '30 min'"),
    ("0.5", "s", "'0.5' has no unit; expected a time"),
    ("20 mhz", "Hz", "case matters: 'MHz'"),
    ("20 MHZ", "Hz", "case matters: 'MHz'"),
    ("1 MS", "s", "case matters: 'ms'"),
    ("5 Kohm", "Ω", "case matters: 'kohm'"),
    ("5 Vpp", "V", "'5 Vpp' has the unit 'Vpp'; expected a voltage"),  # never taken one for another
    ("5 V", "Vpp", "expected a peak-to-peak voltage"),
    ("5 Vrms", "Vpp", "expected a peak-to-peak voltage"),
    ("5 k%", "ratio", "has the unit 'k%'"),
    ("3 mdB", "dB", "has the unit 'mdB'"),
    ("1 k div", "div", "has the unit 'k div'"),
    ("5 k V", "V", "has the unit 'k V'"),
    ("5 kk", "V", "has the unit 'kk'"),
    ("100 k", "Ω", "has the unit 'k'"),  # no unit is no unit
    ("10 ppm", "V", "has the unit 'ppm'"),
    ("five volts", "V", "'five volts' is not a quantity"),
    ("", "V", "'' is not a quantity"),
    ("1,5 V", "V", "has the unit ',5 V'"),
    ("nan V", "V", "is not a quantity"), ("inf V", "V", "is not a quantity"), (math.nan, "div", "is not a quantity"),
    (math.inf, "ratio", "is not a quantity"),
    ("1e999 V", "V", "is too large to be a quantity"), ("1e9999999999999999999 V", "V", "is too large"),
    ("9" * 1000 + " V", "V", "…' is not a quantity"),
    (True, "div", "true or false is not a quantity"), ([1], "V", "a list is not a quantity"),
    ({}, "V", "a table is not a quantity"), (None, "V", "is not a quantity"),
    pytest.param(2**100_000, "div", "an integer of that size is not a quantity", id="endless"),
    ("٣ V", "V", "is not a quantity"),
])  # fmt: skip
def test_refuses_with_one_sentence(text: str | float, unit: str, sentence: str) -> None:
    with pytest.raises(ValueError, match=re.escape(sentence)):
        quantities.parse(text, unit)


@given(st.floats(1e-14, 9.99e14, allow_subnormal=False), st.sampled_from(PREFIXED), st.integers(3, 9))
def test_what_is_shown_reads_back_to_the_digits_shown(value: float, unit: str, digits: int) -> None:
    shown = quantities.show(value, unit, digits)
    assert quantities.parse(shown, unit) == pytest.approx(value, rel=0.5 * 10 ** (1 - digits) * (1 + 1e-9))
    number = float(re.match(r"[0-9.]+", shown)[0])  # type: ignore[index]
    assert 1 <= number < 1000 or value >= 1e15


@given(st.floats(-1e6, 1e6), st.sampled_from(["ratio", "div", "dB", "°C"]))
def test_plain_units_read_back(value: float, unit: str) -> None:
    assert quantities.parse(quantities.show(value, unit, 9), unit) == pytest.approx(value, rel=1e-8)


@pytest.mark.parametrize(("value", "unit", "shown"), [
    (0.05, "V", "50 mV"), (2e7, "Hz", "20 MHz"), (0.999996, "V", "1 V"), (999.96e-3, "V", "1 V"), (0.0, "V", "0 V"),
    (0.0123456, "ratio", "1.235 %"), (50, "Ω", "50 Ω"), (-0.002, "V", "-2 mV"), (4.9, "div", "4.9 div"),
    (math.nan, "V", "nan"), (math.inf, "V", "inf"), (3.0103, "dB", "3.01 dB"), (1e-6, "s", "1 µs"),
    (1e20, "Hz", "100000000 THz"),
])  # fmt: skip
def test_shows(value: float, unit: str, shown: str) -> None:
    assert quantities.show(value, unit) == shown


PIECES = st.lists(
    st.sampled_from([" ", "±", "+/-", "+-", "+", "-", "1", "20", ".", "0.5", "e3", "E-2", *SI_PREFIXES, "μ", *UNITS,
                     "ohm", "Ohm", "\u2126", "%", "ppm", "min", "h", "x", ","]),
    max_size=6,
).map("".join)  # fmt: skip


@settings(max_examples=examples(3000))
@given(PIECES, st.sampled_from(UNITS))
def test_the_pattern_for_editors_takes_just_what_is_read(text: str, unit: str) -> None:
    try:
        quantities.parse(text, unit)
        read = True
    except ValueError:
        read = False
    assert bool(re.search(quantities.pattern(unit), text)) == read


@given(st.text(max_size=80), st.sampled_from(UNITS))
def test_any_text_gives_a_finite_number_or_a_sentence(text: str, unit: str) -> None:
    try:
        assert math.isfinite(quantities.parse(text, unit))
    except ValueError as error:
        if quantities.example(unit) not in str(error):
            raise AssertionError("the sentence has no example") from error


def test_constants() -> None:
    assert pytest.approx(10 * math.log10(2), rel=1e-14) == quantities.HALF_POWER_DB
    assert pytest.approx(3.0103, abs=5e-5) == quantities.HALF_POWER_DB
    assert quantities.db(quantities.HALF_POWER_RATIO) == pytest.approx(-quantities.HALF_POWER_DB, rel=1e-14)
    assert pytest.approx(2.828427, abs=5e-7) == quantities.VPP_PER_VRMS_SINE


@given(st.floats(1e-9, 1e9))
def test_decibels_and_ratios_are_inverse(ratio: float) -> None:
    assert quantities.ratio_of_db(quantities.db(ratio)) == pytest.approx(ratio, rel=1e-12)


@given(st.floats(-1e12, 1e12), st.integers(1, 9))
def test_rounding_to_digits_is_stable(value: float, digits: int) -> None:
    rounded = quantities.round_to(value, digits)
    assert quantities.round_to(rounded, digits) == rounded
    assert rounded == pytest.approx(value, rel=0.5 * 10 ** (1 - digits) * (1 + 1e-9))
