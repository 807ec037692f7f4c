"""Whatever stands in a file: shown as it is, never obeyed, and never part of a path.

The text fields of the models are walked, so a new one is covered from the day it is added: either as free text, which
a whole run on the simulated bench carries through to every output, or as a reference (`REFERENCES`), refused in words.
"""

from __future__ import annotations

import collections.abc
import csv
import io
import json
import re
import shutil
import tomllib
import types
import typing
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from harness import runs as opening
from harness.files import files
from harness.report.html import html_page
from harness.report.results import to_json
from harness.report.tables import points_csv
from harness.words.clean import clean
from tests.helpers.demo_lab import DEMO, halfpower
from tests.helpers.html_reader import Page

KINDS = ("bench", "unit", "job")
KEY = "<key>"

VALUES = {
    "control characters": "A\x00B\x07\x1b[31m\x1b]0;title\x07\x9b2J\x7f\r\n\tC",
    "direction": "abc\u202egnp.exe\u2066x\u200f\u061c",
    "line separators": "a\u2028b\u2029c\x85d\x0b\x0c",
    "markup": "<script>alert(1)</script><img src=x onerror=alert(1)>&amp;[bold red]x[/]{{ 7*7 }}{% raw %}'\"`-->",
    "page": "]]></style></title><svg onload=alert(1)>#set page(fill: red)$x$@label<label>\\u{202e}",
    "path": "../../../tmp/owned\\..\\C:\\x|y?*:z",
    "reserved": "CON",
    "reserved with extension": "aux.txt ",
    "formula": '=HYPERLINK("http://192.0.2.1","x")',
    "dots": "..",
    "long": "ü" * 500,
}

QUICK = ("control characters", "markup")
"""Those that a whole run carries in the default group; the others in the soak group."""

# Fields that name something else: a file, a device, a command, a path, a time. What they may hold is checked at load.
REFERENCES = (
    r"job\.(unit|bench|position|interval|answers_as)", r"bench\.positions\.<key>", r"job\.sequence\.0\.use",
    r"bench\.simulation", r"bench\..*\.(driver|address|identity)", r"bench\..*\.commands\..*",
    r"bench\..*\.link\..*",
    r"bench\..*\.setup\.0",
    r"bench\.paths\..*\.routes\..*",
    r"bench\.(standards|report_number)",
    r"bench\.scope\..*",
    r"job\.(customers|language)",
)  # fmt: skip


# --- the fields --------------------------------------------------------------------------------------------------

Path_ = tuple[str | int, ...]


def text_fields(annotation: Any, path: Path_) -> Iterator[Path_]:
    """Every place of a model where free text may stand: keys and values of mappings, and first elements, among them."""
    origin = typing.get_origin(annotation)
    if origin is typing.Annotated:
        yield from text_fields(typing.get_args(annotation)[0], path)
    elif origin in (typing.Union, types.UnionType):
        for each in typing.get_args(annotation):
            yield from text_fields(each, path)
    elif origin is tuple:
        yield from text_fields(typing.get_args(annotation)[0], (*path, 0))
    elif origin is collections.abc.Mapping:
        yield (*path, KEY)
        held = typing.get_args(annotation)[1]
        yield from [(*path, "value")] if held is str else text_fields(held, (*path, "lead"))
    elif annotation is str:
        yield path
    elif isinstance(annotation, type) and issubclass(annotation, BaseModel):
        for name, field in annotation.model_fields.items():
            yield from text_fields(field.annotation, (*path, name))


FIELDS = tuple(path for kind in KINDS for path in text_fields(files.MODELS[kind], (kind,)))
NAMES = {path: ".".join(str(part) for part in path) for path in FIELDS}
BY_REFERENCE = tuple(path for path in FIELDS if any(re.fullmatch(each, NAMES[path]) for each in REFERENCES))
FREE = tuple(path for path in FIELDS if path not in BY_REFERENCE)


def put(data: dict[str, Any], path: Path_, value: str) -> None:
    """Set a field; a table that is not there is made."""
    at: Any = data
    for part, following in pairwise(path):
        if isinstance(part, int) and not at:
            at.append({})
        at = at[part] if isinstance(part, int) else at.setdefault(part, [] if isinstance(following, int) else {})
    if path[-1] == KEY:
        at[value] = {"label": value} if path[-2] == "paths" else value
    elif at == []:
        at.append(value)
    else:
        at[path[-1]] = value


def toml(data: dict[str, Any]) -> str:
    """The data as TOML: inline, with every character that a basic string cannot hold escaped."""
    return "".join(f"{_text(key)} = {_value(value)}\n" for key, value in data.items())


def _value(value: Any) -> str:
    match value:
        case dict():
            return "{" + ", ".join(f"{_text(key)} = {_value(each)}" for key, each in value.items()) + "}"
        case list():
            return "[" + ", ".join(_value(each) for each in value) + "]"
        case bool():
            return str(value).lower()
        case str():
            return _text(value)
        case _:
            return str(value)


def _text(text: str) -> str:
    return json.dumps(text)  # its escapes are TOML's too, for characters of the basic plane


