"""The page of a run in a real browser: by touch, by keys, on a phone and a tablet, with two pages and a cut connection.

Names, roles, contrast and order are looked at by axe-core, whose rules are those of WCAG 2.1.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import pytest
from axe_playwright_python.sync_playwright import Axe
from PIL import Image
from playwright.sync_api import Browser, Locator, Page, expect

from harness.person.page_server import served
from harness.steps import Sine, TimeMarks, View
from tests.helpers.browser import a_browser, a_page
from tests.helpers.demo_lab import DEMO
from tests.helpers.page_bench import DO, HAZARD, READ, READING, Bench, a_picture

pytestmark = pytest.mark.e2e

PHONE: Final = {"viewport": {"width": 360, "height": 740}, "has_touch": True, "is_mobile": True}
TABLET: Final = {"viewport": {"width": 1024, "height": 768}, "has_touch": True}
FINGER_PX: Final = 44  # WCAG 2.1, success criterion 2.5.5


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with a_browser() as started:
        yield started


@contextmanager
def opened(browser: Browser, address: str, **device: Any) -> Iterator[Page]:
    """The page of a run that has heard of it."""
    with a_page(browser, address, **device) as page:
        expect(page.locator("#title")).not_to_have_text("Connecting …")
        yield page


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


@pytest.fixture
def address(bench: Bench) -> Iterator[str]:
    with served(bench.page) as found:
        yield found


def title(page: Page) -> Locator:
    return page.locator("#title")


SPAN = replace(
    READING, title="How many divisions to the 8th?",
    step=replace(
        READ, quantity="span", expected=8.0, stimulus=TimeMarks(period_s=1e-3, level_vpp=0.2),
        view=View(channel=1, volts_per_div=0.1, s_per_div=1e-3),
    ),
)  # fmt: skip
HEIGHT = replace(
    READING, title="How high?",
    step=replace(
        READ, quantity="peak_to_peak", stimulus=Sine(level_vpp=0.3, frequency_hz=1e3), expected=6.0,
        view=View(channel=1, volts_per_div=0.05, s_per_div=2e-4),
    ),
)  # fmt: skip


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("device", [PHONE, TABLET], ids=["phone", "tablet"])
def test_everybody_can_use_every_kind_of_question(
    browser: Browser, bench: Bench, address: str, device: dict[str, Any], scheme: str
) -> None:
    bench.page.event("clock", "was set")
    with (
        opened(browser, address, color_scheme=scheme, **device) as page,
        bench.asking(DO, READING, SPAN, HEIGHT, HAZARD),
    ):
        for prompt, answer in ((DO, "Done"), (READING, "= as"), (SPAN, "off"), (HEIGHT, "skip"), (HAZARD, "stop")):
            expect(title(page)).to_have_text(prompt.title)
            expect(page.locator("#choices button:disabled")).to_have_count(0)
            bench.operator.tell("Read again; the same answer is believed.")
            found = Axe().run(page)
            assert found.violations_count == 0, found.generate_report()
            width = device["viewport"]["width"]
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            for button in page.locator("button:visible").all():
                box = button.bounding_box()
                assert box
                assert box["height"] >= FINGER_PX
                assert box["width"] >= FINGER_PX
            page.locator("button:visible", has_text=answer).first.click()
    assert bench.answered == ["", "=", "off", "skip", "stop"]


def test_a_reading_is_tapped_on_the_graticule_and_two_pages_see_it(
    browser: Browser, bench: Bench, address: str
) -> None:
    with (
        opened(browser, address, **PHONE) as phone,
        opened(browser, address, **TABLET) as tablet,
        bench.asking(READING, HEIGHT, SPAN),
    ):
        expect(title(tablet)).to_have_text(READING.title)
        tap(phone, 0, 2.94)  # 5.94 div above the ground line at −3
        expect(phone.locator("#text")).to_have_value("5.9")
        phone.locator("#send").tap()
        expect(title(tablet)).to_have_text(HEIGHT.title)
        expect(title(phone)).to_have_text(HEIGHT.title)
        tap(phone, 0, 2.8)
        expect(phone.locator("#text")).to_have_value("")
        expect(phone.locator("#said")).to_have_text("Now lay the bottom line.")
        tap(phone, 0, -2.8)
        expect(phone.locator("#text")).to_have_value("5.6")
        ring = phone.locator("[aria-label='Bottom line']").evaluate("line => getComputedStyle(line).outlineStyle")
        assert ring == "none"  # in divisions it would cover the screen; the line itself becomes thicker
        phone.locator("#send").tap()
        expect(title(tablet)).to_have_text(SPAN.title)
        drag(tablet, (-5, 0), (-4, 1))
        drag(tablet, (5, 0), (3.9, -2))
        expect(tablet.locator("#text")).to_have_value("7.9")
        tablet.locator("#send").tap()
    assert bench.answered == ["5.9", "5.6", "7.9"]


def place(page: Page, x_div: float, y_div: float) -> tuple[float, float]:
    """Where a point of the graticule stands on the page: 10 by 8 divisions, and its rim."""
    box = page.locator("#screen > svg").bounding_box()
    assert box
    size = min(box["width"] / 10.9, box["height"] / 8.9)
    return box["x"] + box["width"] / 2 + x_div * size, box["y"] + box["height"] / 2 - y_div * size


def tap(page: Page, x_div: float, y_div: float) -> None:
    page.locator("#screen > svg").scroll_into_view_if_needed()
    page.touchscreen.tap(*place(page, x_div, y_div))


def drag(page: Page, start: tuple[float, float], end: tuple[float, float]) -> None:
    page.locator("#screen > svg").scroll_into_view_if_needed()
    page.mouse.move(*place(page, *start))
    page.mouse.down()
    page.mouse.move(*place(page, *end), steps=4)
    page.mouse.up()


def test_keys_alone_answer_everything(browser: Browser, bench: Bench, address: str) -> None:
    with opened(browser, address, **TABLET) as page, bench.asking(DO, READING, READING, HEIGHT, READING):
        expect(title(page)).to_have_text(DO.title)
        page.keyboard.press("Enter")
        expect(title(page)).to_have_text(READING.title)
        page.keyboard.type("5.8")
        page.keyboard.press("Enter")
        expect(title(page)).to_be_focused()
        expect(page.locator("#text")).to_have_value("")
        page.keyboard.press("b")
        expect(title(page)).to_have_text(HEIGHT.title)
        page.locator("[aria-label='Top line']").focus()
        for key in ("ArrowDown", "PageDown", "Tab", "PageUp", "ArrowUp", "ArrowUp"):
            page.keyboard.press(key)
        expect(page.locator("[aria-label='Bottom line']")).to_be_focused()
        expect(page.locator("[aria-label='Top line']")).to_have_attribute(
            "aria-valuetext", re.compile("2.9 divisions above")
        )
        page.locator("#send").press("Enter")
        expect(title(page)).to_have_text(READING.title)
        page.locator("#keys").click()  # now a letter is a letter
        title(page).focus()
        page.keyboard.press("s")
        page.locator("#text").press_sequentially("6 div")
        page.keyboard.press("Enter")
    assert bench.answered == ["", "5.8", "back", "5.7", "6 div"]


def test_a_hazard_takes_no_key_and_no_tap_that_was_meant_for_another_button(
    browser: Browser, bench: Bench, address: str
) -> None:
    with opened(browser, address, **TABLET) as page, bench.asking(HAZARD):
        expect(title(page)).to_have_text(HAZARD.title)
        go_on = page.locator("#choices button", has_text="go on")
        expect(go_on).to_be_disabled(timeout=100)
        for key in ("Enter", "g", " ", "="):
            page.keyboard.press(key)
        expect(go_on).to_be_enabled()
        page.keyboard.press("Enter")
        expect(title(page)).to_have_text(HAZARD.title)
        page.locator("#choices button", has_text="stop").click()
    assert bench.answered == ["stop"]


def test_a_photograph_and_a_remark_leave_the_question_and_what_is_typed(
    browser: Browser, bench: Bench, address: str, tmp_path: Path
) -> None:
    (tmp_path / "in").mkdir()
    picture, text = tmp_path / "in" / "my screen.png", tmp_path / "in" / "none.jpg"
    picture.write_bytes(a_picture("PNG", size=(4000, 3000)))
    text.write_text("no picture at all")
    with opened(browser, address, **PHONE) as page, bench.replying(READING):
        expect(title(page)).to_have_text(READING.title)
        page.locator("#text").fill("5.7")
        page.set_input_files("#file", picture)
        expect(page.locator("#told")).to_have_text("The photograph is kept: 001.jpg.")
        page.set_input_files("#file", text)
        expect(page.locator("#said")).to_contain_text("no photograph")
        page.locator("#remark").tap()
        page.locator("#note").fill("graticule lamp is off")
        page.locator("#remarking button").tap()
        expect(page.locator("#remarking")).to_be_hidden()
        expect(page.locator("#text")).to_have_value("5.7")
        page.locator("#send").tap()
        expect(title(page)).to_have_text("Measuring …")
    assert [what for what, _ in bench.events] == ["photograph", "note"]
    assert bench.answered == ["5.7"]
    with Image.open(tmp_path / "photos" / "001.jpg") as kept:
        assert kept.size == (2048, 1536)  # as much as a screen is read on


def test_the_question_is_spoken_where_that_is_wanted(browser: Browser, bench: Bench, address: str) -> None:
    heard = "() => { speechSynthesis.speak = said => (window.heard = (window.heard ?? '') + said.text + '|') }"
    with opened(browser, address, **PHONE) as page, bench.asking(DO, READING):
        expect(title(page)).to_have_text(DO.title)
        page.evaluate(heard)
        assert page.get_attribute("#speak", "aria-pressed") == "false"
        page.locator("#speak").tap()
        page.locator("#choices button").tap()
        expect(title(page)).to_have_text(READING.title)
        assert page.evaluate("window.heard") == f"{DO.title}|{READING.title}. level: 300 mV. about 6|"
        page.reload()
        expect(page.locator("#speak")).to_have_attribute("aria-pressed", "true")
        page.locator("#send").tap()
        expect(page.locator("#said")).to_have_text("Type or tap what the screen shows first.")
        page.locator("#keypad button", has_text="6").tap()
        page.locator("#send").tap()
    assert bench.answered == ["", "6"]


def test_data_is_shown_and_never_obeyed(browser: Browser, bench: Bench, address: str) -> None:
    hostile = "<img src=x onerror=document.title='owned'><script>document.title='owned'</script>"
    with opened(browser, address, **PHONE) as page:
        bench.operator.tell(hostile)
        bench.page.event("note", hostile)
        with bench.asking(replace(READING, title=hostile, lines=(f"level: {hostile}",), hint=hostile)):
            expect(title(page)).to_have_text(hostile)
            expect(page.locator("#told")).to_have_text(hostile)
            assert page.locator("main img, main script").count() == 0
            assert page.title() != "owned"
            page.locator("#words button", has_text="skip").tap()


@pytest.fixture
def run(tmp_path: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A run of its own on the simulated bench, whose terminal is gone."""
    shutil.copytree(DEMO, tmp_path, dirs_exist_ok=True)
    command = [sys.executable, "-m", "harness.cli", "run", "by_eye.toml", "--by-hand", "--page"]
    with subprocess.Popen(
        command, cwd=tmp_path, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True, encoding="utf-8",
        env={**os.environ, "PYTHONPATH": str(DEMO.parents[1])},
    ) as process:  # fmt: skip
        assert process.stdout is not None
        try:
            yield process, next(found[0] for line in process.stdout if (found := re.search(r"http://\S+", line)))
        finally:
            process.kill()


