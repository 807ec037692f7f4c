"""Years of one laboratory in a few seconds: the demo's bench run at many dates, with units whose hidden truth drifts.

Invented data with a known truth, for tests of what is said over years, and for looking at their pages.
"""

from __future__ import annotations

import datetime as dt
import json
import re
import shutil
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness import runs as opening
from tests.helpers.demo_lab import DEMO, LEAD, a_job

_HOURS = {"as found": "09", "as left": "15"}
SETTINGS = ("50 mV", "500 mV", "5 V")


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One verification: the day, the true gain errors of both channels in percent, and the calibrator's own."""

    day: dt.date
    gains: tuple[float, float]
    serial: str = "Egret-3071"
    condition: str = "as found"
    calibrator: float = 0.01
    seed: int = 1


def run_visits(
    folder: Path,
    visits: Sequence[Visit],
    *,
    ranges: Sequence[str] = SETTINGS,
    more: str = "",
    scatter: str = "0.004 div",
) -> Path:
    """Run every visit below `folder`/runs, and return that folder; the certificate is a new one every April."""
    for number, visit in enumerate(visits):
        home = folder / f"visit{number}"
        shutil.copytree(DEMO, home)
        bench, simulated = home / "bench.toml", home / "bench_sim.toml"
        year = visit.day.year if visit.day >= dt.date(visit.day.year, 4, 14) else visit.day.year - 1
        text = bench.read_text("utf-8").replace('certificate = "BW-C-2217"', f'certificate = "BW-C-{year}"')
        text = text.replace("certified = 2026-04-14", f"certified = {year}-04-14")
        text = re.sub(r"\ncertified = (?!\d+-04-14).*", "", re.sub(r"\ndue = .*", "", text))
        text = text.replace(f"certified = {year}-04-14", f"certified = {year}-04-14\ndue = {year + 1}-04-14")
        bench.write_text(text, "utf-8")
        unit = home / "aldermoor_egret.toml"
        unit.write_text(unit.read_text("utf-8").replace('scatter = "0.004 div"', f'scatter = "{scatter}"'), "utf-8")
        simulated.write_text(_truth(simulated.read_text("utf-8"), visit), "utf-8")
        ranged = ", ".join(f'"{each}"' for each in ranges)
        head = f'condition = "{visit.condition}"\nrule = "guarded"'
        part = f"{LEAD}\nranges = [{ranged}]\n{more}"
        opening.start(a_job(home / "job.toml", part, serial=visit.serial, head=head), folder / "runs")
        shutil.rmtree(home)
    return folder / "runs"


def _truth(text: str, visit: Visit) -> str:
    """The simulated bench of a visit; every range of a channel has its gain."""
    text = re.sub(r"seed = \d+", f"seed = {visit.seed}", text)
    text = re.sub(r"start = \S+", f"start = {visit.day.isoformat()}T{_HOURS[visit.condition]}:00:00Z", text)
    text = text.replace('gain_dc = "0.01 %"', f'gain_dc = "{visit.calibrator:.9g} %"')
    text = re.sub(r"\ngain_by_range = .*", "", text)
    text = text.replace("[unit]\n", f'[unit]\nserial = "{visit.serial}"\n', 1)
    first, second = visit.gains
    text = text.replace('gain = "0.6 %"', f'gain = "{first:.9g} %"')
    return text.replace('gain = "-0.8 %"', f'gain = "{second:.9g} %"')


def as_real(runs: Path) -> Path:
    """Take the mark of the simulated bench out of every journal below a folder, as if instruments had answered."""
    for file in runs.rglob("journal.jsonl"):
        reseal(file, lambda header: header["setup"]["bench"].pop("simulation"))
    return runs


def reseal(file: Path, change: Callable[[dict[str, Any]], object]) -> None:
    """Change the header of a journal, and seal every line again."""
    lines, seal = [], 0
    for text in file.read_text("utf-8").splitlines():
        entry = json.loads(text)
        entry.pop("crc")
        if entry["kind"] == "header":
            change(entry)
        body = json.dumps(entry, ensure_ascii=False, separators=(",", ":"))
        seal = zlib.crc32(body.encode(), seal)
        lines.append(f'{body[:-1]},"crc":"{seal:08x}"}}\n')
    file.write_text("".join(lines), "utf-8", newline="\n")
