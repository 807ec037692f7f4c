"""Help is quick: what is heavy is imported by the command that needs it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

HEAVY = (
    "numpy",
    "scipy",
    "pandas",
    "fontTools",
    "typst",
    "pyvisa",
    "pyvisa_sim",
    "pydantic",
    "rich.live",
    "sqlalchemy",
    "alembic",
    "dask",
    "distributed",
    "apprise",
    "wakepy",
    "starlette",
    "uvicorn",
    "segno",
    "PIL",
)

PROGRAM = """
import json, sys
from harness.cli import main
try:
    main()
except SystemExit as end:
    sys.stderr.write(json.dumps([end.code, sorted(sys.modules)]))
"""


UNIT = Path(__file__).parents[1] / "demo" / "brackwater" / "aldermoor_skua.toml"


@pytest.fixture(scope="module")
def help_run() -> tuple[str, int, list[str]]:
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, "--help"], capture_output=True, encoding="utf-8", check=True, timeout=60
    )
    code, modules = json.loads(done.stderr)
    return done.stdout, code, modules


def test_help_names_every_command_and_ends_well(help_run: tuple[str, int, list[str]]) -> None:
    text, code, _ = help_run
    assert code == 0
    for name in (
        "demo",
        "check",
        "new",
        "schema",
        "bench",
        "rehearse",
        "run",
        "resume",
        "queue",
        "watch",
        "report",
        "records",
        "history",
        "reanalyse",
        "docs",
    ):
        assert f" {name} " in text


@pytest.mark.parametrize("name", HEAVY)
def test_help_imports_nothing_heavy(help_run: tuple[str, int, list[str]], name: str) -> None:
    _, _, modules = help_run
    assert "harness.commands.run" in modules
    assert name not in modules


def test_a_unit_file_is_checked_without_what_computes() -> None:
    """Its ratings come from the measurements, of which nothing else is loaded."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, "check", str(UNIT)], capture_output=True, encoding="utf-8", check=True,
        timeout=60,
    )  # fmt: skip
    code, modules = json.loads(done.stderr)
    assert code == 0
    assert "sequences.vertical" in modules
    assert not {"numpy", "scipy", "sequences.vertical.steps"} & set(modules)


@pytest.mark.parametrize(("command", "computes"), [("check", False), ("rehearse", True)])
def test_what_measures_nothing_loads_nothing_that_draws_or_keeps(command: str, computes: bool) -> None:
    """A rehearsal says what can be decided, for which it works out budgets; a check works out nothing."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, command, str(UNIT.parent / "digital.toml")], capture_output=True,
        encoding="utf-8", check=True, timeout=60,
    )  # fmt: skip
    code, modules = json.loads(done.stderr)
    assert code == 0
    assert "harness.run.jobs" in modules
    assert ("scipy" in modules) is computes
    assert not {"pyvisa", "harness.runs", "harness.bench.perform", "harness.report.model"} & set(modules)
    assert not {"pandas", "fontTools", "sqlalchemy", "alembic", "dask", "typst", "PIL"} & set(modules)


def test_runs_are_listed_without_what_reads_a_journal_or_speaks_to_another_database(tmp_path: Path) -> None:
    from harness.years.records.store import Store

    store = str(tmp_path / "records.sqlite")
    Store.open(store).close()
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, "records", "list", "--store", store],
        capture_output=True, encoding="utf-8", check=True, timeout=60,
    )  # fmt: skip
    code, modules = json.loads(done.stderr)
    assert (code, done.stdout) == (0, f"0 runs in {store}\n")
    assert not {"harness.journal.journal", "sqlalchemy.dialects.postgresql", "alembic", "pydantic"} & set(modules)
