"""The documents as a site, opened from its folder, which HALFPOWER_SITE names: docs/build.py makes it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.helpers.browser import a_browser, a_page

SITE = Path(os.environ.get("HALFPOWER_SITE", "no site"))
PAGES = sorted(path.stem for path in (Path(__file__).resolve().parent.parent / "docs").glob("*.md"))

pytestmark = [pytest.mark.e2e, pytest.mark.skipif(not SITE.is_dir(), reason="needs the site: HALFPOWER_SITE")]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with a_browser() as started:
        yield started


@pytest.mark.parametrize("width", [390, 1280])
def test_every_page_fits_and_loads_nothing_from_elsewhere(browser: Browser, width: int) -> None:
    with a_page(browser, (SITE / "index.html").as_uri(), viewport={"width": width, "height": 844}) as page:
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        for name in PAGES:
            page.goto((SITE / f"{name}.html").as_uri())
            assert page.evaluate("document.documentElement.scrollWidth") <= width, name
            assert page.locator("img").evaluate_all("all => all.every(one => one.alt && one.naturalWidth)"), name
        assert asked
        assert not [url for url in asked if not url.startswith(("file:", "data:"))]


def test_the_search_works_from_a_folder(browser: Browser) -> None:
    with a_page(browser, (SITE / "search.html").as_uri() + "?q=certificate") as page:
        expect(page.locator("#search-results li a").first).to_be_visible()
        assert "Recipes" in page.locator("#search-results").inner_text()


def test_the_four_kinds_of_pages_lead_through_the_site(browser: Browser) -> None:
    with a_page(browser, (SITE / "uncertainty.html").as_uri(), viewport={"width": 1280, "height": 844}) as page:
        kinds = page.locator(".sidebar-tree .caption-text").all_inner_texts()
        assert [kind.lower() for kind in kinds] == ["learn", "do", "look up", "understand"]
        assert page.locator("math").count() > 20
