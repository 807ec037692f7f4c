"""The page in a browser: nothing on the console, no sideways scrolling on a phone, a name for everything, A4 in print.

The page itself has no script. To measure it, it is put into a frame of another page, whose script writes down what it
finds and hands it over in its own title.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from functools import cache
from html import escape, unescape
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from tests.helpers.report_examples import html_of

pytestmark = pytest.mark.e2e

PAGES = ("does_not_meet", "as_left", "incomplete", "hostile", "far_names", "plain_only")
PHONE_PX = 390
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-quic", "--hide-scrollbars",
)  # fmt: skip
LOOK = """
addEventListener('load', () => {
  const page = document.querySelector('iframe').contentDocument, root = page.documentElement;
  const seen = e => e.getClientRects().length > 0;
  const own = e => { for (e = e.parentElement; e; e = e.parentElement)
    if (['auto', 'scroll'].includes(page.defaultView.getComputedStyle(e).overflowX)) return true; return false; };
  const named = e => (e.getAttribute('aria-label') || (e.getAttribute('aria-labelledby') &&
    page.getElementById(e.getAttribute('aria-labelledby')).textContent) || e.textContent || '').trim();
  const over = [...page.body.querySelectorAll('*')].filter(e => seen(e) && !own(e) && !e.closest('svg') &&
    e.getBoundingClientRect().right > root.clientWidth + 1).map(e => e.tagName + '.' + e.className);
  document.title = JSON.stringify({
    wide: root.scrollWidth, room: root.clientWidth, over: over.slice(0, 5),
    tables: [...page.querySelectorAll('table')].filter(e => !(e.caption && e.caption.textContent.trim())).length,
    headings: [...page.querySelectorAll('h1,h2,h3,h4,h5,h6')].map(e => +e.tagName[1]),
    unnamed: [...page.querySelectorAll('[role=img],[role=region],a,nav,section,summary')]
      .filter(e => !named(e)).map(e => e.outerHTML.slice(0, 80)),
    bare: [...page.querySelectorAll('svg,img')].filter(e => !e.closest('[role=img][aria-label]')).length,
    small: [...page.querySelectorAll('body *')].filter(e => seen(e) && !e.closest('svg') &&
      [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim()) &&
      parseFloat(page.defaultView.getComputedStyle(e).fontSize) < 11).length,
  });
});
"""


@pytest.fixture(scope="module", autouse=True)
def browser() -> str:
    found = shutil.which("chromium")
    if found is None:
        pytest.skip("needs chromium")
    return found


def chromium(folder: Path, *more: str) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        ["chromium", *FLAGS, f"--user-data-dir={folder / 'profile'}", *more],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done


@cache
def measured(folder: Path, name: str, width: int) -> dict[str, Any]:
    outer = folder / f"{name}-{width}.html"
    frame = f'<iframe width="{width}" height="900" style="border:0" srcdoc="{escape(html_of(name))}"></iframe>'
    outer.write_text(f"<!DOCTYPE html><meta charset=utf-8><script>{LOOK}</script>{frame}", "utf-8")
    done = chromium(folder, "--window-size=1300,900", "--virtual-time-budget=8000", "--dump-dom", outer.as_uri())
    found: dict[str, Any] = json.loads(unescape(re.findall("<title>(.*?)</title>", done.stdout, flags=re.DOTALL)[0]))
    return found


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("pages")


@pytest.mark.parametrize("name", PAGES)
def test_the_console_stays_empty(folder: Path, name: str) -> None:
    page = folder / f"{name}.html"
    page.write_text(html_of(name), "utf-8")
    done = chromium(folder, "--enable-logging=stderr", "--window-size=1200,900", "--dump-dom", page.as_uri())
    assert not [line for line in done.stderr.splitlines() if "CONSOLE" in line]


@pytest.mark.parametrize("width", [PHONE_PX, 768, 1280])
@pytest.mark.parametrize("name", PAGES)
def test_nothing_but_a_table_in_its_own_scroller_is_wider_than_the_screen(folder: Path, name: str, width: int) -> None:
    found = measured(folder, name, width)
    assert found["room"] == width
    assert found["wide"] <= width, found["over"]
    assert found["over"] == []


@pytest.mark.parametrize("name", PAGES)
def test_a_listener_is_told_everything(folder: Path, name: str) -> None:
    found = measured(folder, name, 1280)
    assert (found["tables"], found["bare"], found["unnamed"]) == (0, 0, [])
    levels = found["headings"]
    assert levels.count(1) == 1
    assert all(later <= earlier + 1 for earlier, later in pairwise(levels))
    assert found["small"] == 0  # no text of less than 11 px


@pytest.mark.parametrize("name", ["does_not_meet", "as_left", "far_names"])
def test_printed_pages_are_a4_and_numbered_and_say_what_they_belong_to(folder: Path, name: str) -> None:
    page, paper = folder / f"{name}-print.html", folder / f"{name}.pdf"
    page.write_text(html_of(name), "utf-8")
    chromium(folder, f"--print-to-pdf={paper}", page.as_uri())
    told = subprocess.run(["pdfinfo", str(paper)], capture_output=True, text=True, check=True).stdout
    width_pt, height_pt = (float(x) for x in re.findall(r"Page size: +([0-9.]+) x ([0-9.]+)", told)[0])
    assert (width_pt, height_pt) == pytest.approx((210 / 25.4 * 72, 297 / 25.4 * 72), abs=1.0)  # ISO 216
    count = int(re.findall(r"Pages: +([0-9]+)", told)[0])
    text = subprocess.run(["pdftotext", "-layout", str(paper), "-"], capture_output=True, text=True, check=True).stdout
    pages = text.split("\f")[:-1]
    assert len(pages) == count > 3
    for number, each in enumerate(pages, 1):
        assert f"page {number} of {count}" in each
        assert "Report 2026112" in each
    assert "End of report" in pages[-1]
