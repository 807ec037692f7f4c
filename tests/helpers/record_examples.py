"""Journals for the tests of the store: one short run of the demo's bench, told again under other names and dates.

Invented data throughout; a run whose header names no simulated bench stands for a real one here.
"""

from __future__ import annotations

import copy
import datetime as dt
import json
import shutil
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from harness import runs as opening
from harness.journal import journal
from harness.journal.journal import Contents, Journal
from tests.helpers.demo_lab import DEMO, LEAD, a_job


@cache
def measured() -> Contents:
    """The journal of a short run."""
    with TemporaryDirectory() as folder:
        lab = shutil.copytree(DEMO, Path(folder) / "lab")
        vertical = f'{LEAD}\nchannels = [1, 2]\nranges = ["20 mV", "100 mV", "500 mV"]'
        time_base = 'use = "time_base"\npath = "lead"\nranges = ["1 us", "10 us", "1 ms"]'
        job = a_job(lab / "short.toml", vertical, time_base)
        return journal.read(opening.start(job, lab / "runs").folder)


def told_again(
    runs: Path,
    n: int = 1,
    *,
    serial: str = "Egret-3071",
    condition: str = "as found",
    bench: str = "Bench 1",
    on: dt.date = dt.date(2026, 3, 2),
    certificate: str = "BW-C-2217",
    simulated: bool = False,
    records: int | None = None,
    gain: float = 1.0,
    header: dict[str, Any] | None = None,
) -> Path:
    """A run's folder: run number `n`, with these names; `records` ends it before its end."""
    contents = measured()
    head: dict[str, Any] = copy.deepcopy(
        {key: value for key, value in contents.header.items() if key not in ("kind", "format", "at")}
    )
    setup = head["setup"]
    setup["job"] |= {"serial": serial, "condition": condition}
    setup["bench"] |= {"name": bench}
    setup["bench"]["calibrator"]["certificate"] = certificate
    if not simulated:
        del setup["bench"]["simulation"]
    began = dt.datetime.combine(on, dt.time(9, 0), dt.UTC)
    head |= {"run": f"{on}-{serial}-{n:02d}", "id": f"{n:032x}", "started": began.isoformat(timespec="seconds")}
    head |= header or {}
    later = iter(range(10_000))
    made = Journal.create(
        runs / str(head["run"]).replace("/", "-"),
        head,
        lambda: (began + dt.timedelta(seconds=next(later))).isoformat(timespec="milliseconds"),
    )
    for record in contents.records[:records]:
        reply: Any = record.reply
        if gain != 1.0 and getattr(reply, "value", None) is not None:
            from dataclasses import replace

            reply = replace(reply, value=reply.value * gain)
        made.reply(record.part, record.n, record.step, reply)
    if records is None:
        for part in contents.parts:
            made.part(part, "finished")
        made.end()
    made.close()
    return made.path.parent


def resumed(folder: Path, cut: Path) -> Path:
    """The same run as it stood half-way: a copy of its journal without the last lines."""
    lines = (folder / journal.NAME).read_bytes().splitlines(keepends=True)
    cut.mkdir(parents=True)
    (cut / journal.NAME).write_bytes(b"".join(lines[: len(lines) // 2]))
    return cut


def plain(rows: Any) -> str:
    """Rows as text, for a comparison that shows where they differ."""
    return "\n".join(json.dumps({name: str(getattr(row, name)) for name in row.__slots__}) for row in rows)
