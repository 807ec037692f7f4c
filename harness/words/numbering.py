"""Numbers of reports by a laboratory's scheme, such as "BW-{year}-{count:04}".   [pure]

A number is the name of its run's folder too, so that a file system gives each away once.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from string import Formatter
from typing import Final

USUAL: Final = "{date}-{serial}-{count:02}"
FIELDS: Final = ("year", "month", "date", "serial", "bench", "count")
_LONGEST: Final = 60
_BETWEEN: Final = re.compile(r"[A-Za-z0-9._-]*")
_DIGITS: Final = re.compile(r"(?:0[1-9])?")


def checked(scheme: str) -> str:
    """The scheme, if every number that it makes is a name of a folder and counts; else a ValueError says why not."""
    try:
        pieces = list(Formatter().parse(scheme))
    except ValueError as error:
        raise ValueError(f"{scheme!r} is no scheme of numbers: {error}") from None
    names = [name for _, name, _, _ in pieces if name is not None]
    strange = [name for name in names if name not in FIELDS]
    if strange:
        raise ValueError(f"{{{strange[0]}}} is no part of a number; there are {', '.join(f'{{{f}}}' for f in FIELDS)}")
    if names.count("count") != 1:
        raise ValueError("a scheme of numbers has {count} once, or {count:04} for four digits: else numbers repeat")
    for text, name, digits, conversion in pieces:
        if not _BETWEEN.fullmatch(text):
            raise ValueError(f"{text!r} cannot stand in a number: it names a folder; take letters, digits, '.-_'")
        if conversion or not _DIGITS.fullmatch(digits or "") or (digits and name != "count"):
            raise ValueError(f"{{{name}}} takes no form of its own; only {{count:04}} says how many digits it has")
    if len(scheme) > _LONGEST or scheme[:1] in ".-":
        raise ValueError(f"a scheme of numbers has {_LONGEST} characters at most, and begins with a letter or digit")
    return scheme


def numbers(scheme: str, values: Mapping[str, str], taken: Iterable[str]) -> Iterable[str]:
    """The next numbers, one after another: above every one that was given with these values, whatever is gone."""
    pattern = "".join(
        re.escape(text) + ("" if name is None else r"(\d+)" if name == "count" else re.escape(values[name]))
        for text, name, _, _ in Formatter().parse(scheme)
    )
    counted = (re.fullmatch(pattern, number) for number in taken)
    last = max((int(found[1]) for found in counted if found), default=0)
    return (scheme.format(**values, count=count) for count in range(last + 1, last + 1000))
