"""What a unit file must say beyond the form of its values."""

from __future__ import annotations

from collections.abc import Iterable

from pydantic import BaseModel, ValidationError

from harness import quantities
from harness.files.checks import Findings, among, factors, settled_within
from harness.files.path_checks import heated
from harness.files.toml_text import Text
from harness.files.words import nearest, shown, units_of, validation_problems
from harness.models import Unit, table_of


def check_unit(text: Text, unit: Unit) -> Findings:
    """Check a unit file by itself."""
    notes = Findings(text)
    factors(notes, ("volts_per_div",), unit.volts_per_div)
    factors(notes, ("s_per_div",), unit.s_per_div)
    for key in ("maker", "model"):
        if not getattr(unit, key).strip():
            notes.error((key,), "is empty; expected the name that stands on the front panel")
    for key in ("vertical_div", "horizontal_div"):
        if not 2 <= getattr(unit, key) <= 100:
            notes.error((key,), f"{getattr(unit, key):g} divisions are no graticule; expected 8 or 10, or near it")
    tried = unit.bandwidth_volts_per_div
    if tried is not None and not among(tried, unit.volts_per_div):
        notes.error(("bandwidth_volts_per_div",), f"{quantities.show(tried, 'V')} is not one of volts_per_div")
    for key in type(unit.tolerance).model_fields:
        value = getattr(unit.tolerance, key) or 0.0
        if units_of(type(unit.tolerance).model_fields[key]) == ("ratio",) and value > 0.5:
            notes.error(("tolerance", key), f"{value * 100:g} % is no tolerance; expected such as '3 %'")
    for path, sentence in unit.tolerance.doubts(unit):
        notes.warn(path, sentence)
    for key in ("resistance", "capacitance"):
        if getattr(unit.input, key) <= 0:
            notes.error(("input", key), "must be above zero")
    heated(notes, ("input", "maximum_rms"), unit.input.resistance, unit.input.maximum_rms)
    _full_screen(notes, unit)
    settled_within(notes, (), unit)
    return notes


def with_own_ratings(notes: Findings, unit: Unit, rated: Iterable[type[BaseModel]]) -> Unit:
    """The unit with the tables that a user's own measurements have in its file, each read by its `Rated`."""
    given, read = unit.tolerance.model_extra or {}, {}
    for keys in rated:
        name = table_of(keys)
        try:
            read[name] = keys.model_validate(given.get(name, {})).model_dump(mode="json", exclude_none=True)
        except ValidationError as error:
            notes.errors += validation_problems(notes.text, keys, error, base=("tolerance", name))
        if name not in given and (other := nearest(name, given)):
            notes.warn(("tolerance", other), f"is of no measurement of this job; did you mean {shown(name)}?")
    return unit.model_copy(update={"tolerance": unit.tolerance.model_copy(update=read)})


def _full_screen(notes: Findings, unit: Unit) -> None:
    largest = max(unit.volts_per_div) * unit.vertical_div
    if largest > unit.input.maximum:
        notes.warn(
            ("input", "maximum"),
            f"is below a full screen of the largest range ({quantities.show(largest, 'V')}): "
            f"without a divider it is tried with at most {unit.input.maximum / max(unit.volts_per_div):.2g} div",
        )
