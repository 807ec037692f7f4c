"""Long runs under faults: how many values reach the journal that are not what the instrument would have answered.

`python -m pytest -m soak -s tests/test_soak.py` prints the figures of docs/faults.md. HALFPOWER_SOAK_POINTS sets the
number of points of each test (30,000 where it is not set; a tenth of that for whole jobs, which take longer).
"""

from __future__ import annotations

import datetime as dt
import os
import re
import shutil
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from drivers.counter import ScpiCounter
from drivers.generator import ScpiGenerator
from harness import runs as opening
from harness.errors import InstrumentError
from harness.files import files
from harness.journal.journal import read
from harness.link.link import repeat_point
from harness.link.visa import open_link
from harness.run.faulted import LINE, Faults
from harness.sim.bench import SimulatedBench
from harness.sim.faults import FaultPlan
from harness.steps import Sine
from tests.helpers.journals import comparable

pytestmark = [pytest.mark.soak, pytest.mark.timeout(3600)]

DEMO = Path(__file__).resolve().parent.parent / "demo" / "brackwater"
POINTS = int(os.environ.get("HALFPOWER_SOAK_POINTS", "30000"))
KINDS = (*LINE, "power cycle")
SEED = 7


def report(what: str, **figures: object) -> None:
    numbers = ", ".join(f"{name.replace('_', ' ')} {value}" for name, value in figures.items())
    print(f"\n{what}: {numbers}")  # noqa: T201 - the figures of docs/faults.md


# --- single points -----------------------------------------------------------------------------------------------


def counted_points(rate: float, points: int, *, tag: bool) -> Iterator[tuple[float, float | None]]:
    """Set a generator, count its frequency, close the point: no two frequencies alike. None where it failed openly."""
    bench = SimulatedBench.load(DEMO / "bench_sim.toml")
    bench.inject(FaultPlan(rate=rate, kinds=KINDS, seed=SEED))
    bench.connect("terminated", "generator", "unit", 1)
    file, manager = files.load_bench(DEMO / "bench.toml"), bench.resource_manager()

    def link(role: Any) -> Any:
        instrument = getattr(file, role).model_copy(update={"tag_queries": tag})
        return open_link(instrument, role, lambda: manager, bench.clock)

    generator = ScpiGenerator(link("generator"), file.generator)
    counter = ScpiCounter(link("counter"), file.counter)

    def point(frequency_hz: float) -> float:
        generator.apply(Sine(level_vpp=0.6, frequency_hz=frequency_hz))
        count_hz = counter.read_frequency_hz(frequency_hz)
        generator.check()
        counter.check()
        return count_hz

    for number in range(points):
        frequency_hz = round(1e6 * (1 + (number * 0.618034) % 1), 1)
        try:
            yield frequency_hz, repeat_point(lambda f=frequency_hz: point(f))  # type: ignore[misc]
        except InstrumentError:
            yield frequency_hz, None


@pytest.mark.parametrize(("rate", "points"), [(0.02, POINTS), (0.05, POINTS), (0.1, POINTS // 3)])
@pytest.mark.parametrize("tag", [True, False], ids=["tagged", "plain"])
def test_no_count_is_silently_wrong(rate: float, points: int, tag: bool) -> None:
    wrong = failed = 0
    for frequency_hz, count_hz in counted_points(rate, points, tag=tag):
        failed += count_hz is None
        wrong += count_hz is not None and abs(count_hz / frequency_hz - 1) > 1e-5
    way = "tagged" if tag else "plain"
    report(f"points, {way}", rate=rate, points=points, silently_wrong=wrong, failed_openly=failed)
    assert wrong == 0
    assert failed <= points // 100


# --- whole jobs --------------------------------------------------------------------------------------------------


def a_lab(folder: Path, *, tag: bool, settle: str | None = None) -> Path:
    """The demo's files, tagged or not."""
    shutil.copytree(DEMO, folder)
    bench = (folder / "bench.toml").read_text("utf-8")
    bench = bench if tag else re.sub(r"^(address = .*)$", r"\1\ntag_queries = false", bench, flags=re.M)
    bench = re.sub(r'settle = ".*"', f'settle = "{settle}"', bench) if settle else bench
    (folder / "bench.toml").write_text(bench, "utf-8")
    return folder / "digital.toml"


def replies(folder: Path) -> dict[tuple[str, int], Any]:
    return {(entry["part"], entry["n"]): entry for entry in comparable(folder) if entry["kind"] == "reply"}


@pytest.mark.parametrize("tag", [True, False], ids=["tagged", "plain"])
def test_no_value_of_a_job_is_silently_wrong(tag: bool, tmp_path: Path) -> None:
    """The same job over and over, from another seed each; every entry is compared with that of a run without faults.

    The noise of the simulated bench depends on the step alone, so a right value is equal to the last digit.
    """
    job = a_lab(tmp_path / "lab", tag=tag)
    right = replies(opening.start(job, tmp_path / "clean").folder)
    counts: Counter[str] = Counter()
    seed = 0
    while counts["readings"] < POINTS // 10:
        seed += 1
        try:
            result = opening.start(job, tmp_path / "runs", faults=Faults(rate=0.05, seed=seed, kinds=KINDS))
        except InstrumentError:  # five tries in a row met a fault while an instrument was opened
            counts["not_begun"] += 1
            continue
        got = replies(result.folder)
        counts["readings"] += len(got)
        counts["parts"] += len(result.report.parts)
        counts["ended_early"] += len(result.ended_early)
        # A wrong value leads an adaptive sequence to other steps: what it asks for then is counted as wrong too.
        counts["wrong"] += sum(right.get(key) != entry for key, entry in got.items())
        shutil.rmtree(result.folder)
    way = "tagged" if tag else "plain"
    report(f"jobs, {way}", rate=0.05, seeds=f"1 to {seed}", **counts)
    assert counts["wrong"] <= (0 if tag else counts["readings"] // 50)
    assert counts["ended_early"] <= 1 + counts["parts"] // 10
    assert counts["not_begun"] <= 1 + seed // 50


def test_eight_hours_with_settles(tmp_path: Path) -> None:
    """A night on the bench's clock: 30 s after every setting, a fault at 1 % of the queries, one job after another."""
    job = a_lab(tmp_path / "lab", tag=True, settle="30 s")
    right = replies(opening.start(job, tmp_path / "clean").folder)
    hours, points, wrong, seed = 0.0, 0, 0, 0
    while hours < 8:
        seed += 1
        result = opening.start(job, tmp_path / "runs", faults=Faults(rate=0.01, seed=seed, kinds=KINDS))
        contents = read(result.folder)
        assert result.report.finished
        got = replies(result.folder)
        points += len(got)
        wrong += sum(right.get(key) != entry for key, entry in got.items())
        hours += _hours(contents.header["started"], contents.closed_at)
    report("eight hours, tagged", rate=0.01, jobs=seed, hours=f"{hours:.1f}", points=points, silently_wrong=wrong)
    assert wrong == 0


def _hours(began: str, ended: str | None) -> float:
    assert ended is not None
    return (dt.datetime.fromisoformat(ended) - dt.datetime.fromisoformat(began)).total_seconds() / 3600
