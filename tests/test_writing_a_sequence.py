"""What docs/writing_a_sequence.md shows, done."""

import importlib
import re
import shutil
from pathlib import Path

import pytest

from harness import runs as opening
from harness.steps import Connect, Done, Measure, Reading
from sequences import BUILT_IN
from tests.helpers.demo_lab import DEMO, with_sequences

ROOT = Path(__file__).parent.parent
TEXT = (ROOT / "docs" / "writing_a_sequence.md").read_text("utf-8")
BLOCKS = re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL)


@pytest.fixture
def job(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    folder = shutil.copytree(DEMO, tmp_path / "demo" / "brackwater")
    (folder / "ripple.py").write_text(BLOCKS[0], "utf-8")
    table = re.search(r"```toml\n(.*?)```", TEXT, re.DOTALL)
    return with_sequences(folder / "digital.toml", "own.toml", table.group(1))


def test_the_sequence_of_the_page_runs_and_is_reported(job, tmp_path):
    result = opening.start(job, tmp_path / "runs")
    (part,) = result.report.parts
    assert part.title == "Steadiness"
    assert [round(reading.value, 1) for reading in part.plain] == [3.0] * 4


def test_a_sequence_that_does_not_say_what_it_needs_may_ask_for_any_instrument(job, tmp_path):
    ripple = job.parent / "ripple.py"
    ripple.write_text(re.sub(r"def needs\(.*?\n\n\n", "", ripple.read_text("utf-8"), flags=re.DOTALL), "utf-8")
    assert "needs" not in ripple.read_text("utf-8")
    result = opening.start(job, tmp_path / "runs")
    assert not result.ended_early
    assert len(result.report.parts[0].plain) == 4


def test_it_can_be_driven_by_hand(job):
    loaded = opening.load(job)
    script = loaded.uses[0].definition.script(loaded.setup, loaded.uses[0].options)
    assert isinstance(next(script), Connect)
    assert isinstance(script.send(Done()), Measure)
    assert isinstance(script.send(Reading(value=3.01)), Measure)


@pytest.mark.parametrize("name", BUILT_IN)
def test_every_option_of_a_sequence_is_documented(name):
    page = (ROOT / "docs" / "sequences.md").read_text("utf-8")
    section = page.split(f"\n## {name}\n")[1].split("\n## ")[0]
    options = importlib.import_module(f"sequences.{name}.steps").Options.model_fields
    assert re.findall(r"^\| `(\w+)` \|", section, re.MULTILINE) == list(options)