def test_a_page_that_lost_its_run_comes_back_where_it_was(
    browser: Browser, run: tuple[subprocess.Popen[str], str]
) -> None:
    process, address = run
    with opened(browser, address, **PHONE) as page:
        expect(title(page)).to_contain_text("Before the first reading")
        page.locator("#choices button").tap()
        expect(title(page)).to_contain_text("Switch the output")
        page.locator("#choices button").tap()
        expect(title(page)).to_contain_text("divisions")
        expect(page.locator("#first li")).not_to_have_count(0)  # what is to be done before it is read
        expect(page.locator("#screen .seen")).to_have_count(1)  # the simulated screen
        page.locator("#text").fill("2.0")
        process.send_signal(signal.SIGSTOP)
        expect(page.locator("#lost")).to_contain_text("nothing is lost", timeout=20_000)
        process.send_signal(signal.SIGCONT)
        expect(page.locator("#lost")).to_be_hidden(timeout=20_000)
        expect(page.locator("#text")).to_have_value("2.0")
        page.locator("#send").tap()
        expect(page.locator("#results tbody tr")).to_have_count(1)
        process.kill()
        expect(page.locator("#lost")).to_be_visible(timeout=20_000)


def test_a_point_that_is_adjusted_is_shown_large(browser: Browser, bench: Bench, address: str) -> None:
    with opened(browser, address, **PHONE) as page, bench.asking(replace(READING, done="It is adjusted")):
        expect(title(page)).to_have_text(READING.title)
        for value, word in ((4.2, "fail"), (0.1, "pass")):
            bench.page.look({
                "name": "channel 2, 50 mV/div", "said": f"+{value} %", "limits": "±3 %", "word": word, "value": value,
                "low": -3.0, "high": 3.0,
            })  # fmt: skip
            expect(page.locator("#live .said")).to_have_text(f"+{value} %")
            expect(page.locator("#live")).to_have_class(word)
            gauge = page.locator("#live [role=meter]")
            assert float(gauge.get_attribute("aria-valuenow") or "") == pytest.approx(value / 3, abs=0.005)
            assert float(gauge.locator("circle").get_attribute("cx") or "") == pytest.approx(50 * value / 3, abs=0.01)
            size = page.locator("#live .said").evaluate("said => parseFloat(getComputedStyle(said).fontSize)")
            assert size >= 48  # read from the other side of a bench
        found = Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
        page.locator("#done").tap()
    assert bench.answered == [""]
