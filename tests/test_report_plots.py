"""Pictures: what is read from them is what was measured; colours that a page can switch; labels that do not touch."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from harness.report import shown
from harness.report.error_plot import MOST_SERIES, error_picture
from harness.report.plot_style import INKS, NARROW, SERIES, WIDE, Ink, Picture, themed
from harness.report.plots import pictures
from harness.report.response_plot import response_picture
from harness.report.svg import Scale, decade_ticks, ticks
from harness.words.language import languages, speaking
from tests.helpers.report_examples import EXAMPLES

SVG = "{http://www.w3.org/2000/svg}"
NAMES = ("does_not_meet", "hostile", "several_crossings", "incomplete")


@cache
def drawn(name: str) -> tuple[Picture, ...]:
    return pictures(EXAMPLES[name]())


def errors(name: str) -> Picture:
    return next(picture for picture in drawn(name) if picture.key == "p0e0")


@pytest.mark.parametrize("name", NAMES)
def test_every_picture_is_well_formed_and_says_what_it_shows(name: str) -> None:
    for picture in drawn(name):
        ET.fromstring(picture.svg)
        assert len(picture.alt) > 40
        assert picture.caption


def test_the_same_report_gives_the_same_picture() -> None:
    report = EXAMPLES["several_crossings"]()
    again = response_picture(report, report.parts[1].results[0], key="p1r0", part=1)
    assert again == next(picture for picture in drawn("several_crossings") if picture.key == "p1r0")
    assert not re.search(r"<metadata|<dc:|20[0-9]{2}-[0-9]{2}-[0-9]{2}", again.svg)


def test_every_colour_is_one_that_a_dark_page_can_switch() -> None:
    for name in NAMES:
        for picture in drawn(name):
            page = themed(picture.svg, picture.key)
            assert re.findall(r"#[0-9a-f]{6}\b", page) == []
            assert "<style" not in page


def test_ids_of_several_pictures_do_not_meet() -> None:
    ids = [i for p in drawn("does_not_meet") for i in re.findall(r' id="([^"]+)"', themed(p.svg, p.key))]
    assert ids
    assert len(ids) == len(set(ids))
    for picture in drawn("does_not_meet"):
        page = themed(picture.svg, picture.key)
        assert set(re.findall(r'url\(#([^)]+)\)|href="#([^"]+)"', page)) <= {
            pair for i in ids for pair in ((i, ""), ("", i))
        }


def test_text_stays_text_and_is_no_formula() -> None:
    texts = [e.text for e in ET.fromstring(errors("hostile").svg).iter("{http://www.w3.org/2000/svg}text")]
    assert any(text and text.startswith("</style><") for text in texts)
    labels = "".join(text or "" for text in texts)
    assert "50 mV/div" in "".join(
        e.text or "" for e in ET.fromstring(errors("does_not_meet").svg).iter("{http://www.w3.org/2000/svg}text")
    )
    assert "<" in labels  # shown as it is


def test_a_point_that_does_not_pass_has_its_sign_in_the_picture() -> None:
    assert "✗" in errors("does_not_meet").svg
    assert "✗" not in errors("several_crossings").svg


def test_a_narrow_picture_is_another_drawing_not_a_smaller_one() -> None:
    report = EXAMPLES["does_not_meet"]()
    narrow = response_picture(report, report.parts[1].results[0], key="n", width=NARROW)
    assert f'viewBox="0 0 {NARROW:g} ' in narrow.svg


def _luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.2, "relative luminance")."""
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _contrast(one: str, other: str) -> float:
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("ink", SERIES, ids=lambda ink: ink.name)
def test_lines_stand_out_from_the_paper(ink: Ink) -> None:
    """WCAG 2.2, success criterion 1.4.11: at least 3 : 1 for graphical objects."""
    assert _contrast(ink.light, "#ffffff") >= 3.0
    assert _contrast(ink.dark, "#13191e") >= 3.0


def test_every_ink_has_its_own_light_colour() -> None:
    assert len({ink.light for ink in INKS}) == len(INKS)


