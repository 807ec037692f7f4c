"""How an instrument is spoken to: after IEEE 488.2, unless its table `link` in the bench file says otherwise.   [pure]

Here too: what a reply that is none tells of an instrument, and the key that lets it be understood.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from harness.link.replies import pattern, untagged

ENDS: Final = {"LF": b"\n", "CR": b"\r", "CR LF": b"\r\n"}
_UNITS: Final = re.compile(r"""(?:"[^"]*"|'[^']*'|[^;"'])+""")
_HEADER: Final = re.compile(r'("[^"]*")|(^|;)\s*:?[*A-Za-z][A-Za-z0-9:_]*\??[ \t]+')
_SUFFIX: Final = re.compile(r"(?<=[\d.])\s*([A-Za-z%Ωµ][A-Za-z%Ω]*)(?=\s*(?:[;,]|$))")


def key(text: str) -> str:
    """Say which key of the bench file helps."""
    return f"write '{text}' into its table 'link' in the bench file"


ONE_ONLY: Final = f"it takes one command in a message; {key('compounds = false')}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """One instrument's; `LinkProfile` in models.py has the same keys, and says what each means."""

    ends_with: str = "LF"
    answers_end_with: str = "LF"
    compounds: bool = True
    acknowledges: str = ""
    refuses: str = ""
    identify: str = "*IDN?"
    done: str = "*OPC?"
    status: str = "*ESR?"
    echo: str = "*ESE"
    headers: bool = False
    units: tuple[str, ...] = ()
    between_s: float = 0.0
    patience_s: float = 0.0

    @classmethod
    def of(cls, keys: Mapping[str, Any] | None) -> Dialect:
        """Take the keys of a bench file's table."""
        seconds = {"between": "between_s", "patience": "patience_s"}
        return cls(**{seconds.get(key, key): value for key, value in (keys or {}).items()})

    @property
    def one_by_one(self) -> bool:
        """Whether a message holds one command alone; what is acknowledged is acknowledged one by one."""
        return not self.compounds or bool(self.acknowledges)

    @property
    def takes_tags(self) -> bool:
        """Whether a counted number can go round every query."""
        return bool(self.echo) and not self.one_by_one

    def messages(self, command: str) -> list[str]:
        """Return what is sent for it: one message, or one a command."""
        return split(command) if self.one_by_one else [command]

    def plain(self, reply: str) -> str:
        """Take off what the bench file says that replies carry: headers, and these units."""
        if self.headers:
            reply = without_headers(reply)
        if self.units:
            known = {unit.casefold() for unit in self.units}
            reply = _SUFFIX.sub(lambda match: "" if match[1].casefold() in known else match[0], reply)
        return reply

    def strange(self, reply: str, whole: re.Pattern[str], tag: int | None) -> str:
        """Say what a reply of another shape shows, with the key that helps; "" where it may be anything."""
        if tag is not None and (whole.fullmatch(reply) or pattern(rf"\+?0*{tag}").fullmatch(reply)):
            return ONE_ONLY
        body = untagged(self.plain(reply), tag)
        if body is None:
            body = untagged(without_headers(reply), tag) or ""
        bare = without_headers(body)
        units = sorted({match[1] for match in _SUFFIX.finditer(bare)})
        if not whole.fullmatch(_SUFFIX.sub("", bare)):
            return ""
        named = ", ".join(f'"{unit}"' for unit in units)
        remedies = [("headers", "headers = true")] * (bare != body) + [("units", f"units = [{named}]")] * bool(units)
        if not remedies:
            return ""
        sends, keys = (" and ".join(words) for words in zip(*remedies, strict=True))
        basic = "for basic ones, " if units else ""
        return f"it sends {sends}; switch them off there, or {basic}{key(keys)}"


IEEE_488_2: Final = Dialect()


def split(command: str) -> list[str]:
    """Return the commands of a message, one by one; each begins at the root without being told so by a colon."""
    return [unit.strip().removeprefix(":") for unit in _UNITS.findall(command) if unit.strip()]


def without_headers(reply: str) -> str:
    """Take off what stands before each value: `:VOLT 1.0;:FREQ 5` is `1.0;5`; text in quotes stays."""
    return _HEADER.sub(lambda match: match[1] or match[2] or "", reply)
