"""The schemas that editors use, held against the loader: what one takes, the other takes."""

from __future__ import annotations

import json
import tomllib
from functools import cache
from pathlib import Path
from typing import Any, Literal

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import Field, ValidationError

from harness.files.files import KINDS, MODELS, Kind, starter
from harness.files.schema import schema
from harness.values import Divisions, Hertz, Level, Model, Ohms, Ratio, Seconds, Volts
from tests.helpers.thorough import examples

ROOT = Path(__file__).parents[1]


class Vertical(Model):
    """Every deflection factor."""

    signal: Literal["dc", "square"] = Field("dc", description="what is applied")
    volts_per_div: tuple[Volts, ...] | None = None
    levels: int = Field(1, ge=1, le=11)


class Bandwidth(Model):
    reference_frequency: Hertz = Field(50e3, description="where 0 dB is")
    up_to: Hertz


OPTIONS: dict[str, type[Model]] = {"vertical": Vertical, "bandwidth": Bandwidth}


def as_json(text: str) -> Any:
    """A TOML text as an editor hands it to a validator: dates are text."""
    return json.loads(json.dumps(tomllib.loads(text), default=lambda day: day.isoformat()))


@cache
def of_the_files(kind: Kind) -> jsonschema.Draft202012Validator:
    return validator(schema(kind))


def validator(made: dict[str, Any]) -> jsonschema.Draft202012Validator:
    jsonschema.Draft202012Validator.check_schema(made)
    return jsonschema.Draft202012Validator(made)


