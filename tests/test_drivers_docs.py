"""What the documentation says about drivers is so."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from drivers.commands import SCOPE, TABLES, Command, Table, check_overrides
from drivers.loading import load_class
from harness.link.link import Link
from harness.link.port import MemoryPort
from harness.models import Calibrator
from harness.steps import Dc, NoSignal
from tests.helpers.link_double import Double, WaitingClock

TEXT = (Path(__file__).parent.parent / "docs" / "writing_a_driver.md").read_text(encoding="utf-8")


def fields_of(command: Command) -> str:
    """As the page has them: by a name where many commands have the same."""
    named = {SCOPE["range"].fields: "of a view", SCOPE["trigger_source"].fields: "of a trigger"}
    return named.get(command.fields, ", ".join(command.fields))


def rows(table: Table) -> Iterator[str]:
    """A row a command, with the question that belongs to it; a question of its own where it belongs to none."""
    for name, command in table.items():
        if name.endswith("_is") and name.removesuffix("_is") in table:
            continue
        back = table.get(f"{name}_is")
        said = "; asked by ".join(f"`{each.template}`" for each in (command, back) if each and each.template)
        yield f"| `{name}` | {command.use} | {said or 'none'} | {fields_of(command)} |"


def test_every_command_is_documented_as_it_is() -> None:
    for tables in TABLES.values():
        for table in tables:
            assert "\n".join(rows(table)) in TEXT
            assert all(table[f"{n}_is"].fields == each.fields for n, each in table.items() if f"{n}_is" in table)
    for name in ("range", "trigger_source"):
        assert f"- {fields_of(SCOPE[name])}: {', '.join(SCOPE[name].fields)}\n" in TEXT


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
