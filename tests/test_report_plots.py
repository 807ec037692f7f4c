"""Pictures: same bytes each run, colours that a page can switch, text that stays text."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from functools import cache

import matplotlib as mpl
import pytest

from harness.report import error_plot
from harness.report.plot_style import INKS, SERIES, Ink, Picture, drawing, themed
from harness.report.plots import NARROW_IN, WIDE_IN, pictures, response_picture
from tests.helpers.report_examples import EXAMPLES

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


def test_same_bytes_whatever_the_user_has_set() -> None:
    report = EXAMPLES["several_crossings"]()
    response = report.parts[1].results[0]
    with mpl.rc_context({"font.size": 30.0, "axes.facecolor": "red", "svg.hashsalt": None, "axes.grid": False}):
        again = response_picture(report, response, key="p1r0")
        assert mpl.rcParams["font.size"] == 30.0  # and the user's settings are left as they were
    assert again.svg == next(picture for picture in drawn("several_crossings") if picture.key == "p1r0").svg
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
    narrow = response_picture(report, report.parts[1].results[0], key="n", width_in=NARROW_IN)
    assert f'viewBox="0 0 {NARROW_IN * 72:g} ' in narrow.svg


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


@pytest.mark.parametrize(("width_in", "panels"), [(WIDE_IN, 1), (WIDE_IN, 2), (NARROW_IN, 1)])
def test_the_names_of_23_settings_do_not_touch(width_in: float, panels: int) -> None:
    """Lines of text that are turned by an angle lie their distance along the axis times its sine from one another."""
    settings = [f"{n}00 µs/div" for n in range(1, 24)]
    with drawing(width_in, 3.0, margins_in=(0.6, 0.12, 0.3, 0.95)) as figure:
        grid = figure.subplots(1, panels, squeeze=False).flat
        for axes in grid:
            error_plot._setting_axis(axes, error_plot._Axis(settings=settings, turned=True))
        figure.canvas.draw()
        for axes in grid:
            names = axes.get_xticklabels()
            apart_pt = 72 / figure.dpi * axes.bbox.width / len(names)
            for name in names:
                assert apart_pt * math.sin(math.radians(name.get_rotation())) >= name.get_fontsize()
                assert name.get_fontsize() > 4