@pytest.mark.parametrize("kind", KINDS)
def test_the_schema_is_valid_and_takes_the_starter(kind: Kind) -> None:
    made = schema(kind)
    assert made["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    validator(made).validate(as_json(starter(kind)))
    validator(made).validate(made["examples"][0])
    assert starter(kind).startswith(f"#:schema ./{kind}.schema.json\n")


@pytest.mark.parametrize("path", sorted((ROOT / "demo").rglob("*.toml")), ids=lambda path: path.name)
def test_every_file_of_the_demo_is_taken(path: Path) -> None:
    from harness.files.files import kind_of

    data = as_json(path.read_text(encoding="utf-8"))
    if not any(set(data) <= set(model.model_fields) for model in MODELS.values()):
        pytest.skip("no file of the four kinds")
    of_the_files(kind_of(path)).validate(data)


@pytest.mark.parametrize(("kind", "old", "new"), [
    ("bench", 'settle = "50 ms"', "settle = 0.5"), ("bench", 'settle = "50 ms"', 'settle = "50 mV"'),
    ("bench", 'settle = "50 ms"', 'settel = "50 ms"'), ("bench", 'levels = "continuous"', 'levels = "any"'),
    ("bench", 'levels = "continuous"', 'levels = ["5 s"]'), ("bench", "divides_by = 10.0", 'divides_by = "10"'),
    ("bench", 'name = "Bench 2"', ""), ("bench", 'function = "dc"', 'function = "ac"'),
    ("unit", "channels = 2", "channels = 0"), ("unit", "channels = 2", 'channels = "2"'),
    ("unit", 'bandwidth = "100 MHz"', 'bandwidth = "100 mhz"'), ("unit", '"5 mV", ', '"5", '),
    ("unit", 'maximum = "300 V"', ""), ("unit", 'deflection = "3 %"', 'deflection = "3 dB"'),
    ("job", 'rule = "guarded"', 'rule = "lenient"'), ("job", 'serial = "Plover-0147"', 'serial = ""'),
    ("job", 'serial = "Plover-0147"', 'serial = "Plover-0147"\nanswers_as = ""'),
    ("job", 'use = "vertical"', 'usw = "vertical"'), ("job", '"23 °C"', '"23 F"'),
])  # fmt: skip
def test_what_the_loader_refuses_an_editor_marks(kind: Kind, old: str, new: str) -> None:
    text = starter(kind)
    assert old in text
    wrong = text.replace(old, new, 1)
    with pytest.raises(ValidationError):
        MODELS[kind].model_validate(tomllib.loads(wrong))
    assert not of_the_files(kind).is_valid(as_json(wrong))


@pytest.mark.parametrize(("sequence", "taken"), [
    ({"use": "vertical"}, True), ({"use": "vertical", "signal": "square", "volts_per_div": ["5 mV"]}, True),
    ({"use": "vertical", "signal": "sine"}, False), ({"use": "vertical", "levels": 12}, False),
    ({"use": "vertical", "up_to": "1 MHz"}, False), ({"use": "bandwidth", "up_to": "1 MHz"}, True),
    ({"use": "bandwidth"}, False), ({"use": "bandwidth", "up_to": "1 s"}, False), ({"use": "vertikal"}, False),
    ({"use": "mine.py", "anything": [1, 2]}, True), ({"use": "../mine.py"}, False), ({}, False),
])  # fmt: skip
def test_the_options_of_the_sequences_are_in_the_schema_of_a_job(sequence: dict[str, Any], taken: bool) -> None:
    made = schema("job", OPTIONS)
    job = {**as_json(starter("job")), "sequence": [sequence]}
    assert validator(made).is_valid(job) is taken
    choices = made["$defs"]["SequenceUse"]["anyOf"]
    assert [each["properties"]["use"].get("const") for each in choices] == ["vertical", "bandwidth", None]


def test_defaults_are_written_as_a_file_writes_them() -> None:
    made = schema("bench")["$defs"]
    assert made["Generator"]["properties"]["frequency_high"]["default"] == "1 GHz"
    assert made["Reference"]["properties"]["volts_per_div"]["default"][0] == "5 mV"
    assert made["Calibrator"]["properties"]["level_digits"]["default"] == 5
    assert "null" not in json.dumps(made)
    assert schema("job", OPTIONS)["$defs"]["SequenceUse"]["anyOf"][1]["properties"]["reference_frequency"][
        "default"
    ] == "50 kHz"  # fmt: skip


def every_schema(part: Any) -> list[dict[str, Any]]:
    nested = part.values() if isinstance(part, dict) else part if isinstance(part, list) else ()
    return [*([part] if isinstance(part, dict) else []), *(found for each in nested for found in every_schema(each))]


@pytest.mark.parametrize("kind", KINDS)
def test_every_default_is_taken_by_its_own_schema(kind: Kind) -> None:
    made = schema(kind, OPTIONS)
    made.pop("examples")
    parts = [part for part in every_schema(made) if "default" in part and "description" in part]
    for part in parts:
        whole = {"$defs": made["$defs"], **part}
        jsonschema.Draft202012Validator(whole).validate(part["default"])
    assert len(parts) >= {"bench": 50, "unit": 10, "job": 8, "queue": 5, "register": 3, "customers": 1}[kind]
    own = {"x-unit", "gt", "ge", "lt", "le"}
    assert not any(own & set(part) for part in every_schema(made))


@pytest.mark.parametrize("kind", KINDS)
def test_every_key_has_its_meaning_beside_it(kind: Kind) -> None:
    made = schema(kind)
    tables = [made, *made["$defs"].values()]
    assert [key for table in tables for key, value in table["properties"].items() if not value.get("description")] == []


class Everything(Model):
    hertz: Hertz | None = None
    seconds: Seconds | None = None
    level: Level | None = None
    ohms: Ohms | None = None
    ratio: Ratio | None = None
    divisions: Divisions | None = None
    many: tuple[Volts, ...] = ()


WRITTEN = st.one_of(
    st.sampled_from(["5 mV", "5", "20 MHz", "1 Vpp", "3 %", "2 div", "1 ohm", "50 Ω", "1 min", "x", "",
                     "5 ms ", "±1 V"]),
    st.booleans(), st.integers(-5, 5), st.floats(-5, 5),
    st.lists(st.sampled_from(["5 mV", "1 V", "5", "1 s"]), max_size=3),
)  # fmt: skip


@settings(max_examples=examples(600))
@given(st.dictionaries(st.sampled_from([*Everything.model_fields, "other"]), WRITTEN, max_size=4))
def test_schema_and_loader_agree_on_any_options(options: dict[str, Any]) -> None:
    made = schema("job", {"all": Everything})
    job = {**as_json(starter("job")), "sequence": [{"use": "all", **options}]}
    try:
        Everything.model_validate(options)
        taken = True
    except ValidationError:
        taken = False
    assert jsonschema.Draft202012Validator(made).is_valid(job) is taken
