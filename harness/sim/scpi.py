"""The grammar of program messages, as a device hears it: bytes in, headers and parameters out.   [pure]

After IEEE 488.2-1992 clause 7 (program message elements) and SCPI-1999 volume 1, chapters 6 and 7.
Anything that breaks the grammar raises `ScpiError` with the number and text of SCPI-1999 volume 2, chapter 21.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal, TypeAlias

TEXTS: Final = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -144: "Character data too long",
    -148: "Character data not allowed",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -161: "Invalid block data",
    -168: "Block data not allowed",
    -171: "Invalid expression",
    -178: "Expression data not allowed",
    -200: "Execution error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -240: "Hardware error",
    -241: "Hardware missing",
    -310: "System error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
}  # fmt: skip

Kind: TypeAlias = Literal["number", "word", "string", "block", "expression"]


class ScpiError(Exception):
    """An entry for the error queue; never leaves the device."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(f'{code},"{TEXTS[code]}"')


@dataclass(frozen=True, slots=True)
class Parameter:
    """One program data element: a number with its suffix, a word, a string, a block, an expression."""

    kind: Kind
    text: str = ""
    value: float = 0.0
    suffix: str = ""


@dataclass(frozen=True, slots=True)
class MessageUnit:
    """One program message unit: its full header from the root, and its parameters."""

    header: str
    parameters: tuple[Parameter, ...]


@dataclass(frozen=True, slots=True)
class Spelling:
    """A header in the standard's notation, `[SOURce]:FREQuency[:CW]` or `SENSe#:SWEep:TIME?`, compiled."""

    notation: str
    pattern: re.Pattern[str]

    def match(self, header: str) -> tuple[int, ...] | None:
        """The numeric suffixes when this header is a spelling of it (1 where omitted), else None."""
        match = self.pattern.fullmatch(header)
        return None if match is None else tuple(int(digits) if digits else 1 for digits in match.groups())


_NODE: Final = re.compile(r"(\[)?:?([A-Za-z]+)(#?)\]?:?")
_NOTATION: Final = re.compile(r"(\[:?[A-Z]+[a-z]*#?:?\]|:?[A-Z]+[a-z]*#?)+\??")


def spelling(notation: str) -> Spelling:
    """Compile a header; raises ValueError for what is not in the standard's notation."""
    if re.fullmatch(r"\*[A-Z]{2,}\??", notation):
        return Spelling(notation, re.compile(re.escape(notation)))
    if not _NOTATION.fullmatch(notation):
        raise ValueError(f"{notation!r} is not a header such as '[SOURce]:FREQuency[:CW]' or 'OUTPut[:STATe]'")
    pattern = ""
    for bracket, name, number in _NODE.findall(notation.rstrip("?")):
        short = "".join(letter for letter in name if letter.isupper())
        digits = r"(\d{1,4})?" if number else ""
        node = f"(?::(?:{name.upper()}|{short}){digits})"
        pattern += node + ("?" if bracket else "")
    return Spelling(notation, re.compile(pattern + (r"\?" if notation.endswith("?") else "")))


def word_matches(notation: str, word: str) -> bool:
    """Whether a word is the short or the long form of `SINusoid`, and nothing between."""
    upper = word.upper()
    return upper == notation.upper() or upper == "".join(c for c in notation if not c.islower())


_HEADER: Final = re.compile(r"\*[A-Za-z]+\??|:?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*\??")
_NUMBER: Final = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+))(?:[ \t]*[eE][ \t]*([+-]?\d+))?")
_SUFFIX: Final = re.compile(r"[A-Za-z%][A-Za-z0-9./-]{0,11}")
_WORD: Final = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_DIGITS: Final = frozenset("123456789")
_BASES: Final = {"H": (16, "0123456789ABCDEF"), "Q": (8, "01234567"), "B": (2, "01")}
_ENCLOSES: Final = re.compile(r"[\"'(#]")
_SPACE: Final = "".join(chr(code) for code in range(33) if code != 10)  # IEEE 488.2, 7.4.1.2


def parse(line: bytes) -> list[MessageUnit | ScpiError]:
    """Split a program message into units; a faulty unit becomes its error, and the rest follows it."""
    text = line.decode("latin-1")
    units: list[MessageUnit | ScpiError] = []
    path = ""
    for raw in _split(text, ";"):
        if not (stripped := raw.strip(_SPACE)):
            continue
        try:
            unit, path = _unit(stripped, path)
        except ScpiError as error:
            units.append(error)
        else:
            units.append(unit)
    return units


@lru_cache(maxsize=4096)  # a message with its counted number is new each time, its units are not
def _unit(text: str, path: str) -> tuple[MessageUnit, str]:
    match = _HEADER.match(text)
    if match is None:
        raise ScpiError(-101 if not text.isascii() or text[0] in "$&@^~`" else -102)
    header, rest = match.group().upper(), text[match.end() :]
    if rest and rest[0] not in _SPACE:
        raise ScpiError(-101 if not rest[0].isascii() or rest[0] in "$&@^~`" else -113 if rest[0] == ":" else -102)
    if any(len(node) > 12 for node in header.strip("*?").split(":")):
        raise ScpiError(-112)
    if not header.startswith("*"):
        header = header if header.startswith(":") else f"{path}:{header}"
        path = header[: header.rfind(":")]
    rest = rest.strip(_SPACE)
    parameters = tuple(_parameter(part.strip(_SPACE)) for part in _split(rest, ",")) if rest else ()
    return MessageUnit(header, parameters), path


