"""What the README and the first pages show is true: session, links, pictures. Blocks are run by test_docs_blocks.py."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from tests.helpers.demo_lab import DEMO, halfpower, with_sequences

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text("utf-8")
FIRST_JOB = (ROOT / "docs" / "first_job.md").read_text("utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", FIRST_JOB, re.DOTALL)


@pytest.fixture
def files(tmp_path: Path) -> Path:
    for kind, text in zip(("bench", "unit", "job"), blocks("toml"), strict=True):
        (tmp_path / f"{kind}.toml").write_text(text, "utf-8")
    return tmp_path


def shown(after: str) -> str:
    """The lines that the session shows after a command."""
    session = FIRST_JOB.split(f"    $ {after}\n", 1)[1].split("\n\n", 1)[0]
    return "\n".join(line.removeprefix("    ") for line in session.splitlines()) + "\n"


@pytest.mark.parametrize("command", ["check job.toml", "rehearse job.toml"])
def test_the_session_is_what_the_commands_say(files: Path, command: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(files)
    said = halfpower(*command.split())
    assert said.exit_code == 0, said.stderr
    assert said.stdout == shown(f"halfpower {command}")


def test_the_readme_opens_with_the_job_and_is_soon_read() -> None:
    title, job, *_ = README.split("\n\n")
    assert title == "# Halfpower"
    assert all(word in job for word in ("verifies oscilloscopes", "uncertainty", "decision rule", "unattended"))
    assert len(README.splitlines()) < 120


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md", "docs/index.md"])
def test_every_link_leads_somewhere(page: str) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", (ROOT / page).read_text("utf-8")):
        assert ((ROOT / page).parent / target).exists(), target


def test_the_index_leaves_no_document_out() -> None:
    index = (ROOT / "docs" / "index.md").read_text("utf-8")
    assert not [page.name for page in (ROOT / "docs").glob("*.md") if f"({page.name})" not in index + "(index.md)"]


PICTURES = ROOT / "docs" / "pictures"
SHOWN = re.compile(r"!\[(.*?)\]\((?:docs/)?pictures/([\w.]+)\)", re.DOTALL)


def test_every_picture_is_shown_in_words_too_and_all_together_are_small() -> None:
    pages = (ROOT / "README.md", *(ROOT / "docs").glob("*.md"))
    shown = [found for page in pages for found in SHOWN.findall(page.read_text("utf-8"))]
    assert {name for _, name in shown} == {path.name for path in PICTURES.iterdir()}
    assert all(len(words.split()) >= 8 for words, _ in shown)
    assert sum(path.stat().st_size for path in PICTURES.iterdir()) < 1_500_000


def test_a_picture_loads_nothing_and_names_no_folder_of_this_machine() -> None:
    for path in PICTURES.glob("*.svg"):
        text = path.read_text("utf-8")
        assert not re.search(r"url\(\s*['\"]?http|href=\"http|/tmp/|/home/", text), path.name


# --- DEVELOPERS.md -----------------------------------------------------------------------------------------------

DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")


@pytest.mark.parametrize("page", ["DEVELOPERS.md", "docs/interfaces.md", "docs/faults.md"])
def test_every_test_that_holds_an_invariant_exists(page: str) -> None:
    named = re.findall(r"`(test_\w+\.py)::(test_\w+)`", (ROOT / page).read_text("utf-8"))
    assert len(named) >= 12
    for file, name in named:
        assert f"def {name}(" in (ROOT / "tests" / file).read_text("utf-8"), f"{file}::{name}"


def test_the_code_map_leaves_nothing_out() -> None:
    table = DEVELOPERS.split("## Code map")[1].split("\n## ")[0]
    named = re.findall(r"`([\w/*.]+)`", table)
    for path in sorted((ROOT / "harness").iterdir()):
        if path.name.startswith("__") or path.name == "py.typed":
            continue
        patterns = [name if name.startswith("harness/") else f"harness/{name}" for name in named]
        assert any(path.relative_to(ROOT).match(pattern.rstrip("/")) for pattern in patterns), path.name


def test_the_driver_and_the_sequence_shown_are_what_the_loaders_take(tmp_path: Path) -> None:
    from drivers.loading import load_class
    from harness import runs as opening

    driver, sequence = re.findall(r"```python\n(.*?)```", DEVELOPERS, re.DOTALL)
    (tmp_path / "my_scope.py").write_text(driver, "utf-8")
    assert load_class("my_scope.py:MyScope", "unit", tmp_path).__name__ == "MyScope"
    shutil.copytree(DEMO, tmp_path, dirs_exist_ok=True)
    (tmp_path / "steps_of_three.py").write_text(sequence, "utf-8")
    own = with_sequences(tmp_path / "digital.toml", "own.toml", '[[sequence]]\nuse = "steps_of_three.py"\n')
    rehearsal = opening.rehearse(opening.load(own))
    assert [len(part.steps) for part in rehearsal.parts] == [4]
