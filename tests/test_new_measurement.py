"""A measurement to start from: written by the command, it runs and its test passes as written."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.helpers.demo_lab import halfpower

ROOT = Path(__file__).parent.parent


def test_it_runs_and_its_test_passes_as_written(tmp_path: Path) -> None:
    folder = tmp_path / "ripple"
    made = halfpower("new", "measurement", "--into", folder)
    assert made.exit_code == 0, made.output
    run = halfpower("run", folder / "job.toml", "--runs", tmp_path / "runs", "--quiet")
    assert run.exit_code == 0, run.output
    assert "Peak-to-peak noise" in run.output
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(folder)]
    tested = subprocess.run(
        command, cwd=folder, capture_output=True, text=True, check=False, env={**os.environ, "PYTHONPATH": str(ROOT)}
    )
    assert tested.returncode == 0, tested.stdout
    assert "3 passed" in tested.stdout


def test_nothing_is_written_over(tmp_path: Path) -> None:
    (tmp_path / "unit.toml").write_text("mine", "utf-8")
    made = halfpower("new", "measurement", "--into", tmp_path)
    assert made.exit_code == 3
    assert "has unit.toml already" in made.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["unit.toml"]


@pytest.mark.parametrize("inside", ["a file/x"])
def test_a_folder_that_cannot_be_is_one_sentence(tmp_path: Path, inside: str) -> None:
    (tmp_path / "a file").write_text("", "utf-8")
    made = halfpower("new", "measurement", "--into", tmp_path / inside)
    assert made.exit_code == 3
    assert "name another" in made.stderr
