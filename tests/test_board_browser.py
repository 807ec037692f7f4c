"""The office page in a real browser: on a phone and a desk, by day and by night, with and without an account.

Names, roles, contrast and order are looked at by axe-core, whose rules are those of WCAG 2.1.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import AbstractContextManager
from dataclasses import replace
from pathlib import Path
from typing import Final

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from harness.office import accounts
from harness.office.board_server import ENDED, served
from harness.office.sight import Sight
from tests.helpers.browser import a_browser, a_page
from tests.helpers.office_lab import BUSY, QUIET, Still

pytestmark = pytest.mark.e2e

PICTURES: Final = os.environ.get("HALFPOWER_PICTURES")  # a folder, for whoever wants to look at the pages
PASSWORD: Final = "three scopes and a lamp"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with a_browser() as started:
        yield started


def opened(browser: Browser, address: str, width: int, scheme: str = "light") -> AbstractContextManager[Page]:
    return a_page(browser, address, viewport={"width": width, "height": 844}, color_scheme=scheme)


def looked_at(page: Page, name: str) -> None:
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]  # type: ignore[index]
    if PICTURES:
        page.screenshot(path=Path(PICTURES) / f"{name}.png", full_page=True)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize(("name", "sight"), [("busy", BUSY), ("quiet", QUIET)], ids=["busy", "quiet"])
def test_everybody_can_read_it(browser: Browser, width: int, scheme: str, name: str, sight: Sight) -> None:
    with served(Still(sight)) as address, opened(browser, address, width, scheme) as page:
        expect(page.locator("#title")).not_to_have_text("Connecting …")
        looked_at(page, f"{name}_{width}_{scheme}")
        assert "key=" not in page.url


def test_what_is_in_doubt_stands_first_and_comes_and_goes_by_itself(browser: Browser) -> None:
    still = Still(QUIET)
    with served(still) as address, opened(browser, address, 390) as page:
        expect(page.locator("#title")).to_contain_text("No output is known to be in doubt")
        still.show(BUSY)
        expect(page.locator("#title")).to_have_text("An output may still be on")
        assert page.title().startswith("! An output may still be on")
        first = page.locator("main > *").first
        expect(first).to_contain_text("second.toml: calibrator: its output would not go off")
        expect(page.locator("#queues progress").first).to_have_js_property("value", 0.45)
        still.show(QUIET)
        expect(page.locator("#title")).to_contain_text("No output is known to be in doubt")
        still.show(replace(QUIET, problems=("/srv/runs/torn/journal.jsonl:1: this line was damaged.",)))
        expect(page.locator("#title")).to_have_text(re.compile("^No output .* but not everything could be read$"))
        still.show(replace(QUIET, looked=""))
        expect(page.locator("#title")).to_have_text("Outputs are not looked at: no folder of runs was named")
        still.end(ENDED)
        expect(page.locator("#lost")).to_have_text(ENDED)


def test_nothing_is_said_of_what_was_not_looked_at_yet(browser: Browser) -> None:
    nothing = Sight(title=QUIET.title, at="", looked="")
    still = Still(nothing)
    with served(still) as address, opened(browser, address, 390) as page:
        expect(page.locator("#title")).to_have_text("Looking through the folders …")
        expect(page.locator("#failed .list")).to_have_text("…")
        expect(page.locator("#reports .list")).to_have_text("…")
        still.show(replace(nothing, at=QUIET.at))
        expect(page.locator("#failed .list")).to_have_text("Nothing failed in the last two weeks.")
        expect(page.locator("#title")).to_have_text("Outputs are not looked at: no folder of runs was named")


def test_a_connection_that_is_lost_is_told(browser: Browser) -> None:
    with served(Still(QUIET)) as address, opened(browser, address, 390) as page:
        expect(page.locator("#title")).to_contain_text("No output is known to be in doubt")
        page.context.set_offline(True)
        page.evaluate("document.dispatchEvent(new Event('visibilitychange', { bubbles: true }))")
        expect(page.locator("#lost")).to_contain_text("What stands here may be old")
        page.context.set_offline(False)
        page.evaluate("document.dispatchEvent(new Event('visibilitychange', { bubbles: true }))")
        expect(page.locator("#lost")).to_be_hidden()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_signing_in_and_out(browser: Browser, tmp_path: Path, width: int, scheme: str) -> None:
    file = tmp_path / "office.json"
    accounts.add(file, "Orme", PASSWORD)
    with served(Still(QUIET), "127.0.0.1", file) as address, opened(browser, address, width, scheme) as page:
        looked_at(page, f"enter_{width}_{scheme}")
        page.get_by_label("Name").fill("Orme")
        page.get_by_label("Password").fill("three scopes and a lamb")
        page.get_by_role("button", name="Sign in").click()
        expect(page.locator("#said")).to_have_text("Name and password do not belong together.")
        page.get_by_label("Password").fill(PASSWORD)
        page.keyboard.press("Enter")
        expect(page.locator("#title")).to_contain_text("No output is known to be in doubt")
        looked_at(page, f"signed_{width}_{scheme}")
        page.get_by_role("button", name="Sign out").click()
        expect(page.get_by_role("button", name="Sign in")).to_be_visible()
