"""Values of a file as the types of a model's keys: text with its unit there, an SI float here.

A model with such keys is what a file's table is read by: those of `harness.models`, the options and ratings of a
measurement, and those of a user's own.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, TypeAlias

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    Strict,
    ValidationInfo,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import core_schema

from harness import quantities

if TYPE_CHECKING:
    from harness.models import Unit


@dataclass(frozen=True)
class Unit_:  # noqa: N801 - `Unit` is the unit under test
    """Marks a float that a file writes with this unit; any of several, where a level may be V or Vpp."""

    units: tuple[str, ...]

    def read(self, value: object, info: ValidationInfo) -> float:
        """Take text with its unit from a file, or a bare SI number from a journal's header."""
        if (info.context or {}).get("si") and isinstance(value, int | float) and not isinstance(value, bool):
            return float(value)
        problem: ValueError | None = None
        for unit in self.units:
            try:
                number = quantities.parse(value, unit)  # type: ignore[arg-type]  # it refuses other types itself
            except ValueError as error:
                problem = problem or error
                continue
            if wrong := quantities.unphysical(number, unit):
                raise ValueError(f"{value!r} {wrong}; expected {quantities.example(unit)}")
            return number
        raise problem or ValueError("no unit")

    def __get_pydantic_core_schema__(self, source: object, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        """Validate by `read`, then as the float that it has become, with its bounds."""
        return core_schema.with_info_before_validator_function(self.read, handler(source))

    def __get_pydantic_json_schema__(self, _schema: object, _handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        """Let editors check the unit by its pattern; "x-unit" is for `files.schema`, which takes it out again."""
        texts = [
            {
                "type": "string",
                "pattern": quantities.pattern(unit),
                "maxLength": 64,
                "description": quantities.example(unit),
                "examples": re.findall(r"'([^']*)'", quantities.example(unit)),
            }
            for unit in self.units
        ]
        bare = [
            {"type": "number", "minimum": -quantities.largest(unit), "maximum": quantities.largest(unit)}
            for unit in self.units
            if unit in ("ratio", "div")
        ]
        if bare:
            return {"anyOf": [*texts, *bare], "x-unit": self.units[0]}
        return {**texts[0], "x-unit": self.units[0]} if len(texts) == 1 else {"anyOf": texts, "x-unit": self.units[0]}


Hertz: TypeAlias = Annotated[float, Unit_(("Hz",))]
Volts: TypeAlias = Annotated[float, Unit_(("V",))]
VoltsPp: TypeAlias = Annotated[float, Unit_(("Vpp",))]
VoltsRms: TypeAlias = Annotated[float, Unit_(("Vrms",))]
Level: TypeAlias = Annotated[float, Unit_(("V", "Vpp"))]
Seconds: TypeAlias = Annotated[float, Unit_(("s",))]
Ohms: TypeAlias = Annotated[float, Unit_(("Ω",))]
Farads: TypeAlias = Annotated[float, Unit_(("F",))]
Watts: TypeAlias = Annotated[float, Unit_(("W",))]
Decibels: TypeAlias = Annotated[float, Unit_(("dB",))]
ToCarrier: TypeAlias = Annotated[float, Unit_(("dBc",))]
Divisions: TypeAlias = Annotated[float, Unit_(("div",))]
Degrees: TypeAlias = Annotated[float, Unit_(("°",))]
Celsius: TypeAlias = Annotated[float, Unit_(("°C",))]
Ratio: TypeAlias = Annotated[float, Unit_(("ratio",))]

Whole: TypeAlias = Annotated[int, Strict()]
"""A whole number: neither "2" nor true."""
Factor: TypeAlias = Annotated[float, Strict()]
"""A plain number."""
Flag: TypeAlias = Annotated[bool, Strict()]
"""true or false, not "yes"."""


def _day(value: object) -> object:
    if isinstance(value, dt.datetime) or not isinstance(value, dt.date | str):
        raise ValueError("not a date; expected one such as 2027-04-30")
    return value


Day: TypeAlias = Annotated[dt.date, BeforeValidator(_day)]
"""A date, bare or as text; a number would be taken for seconds since 1970."""


class Model(BaseModel):
    """Frozen, and strict about unknown keys: a misspelt key must not be a silent default."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, str_max_length=2000)


class Ratings(Model):
    """The keys that a measurement has under [tolerance] in the unit file; derive `Rated` from it."""

    def doubts(self, _unit: Unit) -> Iterator[tuple[tuple[str, ...], str]]:
        """What a person should look at once in the unit file: where a key stands, and the sentence."""
        return iter(())
