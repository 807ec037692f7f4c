"""What makes the environment: standard library only, every version pinned, nothing of a user's overwritten."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from pathlib import Path

import environment
import pytest

PROJECT = tomllib.loads((environment.ROOT / "pyproject.toml").read_text("utf-8"))
PIN = re.compile(r"([A-Za-z0-9._-]+)==([0-9][A-Za-z0-9.]*)")


def name_of(requirement: str) -> str:
    """A requirement's name in its normal form (PyPA's specification of names)."""
    match = re.match(r"[A-Za-z0-9._-]+", requirement)
    assert match is not None
    return re.sub(r"[-_.]+", "-", match[0]).lower()


def test_constraints_are_names_and_versions_alone_and_pin_all_that_is_asked_for() -> None:
    lines = (environment.ROOT / "constraints.txt").read_text("utf-8").splitlines()
    assert all(PIN.fullmatch(line) for line in lines)
    pinned = {name_of(line) for line in lines}
    asked = [
        *PROJECT["project"]["dependencies"], *PROJECT["build-system"]["requires"], *environment._group("dev"),
        *PROJECT["project"]["optional-dependencies"]["serial"],
    ]  # fmt: skip
    assert {name_of(each) for each in asked} <= pinned


def test_a_group_holds_the_groups_it_includes() -> None:
    assert set(environment._group("test")) | set(environment._group("lint")) == set(environment._group("dev"))


@pytest.mark.parametrize("script", ["tests/environment.py", "tests/run.py", "demo/run.py"])
def test_the_scripts_need_the_standard_library_alone(script: str) -> None:
    tree = ast.parse((environment.ROOT / script).read_text("utf-8"))
    imported = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    imported |= {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert {name.split(".")[0] for name in imported} - {"environment"} <= sys.stdlib_module_names


def test_a_folder_that_is_no_environment_is_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    letter = tmp_path / "letter.txt"
    letter.write_text("dear", "utf-8")
    monkeypatch.setenv("HALFPOWER_VENV", str(tmp_path))
    with pytest.raises(SystemExit, match="no Python environment"):
        environment.python()
    assert letter.read_text("utf-8") == "dear"
