"""What the documentation says about drivers is so."""

from __future__ import annotations

import re
from pathlib import Path

from drivers.commands import TABLES, check_overrides
from drivers.loading import load_class
from harness.link.link import Link
from harness.link.port import MemoryPort
from harness.models import Calibrator
from harness.steps import Dc, NoSignal
from tests.helpers.link_double import Double, WaitingClock

TEXT = (Path(__file__).parent.parent / "docs" / "writing_a_driver.md").read_text(encoding="utf-8")


def test_every_command_is_documented_as_it_is():
    for tables in TABLES.values():
        for table in tables:
            for name, command in table.items():
                template = f"`{command.template}`" if command.template else "none"
                assert f"| `{name}` | {template} | {', '.join(command.fields)} | {command.use} |" in TEXT


def test_the_example_overrides_are_right():
    import tomllib

    example = tomllib.loads(re.search(r"```toml\n(.*?)```", TEXT, re.DOTALL).group(1))
    for role, section in example.items():
        assert check_overrides(role, section["commands"]) == []


def test_the_example_driver_works(tmp_path):
    (tmp_path / "ours.py").write_text(re.search(r"```python\n(.*?)```", TEXT, re.DOTALL).group(1), encoding="utf-8")
    heard: list[str] = []
    double = Double(
        {
            "RANGE": lambda value: heard.append(f"range {value}"),
            "PCT": lambda value: heard.append(f"set {value}"),
            "OPER": lambda: heard.append("on"),
            "STBY": lambda: heard.append("off"),
        }
    )
    link = Link(MemoryPort(double.handle), "calibrator", clock=WaitingClock())
    link.connect()
    driver = load_class("ours.py:OurCalibrator", "calibrator", tmp_path)(link, Calibrator())
    driver.apply(Dc(level_v=0.5))
    driver.apply(NoSignal())
    driver.check()
    assert heard == ["off", "range 1", "set 0.500000", "on", "off"]
