"""What a person reads at the end of a run: 80 columns and wider, any encoding, no colour needed, nothing hidden."""

from __future__ import annotations

import io
import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from harness.report import shown
from harness.report.terminal import render
from harness.words.chart import ResponseChart
from harness.words.clean import clean
from harness.words.spelling import SIGN, spelt
from tests.helpers.report_examples import EXAMPLES, HOSTILE

BRAILLE = re.compile("[\u2801-\u28ff]")


class Wire(io.TextIOWrapper):
    """A terminal's wire: text goes over it in one encoding or not at all."""

    def __init__(self, encoding: str) -> None:
        super().__init__(io.BytesIO(), encoding=encoding, errors="strict", newline="")

    def said(self) -> str:
        self.flush()
        buffer = self.buffer
        assert isinstance(buffer, io.BytesIO)
        return buffer.getvalue().decode(self.encoding)


def on_screen(renderable: object, *, width: int = 80, encoding: str = "utf-8", colour: bool = False) -> str:
    wire = Wire(encoding)
    console = Console(file=wire, width=width, force_terminal=colour, color_system="truecolor" if colour else None)
    console.print(renderable)
    return wire.said()


@pytest.mark.parametrize("width", [60, 80, *(pytest.param(width, marks=pytest.mark.soak) for width in (120, 200))])
@pytest.mark.parametrize("name", EXAMPLES)
def test_no_line_is_longer_than_the_screen(name: str, width: int) -> None:
    text = on_screen(render(EXAMPLES[name]()), width=width)
    assert max(len(line) for line in text.splitlines()) <= width
    assert "\x1b" not in text


@pytest.mark.parametrize("name", ["meets", "does_not_meet", "undecided", "conditional"])
def test_words_and_signs_carry_the_meaning_without_colour(name: str) -> None:
    report = EXAMPLES[name]()
    text = on_screen(render(report))
    assert f"{SIGN[report.overall]} {report.overall}" in text
    for part in report.parts:
        for word, _ in shown.tally(part):
            assert f"{SIGN[word]} {word}" in text
    assert report.next_step in " ".join(text.split())


def test_the_answer_stands_last_where_the_eye_is() -> None:
    report = EXAMPLES["does_not_meet"]()
    end = on_screen(render(report)).splitlines()[-5:]
    assert report.sentence in "".join(end)


def test_at_eighty_columns_no_row_of_a_table_breaks() -> None:
    lines = on_screen(render(EXAMPLES["meets"]())).splitlines()
    rows = [line for line in lines if "% " in line and "±" in line and "/div" in line]
    assert len(rows) >= 32
    assert all(line.rstrip().endswith("✓ pass") for line in rows if not line.startswith(("Channel", "("))), rows


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "cp437", "iso-8859-1"])
def test_any_encoding_carries_it(encoding: str) -> None:
    text = on_screen(render(EXAMPLES["several_crossings"]()), encoding=encoding)
    assert "pass" in text
    assert "?" not in text.replace("? undecided", "")
    assert not BRAILLE.search(text)
    if encoding == "ascii":
        assert "+/-3 %" in text
        assert " us/div" in text


def test_data_is_neither_markup_nor_control() -> None:
    for colour in (False, True):
        text = on_screen(render(EXAMPLES["hostile"]()), width=200, colour=colour)
        assert "[bold]" in text
        assert "\\x1b[31m" in text
        sequences = re.findall(r"\x1b\[[0-9;]*m", text)
        assert text.count("\x1b") == len(sequences)  # only rich's own, and only for colour
        assert colour or not sequences
        assert "\u202e" not in text


@given(st.text(max_size=60), st.sampled_from(["utf-8", "ascii", "cp437", "no-such-encoding"]))
def test_spelt_text_is_writable_and_holds_no_control_character(text: str, encoding: str) -> None:
    said = spelt(text, encoding)
    assert not re.search("[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", said)
    said.encode("utf-8" if encoding == "utf-8" else "ascii" if encoding == "no-such-encoding" else encoding)


def test_exponents_are_spelt() -> None:
    assert spelt("6.1 × 10⁻⁶ dB", "ascii") == "6.1e-6 dB"
    assert spelt(HOSTILE, "utf-8") == clean(HOSTILE)


