"""Reading the simulated bench's own TOML: values with units, and errors that name file and key."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from harness.errors import ConfigError
from harness.files.toml_text import read_sound
from harness.values import Model

S = TypeVar("S", bound=Model)


def read_toml(path: Path) -> dict[str, Any]:
    """The file's tables; raises ConfigError where it cannot be read."""
    return read_sound(path).data


def check(model: type[S], data: Mapping[str, Any], where: str) -> S:
    """Validate; every problem found is one `where: key: …` line of the ConfigError."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise ConfigError(*(_problem(where, item) for item in error.errors())) from None


def _problem(where: str, item: Mapping[str, Any]) -> str:
    key = ".".join(str(part) for part in item["loc"]) or "(whole file)"
    match item["type"]:
        case "extra_forbidden":
            what = "unknown key"
        case "missing":
            what = "missing; this key is needed"
        case "value_error":
            what = str(item["ctx"]["error"])
        case _:
            what = f"{str(item['msg'])[0].lower()}{str(item['msg'])[1:]}; got {str(item.get('input'))[:60]!r}"
    return f"{where}: {key}: {what}"
