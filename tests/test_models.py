"""The three files in memory: strict from a file, equal again from a journal's header."""

from __future__ import annotations

import datetime as dt
import json
import tomllib
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

from harness import models
from harness.files.files import starter
from harness.measurement import rated_models
from harness.models import Accuracy, Bench, Calibrator, Job, Setup, SignalPath, Unit
from harness.steps import ROLES

CLASSES = [each for each in vars(models).values() if isinstance(each, type) and issubclass(each, BaseModel)]


def setup() -> Setup:
    def read(kind: Any) -> dict[str, Any]:
        return tomllib.loads(starter(kind))

    return Setup(
        bench=Bench.model_validate(read("bench")),
        unit=Unit.model_validate(read("unit")),
        job=Job.model_validate(read("job")),
    )


def test_a_setup_comes_back_equal_from_a_header_through_json() -> None:
    before = setup()
    header = json.loads(json.dumps(before.to_header(), allow_nan=False))
    assert Setup.from_header(header) == before
    assert Setup.from_header(header).to_header() == header


@given(st.floats(1e-12, 1e5), st.floats(1e-6, 1.0), st.dates())
def test_any_value_survives_the_header_to_the_last_bit(value: float, ratio: float, day: dt.date) -> None:
    before = setup()
    unit = before.unit.model_copy(update={"volts_per_div": (value,), "bandwidth": value})
    calibrator = Calibrator(
        due=day,
        accuracy=(Accuracy(function="dc", of_value=ratio),),
        levels=(f"{value!r} V",),
    )
    bench = before.bench.model_copy(update={"calibrator": calibrator})
    changed = Setup(bench=bench, unit=unit, job=before.job)
    assert Setup.from_header(json.loads(json.dumps(changed.to_header()))) == changed


def test_a_bare_number_is_taken_from_a_header_only() -> None:
    number: dict[str, Any] = {"maximum": 300.0}
    with pytest.raises(ValidationError, match="has no unit"):
        models.UnitInput.model_validate(number)
    assert models.UnitInput.model_validate(number, context={"si": True}).maximum == 300.0


@pytest.mark.parametrize(("model", "values"), [
    (SignalPath, {"divides_by": "10"}), (SignalPath, {"divides_by": True}), (SignalPath, {"divides_by": 0}),
    (SignalPath, {"divides_by": float("nan")}), (SignalPath, {"label": 5}), (SignalPath, {"lable": ""}),
    (SignalPath, {"termination": "0 ohm"}), (SignalPath, {"tolerance": "-1 %"}),
    (Calibrator, {"level_digits": "5"}), (Calibrator, {"level_digits": True}), (Calibrator, {"level_digits": 5.5}),
    (Calibrator, {"tag_queries": "yes"}), (Calibrator, {"tag_queries": 1}), (Calibrator, {"due": 20270302}),
    (Calibrator, {"due": dt.datetime(2027, 3, 2)}), (Calibrator, {"due": "tomorrow"}),
    (Calibrator, {"settle": "601 s"}), (Calibrator, {"settle": "-1 s"}), (Calibrator, {"timeout": "0 s"}),
    (Calibrator, {"levels": "often"}), (Calibrator, {"functions": ["dc", "ac"]}),
    (Calibrator, {"label": "x"}), (Calibrator, {"maker": "x" * 2001}),
])  # fmt: skip
def test_refused(model: type[BaseModel], values: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        model.model_validate(values)


@pytest.mark.parametrize("values", [{"due": dt.date(2027, 3, 2)}, {"due": "2027-03-02"}])
def test_a_date_may_be_bare_or_text(values: dict[str, Any]) -> None:
    assert Calibrator.model_validate(values).due == dt.date(2027, 3, 2)


def test_models_are_frozen() -> None:
    with pytest.raises(ValidationError):
        setup().bench.name = "other"  # type: ignore[misc]


def test_instruments_come_in_the_order_of_roles() -> None:
    assert [role for role, _ in setup().bench.instruments()] == [
        role for role in ROLES if role not in ("switch", "meter")
    ]


@pytest.mark.parametrize(("level", "frequency_hz", "covered"), [
    (0.1, None, True), (0.05, None, False), (0.2, None, True), (0.2000001, None, False), (0.1, 1e3, True),
    (0.1, 2e6, False), (None, 1e6, True), (None, None, True),
])  # fmt: skip
def test_an_accuracy_line_covers_its_range_ends_included(
    level: float | None, frequency_hz: float | None, covered: bool
) -> None:
    line = Accuracy.model_validate(
        {"function": "dc", "level_from": "100 mV", "level_to": "200 mV", "frequency_to": "1 MHz", "of_value": "1 %"}
    )
    assert line.covers(level=level, frequency_hz=frequency_hz) is covered


@pytest.mark.parametrize("model", CLASSES, ids=lambda model: model.__name__)
def test_every_key_says_what_it_means(model: type[BaseModel]) -> None:
    assert [name for name, field in model.model_fields.items() if not field.description] == []


def test_no_two_measurements_rate_by_one_key() -> None:
    keys = [key for rated in rated_models() for key in rated.model_fields]
    assert sorted(keys) == sorted(models.Tolerances.model_fields)


def test_labels_name_what_is_known() -> None:
    assert Calibrator(maker="Northfen", model="Naze", serial="7").label == "Northfen Naze no. 7"
    assert Calibrator(address="GPIB0::5::INSTR").label == "GPIB0::5::INSTR"
    assert Calibrator().label == "?"


def test_rules_are_those_of_the_analysis() -> None:
    from harness.analysis import verdict

    assert set(get_args(models.Rule)) == set(get_args(verdict.Rule))


def test_a_journal_is_read_back_whatever_its_files_said() -> None:
    header = setup().to_header()
    header["unit"]["input"]["maximum"] = 3e8  # a file with "300 MV" is refused today
    header["unit"]["input"]["resistance"] = 50.0  # without a rating, as files could be
    assert Setup.from_header(header).unit.input.maximum == 3e8