@dataclass(frozen=True)
class Lab:
    """The demo's files, with a short job, and how to write a value into a field of them."""

    folder: Path
    data: dict[str, dict[str, Any]]

    def write(self) -> Path:
        for kind, name in (("bench", "bench.toml"), ("unit", "aldermoor_egret.toml"), ("job", "job.toml")):
            (self.folder / name).write_text(toml(self.data[kind]), "utf-8")
        return self.folder / "job.toml"

    def put(self, path: Path_, value: str) -> None:
        put(self.data[str(path[0])], path[1:], value)


@pytest.fixture
def lab(tmp_path: Path) -> Lab:
    folder = shutil.copytree(DEMO, tmp_path / "lab")
    data = {
        kind: tomllib.loads((folder / name).read_text("utf-8"))
        for kind, name in (("bench", "bench.toml"), ("unit", "aldermoor_egret.toml"), ("job", "digital.toml"))
    }
    data["job"]["answers_as"] = "Egret-3071"  # the serial number itself may then be anything
    data["bench"]["positions"] = {"lead": {"driver": "manual"}}
    data["bench"]["meter"] = {"driver": "manual"}
    first, *_, last = data["job"]["sequence"]
    data["job"]["sequence"] = [
        {**first, "channels": [1], "ranges": ["100 mV", "200 mV"]},
        {**last, "channels": [1], "scan": False},
    ]
    return Lab(folder, data)


# --- what may not be in an output --------------------------------------------------------------------------------


def assert_steers_nothing(text: str) -> None:
    """No character that a terminal or the direction of a text would obey."""
    for line in text.splitlines():
        assert clean(line) == line, ascii(line)


def names_in(page: Page) -> tuple[set[str], set[str]]:
    """The tags of a page, and the names of their attributes."""
    tags = {tag for tag, _, _ in page.elements}
    return tags, {name for _, attributes, _ in page.elements for name in attributes}


RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE)


def assert_plain_name(name: str) -> None:
    """A name that every system takes: no separator, nothing reserved (Windows), not too long (255 bytes anywhere)."""
    assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,80}", name), ascii(name)
    assert not RESERVED.fullmatch(name)
    assert name[-1] not in ". "


@pytest.fixture(scope="module")
def usual(digital: opening.RunResult) -> Page:
    """The page of the demo, whose tags and attributes are all that any page may have."""
    return Page(html_page(digital.report))


# --- the tests ---------------------------------------------------------------------------------------------------


def test_the_fields_are_found() -> None:
    names = set(NAMES.values())
    assert {"bench.name", "bench.paths.<key>", "bench.counter.maker", "unit.model", "job.environment.note"} <= names
    assert len(FREE) > 50
    assert len(BY_REFERENCE) > 20


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=() if name in QUICK else pytest.mark.soak) for name in VALUES]
)
def test_free_text_goes_through_a_whole_run(name: str, lab: Lab, tmp_path: Path, usual: Page) -> None:
    """The value stands in every free field at once, and comes out of every output as text."""
    value = VALUES[name]
    for path in FREE:
        lab.put(path, value)
    job, runs = lab.write(), tmp_path / "runs"
    told = [
        halfpower("check", job), halfpower("rehearse", job), halfpower("bench", lab.folder / "bench.toml"),
        halfpower("run", job, "--runs", runs),
    ]  # fmt: skip
    assert not [result.output for result in told if result.exit_code]
    (folder,) = runs.iterdir()
    told.append(halfpower("report", folder))
    for result in told:
        assert result.exit_code == 0, result.output
        assert_steers_nothing(result.stdout)
        assert_steers_nothing(result.stderr)
    assert_plain_name(folder.name)
    assert {each.name for each in folder.iterdir()} <= {"journal.jsonl", "report.html"}
    report = opening.report(folder)
    assert report.setup.job.serial == value  # kept as it is, shown as it may be

    page_text = (folder / "report.html").read_text("utf-8")
    page = Page(page_text)
    for got, known in zip(names_in(page), names_in(usual), strict=True):
        assert got <= known
    assert_steers_nothing(page_text)
    assert clean(value)[:40] in "".join(text for _, text in page.texts)

    table = points_csv(report)
    for row in csv.reader(io.StringIO(table, newline="")):
        for cell in row:
            assert_steers_nothing(cell)
            assert not cell.startswith(("=", "+", "@")), cell
            assert not cell.startswith("-") or re.fullmatch(r"-[0-9.e+-]+", cell), cell
    assert_steers_nothing(to_json(report))
    assert json.loads(to_json(report))
    assert_steers_nothing((folder / "journal.jsonl").read_text("utf-8"))


@pytest.mark.parametrize("every", [False, pytest.param(True, marks=pytest.mark.soak)], ids=["some", "every"])
@pytest.mark.parametrize("path", BY_REFERENCE, ids=NAMES.get)
def test_a_reference_is_refused_in_words(path: Path_, lab: Lab, every: bool) -> None:
    """Or taken, where it can do no harm; what is said of it steers nothing, and nothing but our own errors comes."""
    values = list(VALUES.values())
    for value in values if every else values[BY_REFERENCE.index(path) % 8 :: 8]:
        before = json.dumps(lab.data, default=str)
        lab.put(path, value)
        job = lab.write()
        for command in ("check", "rehearse"):
            result = halfpower(command, job)
            assert result.exit_code in (0, 3), result.output
            assert_steers_nothing(result.stdout + result.stderr)
            if every and result.exit_code:
                break  # what a check does not take is not rehearsed
        lab.data.update(json.loads(before))
