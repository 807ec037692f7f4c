"""The shipped fakes, and the examples of the page that shows them."""

from __future__ import annotations

import re
from importlib import import_module
from pathlib import Path

import pytest

from drivers import Screen, Source
from harness.fakes import FakeDriver, FakePerson
from harness.person.operator import Operator, Prompt

PAGE = (Path(__file__).parent.parent / "docs" / "python.md").read_text("utf-8")


def test_the_page_names_what_there_is() -> None:
    for module, names in re.findall(r"^\| `([a-z_.]+)` \| (.*) \|$", PAGE, re.MULTILINE):
        for name in re.findall(r"`([A-Za-z_]+)(?:\(.*?\))?`", names):
            assert hasattr(import_module(module), name), f"{module}.{name}"


def test_a_person_answers_from_a_list_and_then_alike() -> None:
    person: Operator = FakePerson(["4.9"], then="skip")
    prompt = Prompt(kind="read", title="how many divisions?")
    assert [person.ask(prompt) for _ in range(3)] == ["4.9", "skip", "skip"]
    with pytest.raises(IndexError):
        FakePerson(then=None).ask(prompt)


def test_a_driver_fails_as_it_is_told_once_for_each() -> None:
    driver = FakeDriver("unit", failing=[ValueError("no")])
    source: Source = driver
    screen: Screen = driver
    assert screen is source
    with pytest.raises(ValueError, match="no"):
        driver.off()
    driver.off()
    assert driver.said == [("unit", "off")]
