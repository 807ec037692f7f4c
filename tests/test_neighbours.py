"""Folders of the user's that are called as packages of this program are."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def python(folder: Path, code: str) -> subprocess.CompletedProcess[str]:
    """Run code where the working folder comes first, as a notebook or `python -m` has it."""
    start = f"import sys; sys.path[:] = [{str(folder)!r}, {str(ROOT)!r}, *sys.path[1:]]; "
    return subprocess.run([sys.executable, "-c", start + code], cwd=folder, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("name", ["drivers", "sequences", "sim_profiles", "demo"])
def test_a_folder_of_that_name_hides_nothing(tmp_path: Path, name: str) -> None:
    (tmp_path / name).mkdir()
    (tmp_path / name / "__init__.py").write_text("OURS = False\n", encoding="utf-8")
    done = python(tmp_path, f"import harness.models, {name}; print({name}.__file__)")
    assert done.stdout.strip() == str(ROOT / name / "__init__.py"), done.stderr


def test_one_that_was_imported_before_is_named_with_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "drivers").mkdir()
    (tmp_path / "drivers" / "__init__.py").write_text("", encoding="utf-8")
    done = python(tmp_path, "import drivers, harness")
    assert done.returncode == 1
    assert f"{tmp_path / 'drivers' / '__init__.py'}: a package 'drivers' of yours was imported" in done.stderr
    assert "Import harness first, or call yours otherwise." in done.stderr