def _split(text: str, separator: str) -> list[str]:
    """Split outside strings, expressions and definite blocks."""
    if not _ENCLOSES.search(text):
        return text.split(separator)
    parts: list[str] = []
    start = at = 0
    while at < len(text):
        mark = text[at]
        if mark == separator:
            parts.append(text[start:at])
            start = at + 1
        at = _skip(text, at) if mark in "\"'(#" else at + 1
    parts.append(text[start:])
    return parts


def _skip(text: str, at: int) -> int:
    """Where the string, expression or block that opens here ends; an unclosed one takes the rest."""
    mark = text[at]
    if mark == "#":
        digits = text[at + 1 : at + 2]
        if digits in _DIGITS:
            count = text[at + 2 : at + 2 + int(digits)]
            if count.isascii() and count.isdigit():
                return at + 2 + int(digits) + int(count)
        return len(text) if digits == "0" else at + 1
    close = text.find(")" if mark == "(" else mark, at + 1)
    return len(text) if close < 0 else close + 1


def _parameter(text: str) -> Parameter:
    if not text:
        raise ScpiError(-102)
    first = text[0]
    if first in "\"'":
        return _string(text)
    if first == "(":
        if not text.endswith(")"):
            raise ScpiError(-171)
        return Parameter("expression", text[1:-1])
    if first == "#":
        return _hash(text)
    if first.isascii() and (first.isdigit() or first in "+-."):
        return _number(text)
    if not _WORD.fullmatch(text):
        raise ScpiError(-101 if not text.isascii() else -103 if " " in text else -141)
    if len(text) > 12:
        raise ScpiError(-144)
    return Parameter("word", text)


def _string(text: str) -> Parameter:
    mark = text[0]
    inside = text[1:-1].replace(mark * 2, "")
    if len(text) < 2 or text[-1] != mark or mark in inside:
        raise ScpiError(-151)
    return Parameter("string", text[1:-1].replace(mark * 2, mark))


def _hash(text: str) -> Parameter:
    base = _BASES.get(text[1:2].upper())
    if base is not None:
        radix, digits = base
        if not text[2:] or any(digit not in digits for digit in text[2:].upper()):
            raise ScpiError(-121)
        if len(text) > 64:
            raise ScpiError(-124)
        return Parameter("number", value=float(int(text[2:], radix)))
    if text[1:2] == "0":
        return Parameter("block", text[2:])
    if text[1:2] in _DIGITS and _skip(text, 0) == len(text):
        return Parameter("block", text[2 + int(text[1]) :])
    raise ScpiError(-161)


def _number(text: str) -> Parameter:
    match = _NUMBER.match(text)
    if match is None:
        raise ScpiError(-121)
    mantissa, exponent = match.groups()
    if len(mantissa) > 255:
        raise ScpiError(-124)
    if exponent and (len(exponent) > 6 or abs(int(exponent)) > 32000):
        raise ScpiError(-123)  # IEEE 488.2, 7.7.2.4.1
    rest = text[match.end() :]
    suffix = rest.strip(_SPACE)
    if suffix and not _SUFFIX.fullmatch(suffix):
        raise ScpiError(_suffix_fault(rest, suffix))
    return Parameter("number", value=float(f"{mantissa}e{exponent or 0}"), suffix=suffix.upper())


def _suffix_fault(rest: str, suffix: str) -> int:
    if suffix[0] in "+-.0123456789":  # another number: a comma is missing, or the digits are broken
        return -103 if rest[0] in _SPACE else -121
    return -131


_MULTIPLIERS: Final = {
    "EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3, "": 1.0,
    "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
}  # fmt: skip
_MEGA: Final = {"MHZ": 1e6, "MOHM": 1e6}  # the two exceptions of IEEE 488.2, table 7-2: MHZ and MOHM are 10⁶


def scale(suffix: str, unit: str) -> float:
    """What a suffix multiplies by, for a parameter in this unit ("V", "HZ", "S", "OHM"; "" takes none)."""
    if not suffix:
        return 1.0
    if not unit:
        raise ScpiError(-138)
    if suffix in _MEGA and suffix.endswith(unit):
        return _MEGA[suffix]
    if not suffix.endswith(unit) or suffix[: -len(unit)] not in _MULTIPLIERS:
        raise ScpiError(-131)
    return _MULTIPLIERS[suffix[: -len(unit)]]


_LIST_ITEM: Final = re.compile(r"(\d{1,6})(?::(\d{1,6}))?")


def channel_list(expression: str) -> tuple[int, ...]:
    """The channels of `@101,103:105`; SCPI-1999 volume 1, 8.3.2."""
    compact = expression.replace(" ", "")
    if not compact.startswith("@"):
        raise ScpiError(-171)
    channels: list[int] = []
    for item in compact[1:].split(",") if compact[1:] else ():
        match = _LIST_ITEM.fullmatch(item)
        if match is None:
            raise ScpiError(-171)
        first, last = int(match.group(1)), int(match.group(2) or match.group(1))
        if abs(last - first) > 1000:
            raise ScpiError(-223)
        channels.extend(range(first, last + 1) if last >= first else range(first, last - 1, -1))
    return tuple(channels)


def show_channels(channels: tuple[int, ...]) -> str:
    """The inverse of `channel_list`, without ranges."""
    return "(@" + ",".join(str(channel) for channel in channels) + ")"


def block(data: bytes) -> bytes:
    """A definite length block; IEEE 488.2, 8.7.9."""
    length = b"%d" % len(data)
    return b"#%d%s%s" % (len(length), length, data)
