"""The demo's laboratory for tests: its files to change, jobs on its bench, and the program as a person types it."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from click.testing import CliRunner, Result

from harness.cli import cli

DEMO: Final = Path(__file__).resolve().parents[2] / "demo" / "brackwater"
LEAD: Final = 'use = "vertical"\npaths = ["lead"]'
ONE_CHANNEL: Final = f"{LEAD}\nchannels = [1]"
SHORT: Final = """
[[sequence]]
use = "vertical"
paths = ["lead"]
channels = [1]
ranges = ["100 mV", "500 mV"]

[[sequence]]
use = "time_base"
path = "lead"
ranges = ["1 us", "1 ms"]

[[sequence]]
use = "pulse"
path = "terminated"
source = "generator"
channels = [1]

[[sequence]]
use = "bandwidth"
path = "terminated"
channels = [1]
scan = false
"""


def a_job(
    path: Path,
    *sequences: str,
    unit: str = "aldermoor_egret.toml",
    bench: str = "bench.toml",
    serial: str = "Egret-3071",
    head: str = "",
) -> Path:
    """Write a job on the demo's bench: these sequences, and whatever else its head holds."""
    tables = "".join(f"\n[[sequence]]\n{sequence}\n" for sequence in sequences)
    path.write_text(f'unit = "{unit}"\nbench = "{bench}"\nserial = "{serial}"\n{head}\n{tables}', "utf-8")
    return path


def with_sequences(job: Path, name: str, sequences: str) -> Path:
    """Write a job of this name beside another: its head, and these sequences."""
    text = job.read_text("utf-8")
    path = job.with_name(name)
    path.write_text(text[: text.index("[[sequence]]")] + sequences, "utf-8")
    return path


def short_lab(folder: Path) -> Path:
    """A copy of the demo's files, and the job `short.toml`: the digital one on a few settings, a fifth of its time."""
    shutil.copytree(DEMO, folder)
    with_sequences(folder / "digital.toml", "short.toml", SHORT)
    return folder


def change(path: Path, *pairs: tuple[str, str]) -> None:
    """Write other words into a file, each of which must be there."""
    text = path.read_text("utf-8")
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new)
    path.write_text(text, "utf-8")


def halfpower(*arguments: object, answers: str | None = None) -> Result:
    """A command, in this process."""
    return CliRunner().invoke(cli, [str(argument) for argument in arguments], input=answers, prog_name="halfpower")


def piped(*arguments: object) -> subprocess.Popen[str]:
    """A command, in a process of its own."""
    command = [sys.executable, "-m", "harness.cli", *(str(argument) for argument in arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8")


@contextmanager
def serving(bench: Path, *options: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A bench served on loopback by a process of its own; with what it said when it was ready."""
    with piped("bench", bench, "--serve", *options) as process:
        assert process.stdout is not None
        said = ""
        try:
            while "Served" not in said:
                line = process.stdout.readline()
                assert line, process.stderr and process.stderr.read()
                said += line
            yield process, said
        finally:
            process.kill()


_RIGHT: Final = """
[positions.right]
address = "TCPIP0::192.0.2.31::5025::SOCKET"
settle = "20 ms"
"""
_RIGHT_SIM: Final = """
[positions.right]
profile = "aldermoor_digital_scope"
address = "TCPIP0::192.0.2.31::5025::SOCKET"
serial = "Egret-0002"

[[positions.right.truth.channel]]
gain = "-2.0 %"
"""


def with_two_places(lab: Path) -> Path:
    """Put a second unit behind the switch of the demo's bench, at the position `right`."""
    change(
        lab / "bench.toml",
        ("[switch]\n", f"{_RIGHT}\n[switch]\n"),
        ('routes = { unit-1 = "(@101)", unit-2', 'routes = { right-1 = "(@103)", unit-1 = "(@101)", unit-2'),
    )
    change(
        lab / "bench_sim.toml",
        ("[switch]\n", f"{_RIGHT_SIM}\n[switch]\n"),
        (
            "[switch.routes]",
            '[switch.routes]\n103 = { path = "lead", source = "calibrator", display = "right", channel = 1 }',
        ),
    )
    return lab