# --- what is read from a picture ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Label:
    """A text of a picture, as a box that is turned by an angle."""

    text: str
    x: float
    y: float
    size: float
    anchor: str
    angle: float

    @property
    def wide(self) -> float:
        """Digits of DejaVu Sans, the widest of the fonts of a page, take 0.636 em (the font's own metrics)."""
        return 0.62 * self.size * len(self.text)

    @property
    def middle(self) -> tuple[float, float]:
        """Its middle along and across its own direction."""
        turn = math.radians(-self.angle)
        along = self.x * math.cos(turn) - self.y * math.sin(turn)
        across = self.x * math.sin(turn) + self.y * math.cos(turn)
        return along + {"start": 0.5, "middle": 0.0, "end": -0.5}[self.anchor] * self.wide, across

    def touches(self, other: Label) -> bool:
        """Whether two of one direction overlap."""
        (a, b), (c, d) = self.middle, other.middle
        over = abs(a - c) < (self.wide + other.wide) / 2.0 and abs(b - d) < 0.95 * min(self.size, other.size)
        return self.angle == other.angle and over


def placed(e: ET.Element, dx: float = 0.0, dy: float = 0.0) -> Iterator[tuple[ET.Element, float, float]]:
    """Every text with how far the groups around it have moved it."""
    moved = re.match(r"translate\((-?[0-9.]+) (-?[0-9.]+)\)", e.get("transform", ""))
    dx, dy = (dx + float(moved[1]), dy + float(moved[2])) if moved else (dx, dy)
    for each in e:
        if each.tag == f"{SVG}text":
            yield each, dx, dy
        yield from placed(each, dx, dy)


def labels(picture: str) -> list[Label]:
    found = []
    for e, dx, dy in placed(ET.fromstring(picture)):
        turned = re.match(r"rotate\((-?[0-9.]+)", e.get("transform", ""))
        found.append(
            Label(
                text=e.text or "", x=float(e.attrib["x"]) + dx, y=float(e.attrib["y"]) + dy,
                size=float(e.attrib["font-size"].removesuffix("px")), anchor=e.get("text-anchor", "start"),
                angle=float(turned[1]) if turned else 0.0,
            )
        )  # fmt: skip
    return found


def marks(picture: str) -> dict[str, tuple[float, float]]:
    """Where each round mark stands, by what it says."""
    found = {}
    down = float((re.findall(r'<g transform="translate\(0.0 ([0-9.]+)\)">', picture) or ["0"])[0])  # of the axes
    for e in ET.fromstring(picture).iter(f"{SVG}path"):
        said, at = e.find(f"{SVG}title"), re.match(r"M(-?[0-9.]+) (-?[0-9.]+)a([0-9.]+)", e.attrib["d"])
        if said is not None and at is not None:
            found[said.text or ""] = (float(at[1]) + float(at[3]), float(at[2]) + down)
    return found


def ruler(picture: str, words: str = "") -> list[tuple[float, float]]:
    """Where the numbers of the first upright axis stand, lowest first."""
    found: list[tuple[float, float]] = []
    for each in labels(picture):
        if re.fullmatch("−?[0-9.]+", each.text) and (not found or each.y < found[-1][0]):
            found.append((each.y - 3.0, float(each.text.replace("−", "-"))))
    return found


def read(ruled: list[tuple[float, float]], place: float) -> float:
    """What stands at a place, by a ruler laid from the first tick to the last."""
    (a, first), (b, last) = ruled[0], ruled[-1]
    return first + (place - a) / (b - a) * (last - first)


def test_an_error_is_read_from_the_picture_by_its_axis() -> None:
    report = EXAMPLES["does_not_meet"]()
    points = [p for p in report.parts[0].results if (p.channel, p.path) == (1, "direct")]
    picture = error_picture(report, points, key="k", part=0, width=WIDE).svg
    found, ruled = marks(picture), ruler(picture)
    assert len(found) == len(points) > 5
    for point in points:
        assert point.statement is not None
        said = next(words for words in found if words.startswith(f"{point.setting}, channel 1: "))
        assert said.endswith(f"{shown.minus(point.statement.text(signed=True))}, {point.word}")
        assert read(ruled, found[said][1]) == pytest.approx(point.statement.estimate, abs=0.02)  # a tenth of a point


