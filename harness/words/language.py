"""What a person reads, in their language: English as the code has it, every other from a catalogue.

`tr("{count} of {total} fail", count=2, total=30)` looks its text up and fills the holes in. `tr_later` marks a text
that is looked up where it is shown. What is kept or compared (journals, JSON, CSV, words of a verdict) stays English.
A catalogue is a file of the gettext format in harness/languages, named by its language; a further one is one more file.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from string import Formatter
from typing import Any, Final, TypeVar

from harness.errors import ConfigError

ENGLISH: Final = "en"
FOLDER: Final = Path(__file__).parents[1] / "languages"
_CHANNEL_FIRST: Final = re.compile(r"channel (\d+): (.+)")
_CHANNEL_LAST: Final = re.compile(r"(.+), channel (\d+)(?:, (.+))?")
T = TypeVar("T")
_TELLING: Final = 12  # characters of a text's own, by which a kept sentence is known to be of it
_POINT: Final = re.compile(r"(?<=[0-9])\.(?=[0-9])")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Language:
    """One language: its texts, and how it writes numbers."""

    code: str
    texts: Mapping[str, str]
    plurals: Mapping[str, tuple[str, ...]]
    decimal: str = "."
    form: Callable[[int], int] = lambda count: int(count != 1)  # which of its plurals a count takes


_ENGLISH: Final = Language(code=ENGLISH, texts={}, plurals={})
_spoken: ContextVar[Language] = ContextVar("language", default=_ENGLISH)


class _Filled(Formatter):
    """Fills holes: numbers as the language writes them, words that it knows in it, everything else as it is."""

    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, str):
            value = _spoken.get().texts.get(value, value)
        text = str(super().format_field(value, format_spec))
        return localised(text) if isinstance(value, int | float) else text


class _Kept(Formatter):
    """Fills holes with what has its format already."""

    def convert_field(self, value: Any, conversion: Any) -> Any:  # noqa: ARG002 - as it was when it was kept
        return value

    def format_field(self, value: Any, format_spec: str) -> str:  # noqa: ARG002
        return localised(tr_kept(value))


_FILLED: Final = _Filled()
_KEPT: Final = _Kept()


def tr(text: str, /, **holes: object) -> str:
    """A text in the language that is spoken, its holes filled."""
    spoken = _spoken.get()
    if spoken is _ENGLISH:
        return text.format(**holes) if holes else text
    said = spoken.texts.get(text, text)
    return _FILLED.vformat(said, (), holes) if holes else said


def tr_later(text: str) -> str:
    """A text that is looked up where it is shown: the text itself."""
    return text


def tr_look(text: str) -> str:
    """What somebody looks at, as its step has it: perhaps of a channel, "channel 1: is …?" or "…, channel 1, probe"."""
    if before := _CHANNEL_FIRST.fullmatch(text):
        return tr("channel {channel}: {question}", channel=before[1], question=tr(before[2]))
    if behind := _CHANNEL_LAST.fullmatch(text):
        said = tr("{what}, channel {channel}", what=tr(behind[1]), channel=behind[2])
        return f"{said}, {behind[3]}" if behind[3] else said
    return tr(text)


def tr_kept(text: str) -> str:
    """A sentence that was kept in English, its holes filled: said again as the text that it was made of.

    Of several texts that it may be of, the one that has the most words of its own; none: as it is.
    """
    spoken = _spoken.get()
    if spoken is _ENGLISH or text in spoken.texts:
        return tr(text)
    for pattern, made_of in _patterns(spoken):
        if holes := pattern.fullmatch(text):
            return _KEPT.vformat(spoken.texts[made_of], (), holes.groupdict())
    within = spoken.texts.get(text[:1].lower() + text[1:])  # a name that began the sentence
    return text if within is None else within[:1].upper() + within[1:]


@cache
def _patterns(language: Language) -> list[tuple[re.Pattern[str], str]]:
    """The texts with holes as what they may have become, those with the most words of their own first."""
    found = []
    for text in language.texts:
        parts = list(Formatter().parse(text))
        own, names = "".join(literal for literal, *_ in parts), [name for _, name, *_ in parts if name]
        if names and len(own) >= _TELLING and len(set(names)) == len(names):
            pieces = (re.escape(literal) + (f"(?P<{name}>.+)" if name else "") for literal, name, *_ in parts)
            found.append((len(own), re.compile("".join(pieces)), text))
    return [(pattern, text) for _, pattern, text in sorted(found, key=lambda each: -each[0])]


def tr_count(count: int, what: str) -> str:
    """How many there are of something, "1 run" or "3 runs", in the language that is spoken."""
    spoken = _spoken.get()
    if (forms := spoken.plurals.get(what)) is not None:
        return forms[spoken.form(count)].format(count=count)
    return f"{count} {what}{'' if count == 1 else 's'}"


def localised(text: str) -> str:
    """A number as text with the decimal sign of the language that is spoken."""
    spoken = _spoken.get()
    return text if spoken is _ENGLISH else _POINT.sub(spoken.decimal, text)


def going_on(text: str) -> str:
    """A text that goes on within a sentence: it begins small, unless its nouns are written large."""
    return text if code() == "de" else text[:1].lower() + text[1:]


def day(date: dt.date | str) -> str:
    """A day as the language writes it; in English as ISO 8601 does, and what is no such day as it is."""
    spoken = _spoken.get()
    if spoken is _ENGLISH or not date:
        return str(date)
    from babel.dates import format_date

    try:
        return format_date(dt.date.fromisoformat(str(date)), "medium", locale=spoken.code)
    except ValueError:
        return str(date)


def code() -> str:
    """The language that is spoken, as ISO 639-1 names it."""
    return _spoken.get().code


def languages() -> tuple[str, ...]:
    """Those that there are."""
    return (ENGLISH, *sorted(path.stem for path in FOLDER.glob("*.po")))


@contextmanager
def speaking(language: str | Language) -> Iterator[None]:
    """Speak a language from here on; raises ConfigError for one that is not there."""
    token = _spoken.set(language if isinstance(language, Language) else _of(language))
    try:
        yield
    finally:
        _spoken.reset(token)


@contextmanager
def in_language(made: T, language: str, again: Callable[[], T]) -> Iterator[T]:
    """What was made in English, for as long as it is written in a language; `again` makes it anew, in its words."""
    with speaking(language):
        yield made if language == ENGLISH else again()


@cache
def _of(language: str) -> Language:
    if language == ENGLISH:
        return _ENGLISH
    if language not in languages():
        raise ConfigError(f"{language!r} is no language of this program; it has {', '.join(languages())}")
    from gettext import c2py  # the rule of a catalogue as a function; what gettext itself reads it with

    from babel import Locale
    from babel.messages.pofile import read_po

    with (FOLDER / f"{language}.po").open("rb") as file:
        catalogue = read_po(file, locale=language)
    said: list[Any] = [message for message in catalogue if message.id and message.string]
    return Language(
        code=language,
        texts={m.id: m.string for m in said if isinstance(m.id, str)},
        plurals={m.id[0].removeprefix("{count} "): tuple(m.string) for m in said if not isinstance(m.id, str)},
        decimal=Locale.parse(language).number_symbols["latn"]["decimal"],
        form=c2py(catalogue.plural_expr),
    )
