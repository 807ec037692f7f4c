"""A unit file from what a scope said of itself; what no instrument says stays a question in it.   [pure]"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Final

from harness.quantities import show
from harness.start.texts import toml
from harness.words.clean import clean

USUAL_DIV: Final = 8.0
_AS_USUAL: Final = ("read", "resolution", "scatter", "time_resolution")  # of whatever sends its records
_LINE: Final = re.compile(r"(\w+) = ")


def unit_from(
    starter: str,
    *,
    identity: str,
    channels: int,
    volts_per_div: Iterable[float],
    s_per_div: Iterable[float],
    height_div: float | None,
    input_ohm: float | None,
    options: str,
    limits_bandwidth: bool,
) -> str:
    """
    Write what was learned into the lines of a starter.

    Every other line stands behind a #, as a question: its figure is an example. The file is read without error once
    those that are required are answered.
    """
    maker, model, serial, *_ = (*(field.strip() for field in identity.split(",")), "", "", "")
    ranges, sweeps = [show(each, "V", 9) for each in volts_per_div], [show(each, "s", 9) for each in s_per_div]
    told: dict[str, str] = {
        "maker": _known(maker), "model": _known(model),
        "channels": f"{channels}                        # it answers for so many",
        "volts_per_div": _known(ranges), "s_per_div": _known(sweeps),
        "resistance": "" if input_ohm is None else f"{_known(show(input_ohm, 'Ω', 9))}                # as it says",
    }  # fmt: skip
    screen = (
        f"vertical_div = {toml(show(height_div or USUAL_DIV, 'div'))}              # {_why(height_div)}",
        'horizontal_div = "10 div"           # as usual',
    )
    head = [
        "#:schema ./unit.schema.json",
        f"# A model of oscilloscope, as one answered: {clean(identity)}",
        *([f"# Its options, as it names them: {clean(options)}"] if options else []),
        *([f"# Its serial number, for the job file: serial = {toml(serial)}"] if serial.strip("0") else []),
        "# A line behind a # is a question to its manual, and its figure an example: put in what the manual states and",
        "# take the # away, or leave the line as it is. 'halfpower check' says which of them are needed.",
        *([] if limits_bandwidth else ["# It answers for no bandwidth limiter."]),
    ]
    lines = starter.partition("\n\n")[2].splitlines()  # without its own head
    body = "\n".join(_answered(line, told) for line in lines)
    body = body.replace("\n\n[tolerance]", "\n".join(("", *screen, "", "[tolerance]")), 1)
    return "\n".join((*head, "", body, ""))


def _answered(line: str, told: Mapping[str, str]) -> str:
    key = _LINE.match(line)
    if key is None or key[1] in _AS_USUAL:
        return line
    answer = told.get(key[1], "")
    return f"{key[1]} = {answer}" if answer else f"# {line}"


def _known(value: str | list[str]) -> str:
    return toml(value) if value else ""


def _why(height_div: float | None) -> str:
    return "as usual" if height_div is None else "its ranges are steps of 1, 2 and 5 so"