def test_a_response_is_read_from_the_picture_by_its_axes() -> None:
    report = EXAMPLES["meets"]()
    result = next(r for part in report.parts for r in part.results if r.curve is not None)
    assert result.curve is not None
    picture = response_picture(report, result, key="k").svg
    across = [
        (each.x, math.log10(float(said[1]) * {"": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}[said[2]]))
        for each in labels(picture)
        if each.anchor == "middle" and (said := re.fullmatch("([0-9.]+) ([kMG]?)Hz", each.text))
    ]
    found, up = marks(picture), ruler(picture)
    on_the_axis = [point for point in result.curve.points if point.response_db > -10.0]
    assert len(on_the_axis) > 10
    for point in on_the_axis:
        words = f"{shown.hertz(point.frequency_hz)}: {shown.decibels(point.response_db)} ± "
        places = [at for said, at in found.items() if said.startswith(words)]
        assert places
        for x, y in places:
            assert read(across, x) == pytest.approx(math.log10(point.frequency_hz), abs=0.003)
            assert read(up, y) == pytest.approx(point.response_db, abs=0.02)


def test_a_reading_below_the_axis_stands_upon_it_and_says_where_it_is() -> None:
    report = EXAMPLES["meets"]()
    result = next(r for part in report.parts for r in part.results if r.curve is not None)
    assert result.curve is not None
    picture = response_picture(report, result, key="k").svg
    said = [e.text or "" for e in ET.fromstring(picture).iter(f"{SVG}title")]
    low = [p for p in result.curve.points if p.response_db < -3.5 * (result.curve.drop_db or 0.0)]
    assert low
    assert all(f"{shown.hertz(p.frequency_hz)}: {shown.decibels(p.response_db)}, below the axis" in said for p in low)
    assert "reading below the axis" in [label.text for label in labels(picture)]


# --- labels ------------------------------------------------------------------------------------------------------


def touching(picture: str) -> list[tuple[str, str]]:
    found = labels(picture)
    return [(one.text, other.text) for n, one in enumerate(found) for other in found[:n] if one.touches(other)]


@pytest.mark.parametrize("width", [WIDE, NARROW])
@pytest.mark.parametrize("code", languages())
def test_no_label_touches_another(code: str, width: float) -> None:
    with speaking(code):
        for name in ("does_not_meet", "as_left", "several_crossings"):
            for picture in pictures(EXAMPLES[name](), width=width):
                assert touching(picture.svg) == []


@pytest.mark.parametrize(("width", "panels"), [(WIDE, 1), (WIDE, 2), (NARROW, 1), (NARROW, 2)])
@pytest.mark.parametrize("settings", [3, 23, 90])
def test_the_names_of_many_settings_do_not_touch(width: float, panels: int, settings: int) -> None:
    report = EXAMPLES["does_not_meet"]()
    one = report.parts[0].results[0]
    points = [replace(one, setting=f"{n}00 µs/div", setting_value=float(n)) for n in range(1, settings + 1)]
    picture = error_picture(report, points, points if panels == 2 else (), key="k", part=0, width=width).svg
    assert touching(picture) == []
    named = [label for label in labels(picture) if label.text.endswith("µs/div")]
    assert min(label.size for label in named) > 4
    assert settings == 90 or len(named) >= settings


@pytest.mark.parametrize("width", [WIDE, NARROW])
def test_no_mark_hides_another_of_23_settings_and_four_channels(width: float) -> None:
    report = EXAMPLES["does_not_meet"]()
    one = report.parts[0].results[0]
    points = [
        replace(one, channel=c, setting=f"{n}00 µs/div", setting_value=float(n))
        for n in range(1, 24)
        for c in range(1, 5)
    ]
    picture = error_picture(report, points, points, key="k", part=0, width=width).svg
    places = sorted(
        (round(float(y)), float(x))
        for e in ET.fromstring(picture).iter(f"{SVG}path")
        if e.find(f"{SVG}title") is not None
        for x, y in [re.findall("M([0-9.]+) [0-9.]+h[0-9.]+M[0-9.]+ ([0-9.]+)h", e.attrib["d"])[-1]]
    )
    assert len(places) == 2 * 4 * 23
    assert all(b - a >= 5.0 for (row, a), (other, b) in pairwise(places) if row == other)