FREQUENCIES = (5e4, 1e6, 1e7, 2e7, 4e7, 6e7)
LEVELS = tuple(-10 * math.log10(1 + (f / 4e7) ** 2) for f in FREQUENCIES)  # a single pole at 40 MHz


def chart_lines(width: int = 80, encoding: str = "utf-8", **more: object) -> list[str]:
    chart = ResponseChart(readings=tuple(zip(FREQUENCIES, LEVELS, strict=True)), **more)  # type: ignore[arg-type]
    return on_screen(chart, width=width, encoding=encoding).splitlines()


def test_the_chart_shows_every_reading_where_it_is() -> None:
    lines = chart_lines(width=80, height=16)
    places = [(row, line.index("●", start)) for row, line in enumerate(lines) for start in _starts(line)]
    assert len(places) == len(FREQUENCIES)
    by_column = sorted(places, key=lambda place: place[1])
    rows = [row for row, _ in by_column]
    assert rows == sorted(rows)  # a roll-off goes down to the right
    left, right = by_column[0][1], by_column[-1][1]
    for (_, column), f in zip(by_column, FREQUENCIES, strict=True):
        expected = left + (right - left) * math.log(f / FREQUENCIES[0]) / math.log(FREQUENCIES[-1] / FREQUENCIES[0])
        assert column == pytest.approx(expected, abs=0.51)


def _starts(line: str) -> list[int]:
    return [i for i, c in enumerate(line) if c == "●"]


def test_the_half_power_point_lies_on_the_half_power_line() -> None:
    lines = chart_lines(half_power_hz=4.2e7, height=16)
    assert next(line for line in lines if "−3.01" in line).count("◆") == 1


def test_the_curve_is_drawn_once_it_is_known() -> None:
    grid = [FREQUENCIES[0] * (FREQUENCIES[-1] / FREQUENCIES[0]) ** (n / 60) for n in range(61)]
    curve = [(f, -10 * math.log10(1 + (f / 4e7) ** 2)) for f in grid]
    bare, full = chart_lines(), chart_lines(fitted=curve)
    assert sum(len(BRAILLE.findall(line)) for line in full) > sum(len(BRAILLE.findall(line)) for line in bare)
    plain = chart_lines(encoding="ascii", fitted=curve)
    assert all(line.isascii() for line in plain)
    assert sum(line.count("o") for line in plain) == len(FREQUENCIES)


@pytest.mark.parametrize(
    ("frequencies", "levels"),
    [
        ((), ()),
        ((1e6,), (0.0,)),
        ((1e6, 1e6), (0.0, -40.0)),
        ((0.0, 1e6), (0.0, math.nan)),
        ((1e3, 1e9), (50.0, -90.0)),
    ],
)
@pytest.mark.parametrize("width", [10, 24, 40, 300])
def test_the_chart_takes_whatever_there_is(
    frequencies: tuple[float, ...], levels: tuple[float, ...], width: int
) -> None:
    text = on_screen(ResponseChart(readings=tuple(zip(frequencies, levels, strict=True))), width=width)
    assert max(len(line) for line in text.splitlines()) <= width


@given(
    st.lists(st.tuples(st.floats(1e-3, 1e12), st.floats(-200, 50)), max_size=30),
    st.integers(24, 160),
    st.integers(0, 40),
)
def test_the_chart_keeps_its_size(readings: list[tuple[float, float]], width: int, height: int) -> None:
    chart = ResponseChart(readings=tuple(readings), fitted=tuple(readings), height=height)
    lines = chart.lines(width=width)
    assert all(line.cell_len <= width for line in lines)
    assert len(lines) == (max(height, 5) if readings else 1)


def test_columns_that_have_no_room_are_named() -> None:
    report = next(made for made in (make() for make in EXAMPLES.values()) if any(part.results for part in made.parts))
    assert "At 80 columns without Ideal, k, Path, Interval; 104 show all." in on_screen(render(report), width=80)
    wide = on_screen(render(report), width=104)
    assert "Ideal" in wide
    assert "columns without" not in wide
