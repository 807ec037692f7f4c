"""Make the pictures that README and docs/ show, from the demo: `python docs/pictures.py [FOLDER]`.

Needs the groups `test` and what the group e2e of the tests needs: a browser (chromium) and poppler's tools.
"""

from __future__ import annotations

import io
import os
import re
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from PIL import Image
from playwright.sync_api import Browser, Page, expect
from rich.console import Console
from rich.text import Text

from tests.helpers.browser import a_browser, a_page
from tests.helpers.terminal import typed

ROOT: Final = Path(__file__).resolve().parent.parent
FIRST: Final = (ROOT / "docs/first_scope.md").read_text("utf-8").split("```toml\n")[1].split("```")[0]
DESK: Final[dict[str, Any]] = {"viewport": {"width": 1000, "height": 760}}
PHONE: Final[dict[str, Any]] = {
    "viewport": {"width": 390, "height": 844},
    "device_scale_factor": 1.5,
    "is_mobile": True,
}
COLOURS: Final = 64


def main(out: Path) -> None:
    """Make all of them, in a folder of the demo that is thrown away."""
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as work, a_browser() as browser:
        lab = Path(work)
        os.environ |= {"HALFPOWER_STORE": str(lab / "records.sqlite"), "PYTHONPATH": str(ROOT)}
        at_the_terminal(lab, out)
        report = next(lab.glob("halfpower-demo/runs/*Egret-3071*"))
        printed(report, out)
        with a_page(browser, (report / "report.html").as_uri(), **DESK) as page:
            kept(page.screenshot(), out / "report.png")
            kept(page.locator("figure:visible").last.screenshot(), out / "response.png")
        nights(lab, browser, out)
        beside(lab, browser, out)


def at_the_terminal(lab: Path, out: Path) -> None:
    """The end of the demo, and a question with its graticule."""
    _, said = typed(["demo", "--fast"], lab, columns=84)
    drawn(said.replace(f"{lab}/", ""), "Channel 2: the lowest", out / "demo.svg")
    (lab / "halfpower-demo/first.toml").write_text(FIRST, "utf-8")
    _, said = typed(["run", "first.toml", "--by-hand"], lab / "halfpower-demo", ["", "", "5"], columns=96)
    drawn(said, "5 div:", out / "question.svg")


def drawn(said: str, since: str, path: Path) -> None:
    """A terminal's last lines, as a drawing that loads nothing."""
    lines = said.rstrip().splitlines()
    begin = next(place for place, line in enumerate(lines) if since in line)
    shown = Text.from_ansi("\n".join(lines[begin:]))
    console = Console(record=True, file=io.StringIO(), width=max(map(len, shown.plain.splitlines())))
    console.print(shown)
    svg = console.export_svg(title="halfpower", unique_id=path.stem)
    for needless in (
        r"\s*@font-face \{.*?\}",
        r"<g transform=\"translate\(26,22\)\">.*?</g>",
    ):  # fonts of others, buttons
        svg = re.sub(needless, "", svg, flags=re.DOTALL)
    path.write_text("\n".join(map(str.rstrip, svg.splitlines())) + "\n", "utf-8")


def printed(run: Path, out: Path) -> None:
    """The certificate's first page, and the short report."""
    for name, options in {"certificate": (), "short": ("--short",)}.items():
        pdf = run / f"{name}.pdf"
        typed(["report", str(run), *options, "--pdf", str(pdf)], run)
        subprocess.run(["pdftoppm", "-png", "-r", "96", "-l", "1", "-singlefile", pdf, run / name], check=True)
        kept((run / f"{name}.png").read_bytes(), out / f"{name}.png")


def nights(lab: Path, browser: Browser, out: Path) -> None:
    """The page of a night, and the office page with what it did."""
    typed(["queue", "night.toml"], lab / "halfpower-demo")
    night = next(lab.glob("halfpower-demo/runs/night-*/night.html"))
    with a_page(browser, night.as_uri(), **DESK) as page:
        unnamed(page, lab)
        kept(page.screenshot(), out / "night.png")
    with (
        serving("board", "runs", "--simulated", "--store", "none", folder=lab / "halfpower-demo") as address,
        a_page(browser, address, **DESK) as page,
    ):
        expect(page.locator("#title")).to_have_text(re.compile("^(?!Connecting|Looking)"))
        unnamed(page, lab)
        kept(page.screenshot(), out / "board.png")


def unnamed(page: Page, lab: Path) -> None:
    """Without the folder and the name of this computer."""
    for ours, shown in {f"{lab}/halfpower-demo/": "", socket.gethostname(): "bench-2"}.items():
        page.evaluate("([a, b]) => document.body.innerHTML = document.body.innerHTML.replaceAll(a, b)", [ours, shown])


def beside(lab: Path, browser: Browser, out: Path) -> None:
    """The page beside the instrument, on a phone."""

    def looked(said: str) -> None:
        address = re.search(r"http://\S+", said)
        assert address, said
        with a_page(browser, address[0], **PHONE) as page:
            expect(page.locator("#title")).to_contain_text("divisions")
            kept(page.screenshot(), out / "page.png")

    typed(["run", "first.toml", "--by-hand", "--page"], lab / "halfpower-demo", ["", ""], then=looked)


@contextmanager
def serving(*words: str, folder: Path) -> Iterator[str]:
    """A command that serves a page, by its address."""
    command = [sys.executable, "-m", "harness.cli", *words]
    with subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, text=True, encoding="utf-8") as process:
        assert process.stdout is not None
        try:
            yield next(found[0] for line in process.stdout if (found := re.search(r"http://\S+", line)))
        finally:
            process.terminate()


def kept(png: bytes, path: Path) -> None:
    """A picture in few colours, as pages and plots have."""
    few = (
        Image.open(io.BytesIO(png))
        .convert("RGB")
        .quantize(COLOURS, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    )
    few.save(path, optimize=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "docs" / "pictures")