@pytest.mark.parametrize("settings", [23, 60, 120])
def test_a_printed_picture_stands_on_one_page(settings: int) -> None:
    """A4 is 210 mm by 297 mm (ISO 216); the margins are the template's."""
    report = EXAMPLES["does_not_meet"]()
    one = report.parts[0].results[0]
    points = [replace(one, channel=c, setting=f"{n} V/div", setting_value=n) for n in range(settings) for c in range(4)]
    picture = ET.fromstring(error_picture(report, points, points, key="k", part=0, width=WIDE).svg)
    _, _, wide, tall = map(float, picture.attrib["viewBox"].split())
    assert tall / wide < (297 - 23 - 20 - 10) / (210 - 2 * 16)  # the caption takes 10


def test_series_are_told_apart_without_colour() -> None:
    report = EXAMPLES["does_not_meet"]()
    first = [p for p in report.parts[0].results if (p.channel, p.path) == (1, "direct")]
    points = [replace(p, channel=n) for n in range(1, MOST_SERIES + 1) for p in first]
    picture = error_picture(report, points, key="k", part=0, width=WIDE).svg
    shapes: dict[str, set[object]] = {}
    for e in ET.fromstring(picture).iter(f"{SVG}path"):
        if (said := e.find(f"{SVG}title")) is not None:
            channel = re.search(r"channel (\d+)", said.text or "")
            outline = [*map(float, re.findall("-?[0-9.]+", e.attrib["d"].partition("z")[0]))]
            sides = (round(outline[n] - outline[n % 2], 0) for n in range(len(outline)))
            assert channel
            shapes.setdefault(channel[1], set()).add("a" in e.attrib["d"] or tuple(sides))
    assert len(shapes) == MOST_SERIES
    drawn_as = list(shapes.values())
    assert all(one.isdisjoint(other) for n, one in enumerate(drawn_as) for other in drawn_as[:n])


# --- ticks -------------------------------------------------------------------------------------------------------

ENDS = st.floats(min_value=-1e12, max_value=1e12, allow_nan=False)
SPANS = st.floats(min_value=1e-9, max_value=1e12)


@given(low=ENDS, span=SPANS, long=st.floats(min_value=30, max_value=600), upright=st.booleans())
@example(low=-1.0, span=2.0, long=150.0, upright=True)
@example(low=0.0, span=0.23, long=550.0, upright=False)
@example(low=1e9, span=1e-7, long=200.0, upright=True)
@example(low=30.0, span=1e-9, long=30.0, upright=True)
def test_ticks_are_round_values_whose_labels_do_not_touch(low: float, span: float, long: float, upright: bool) -> None:
    scale = Scale(low=low, high=low + span, start=long * upright, end=long * (not upright))
    found = ticks(scale)
    slack = 1e-6 * span + 2.0 * math.ulp(max(abs(low), abs(low + span)))
    assert all(low - slack <= value <= low + span + slack for value, _ in found)
    for (a, one), (b, other) in pairwise(found):
        wide = 12.0 if upright else 0.62 * 8.5 * (len(one) + len(other)) / 2.0
        assert abs(scale.at(b) - scale.at(a)) >= wide
        assert one != other or span < 1e-6 * abs(low)


@given(low=st.floats(1e-3, 1e10), decades=st.floats(0.6, 9), wide=st.floats(200, 600))
def test_frequencies_along_an_axis_do_not_touch(low: float, decades: float, wide: float) -> None:
    scale = Scale(low=low, high=low * 10**decades, start=0.0, end=wide, decades=True)
    found = decade_ticks(scale, lambda f: shown.hertz(f, 3))
    assert found
    assert all(scale.low <= value <= scale.high for value, _ in found)
    for (a, one), (b, other) in pairwise(found):
        assert scale.at(b) - scale.at(a) >= 0.62 * 8.5 * (len(one) + len(other)) / 2.0
