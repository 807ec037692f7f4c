"""A real browser without a window, and pages in it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

FLAGS: Final = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update",
)  # fmt: skip


@contextmanager
def a_browser() -> Iterator[Browser]:
    found = shutil.which("chromium")
    if found is None:
        pytest.skip("needs chromium")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=found, args=list(FLAGS))
        yield started
        started.close()


@contextmanager
def a_page(browser: Browser, address: str, **device: Any) -> Iterator[Page]:
    """A page of a device of its own, on which nothing goes wrong unseen."""
    context = browser.new_context(reduced_motion="reduce", **device)
    page = context.new_page()
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.goto(address)
    yield page
    context.close()
    assert not errors
