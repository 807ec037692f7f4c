"""The report as a PDF: PDF/A-3a and PDF/UA-1, the results attached, the same bytes each run.

Everything comes to the template as JSON, and text from JSON is never markup to it. Fonts are those in `fonts/` and
typst's own, whatever the machine has, so that a report looks the same everywhere.

References
----------
ISO 19005-3:2012 (PDF/A-3: long-term keeping, with the data inside), ISO 14289-1:2014 (PDF/UA-1: for readers by ear).
"""

from __future__ import annotations

import datetime as dt
import io
import json
import re
import struct
import unicodedata
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

from harness.errors import HalfpowerError
from harness.report.plot_style import NARROW
from harness.report.plots import pictures, response_pictures
from harness.report.results import to_json
from harness.report.sheet import Part, sheet
from harness.words.clean import clean
from harness.words.language import tr
from harness.words.moments import in_utc

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from types import ModuleType

    from typst import PDFStandard

    from harness.report.model import Report
    from harness.report.plot_style import Picture

Paper: TypeAlias = Literal["a4", "us-letter"]

TEMPLATE: Final = Path(__file__).parent / "templates" / "report.typ"
FONTS: Final = Path(__file__).parent / "fonts"
STANDARDS: Final[list[PDFStandard]] = ["a-3a", "ua-1"]
FAMILIES: Final = ("Libertinus Serif", "DejaVu Sans")  # the second for signs and letters that the first lacks
_TEXT_FONT: Final = "DejaVuSans.ttf"
_LAST_RESORT: Final = "LastResortHE-Regular.ttf"  # a frame for every character
_LACKING: Final = "\N{REPLACEMENT CHARACTER}"
_BREAK: Final = "\N{ZERO WIDTH SPACE}"
_LONG_WORD: Final = 40  # characters of a word in running text; longer ones may be broken anywhere
_SHORT_WORD: Final = 12  # the same in a table
_REMARK_WORD: Final = 20  # the same in a remark, which the type-setter hyphenates
_NAMED: Final = 12  # characters that no font has, named one by one


def pdf(
    report: Report,
    *,
    paper: Paper = "a4",
    fonts: Path | None = None,
    point: str = "",
    part: Part = "both",
    advice: bool = False,
    photographs: Mapping[str, bytes] | None = None,
    results: str = "",
) -> bytes:
    """
    Render a report as a PDF file; the same report gives the same bytes.

    Parameters
    ----------
    report
        The report of a run.
    paper
        The size of its pages.
    fonts
        A folder with further fonts, for names in scripts that the program's own fonts lack.
    point
        The result whose screen and budget are drawn, by words of its name: "channel 2, 50 mV". Left out: the worst.
    part
        Certificate and annex in one file, one of them as a file of its own, or the short form, on one page.
    advice
        With an opinion for the customer, where the verdict gives rise to one.
    photographs
        The files of the photographs that the report names, by their names.
    results
        What is attached, where the report is not in English; else it is made of the report.

    Returns
    -------
    bytes
        A PDF/A-3a file, tagged, with `harness.report.results.to_json` attached as "results.json".

    Raises
    ------
    HalfpowerError
        The type-setter or its fonts are missing, it refuses the document, or no single result fits `point`.
    """
    drawn: Sequence[Picture] = ()
    if part != "certificate":
        drawn = response_pictures(report, width=NARROW) if part == "short" else pictures(report, point=point)
    document = sheet(report, drawn, part=part, advice=advice, photographs=photographs) | {"paper": paper}
    return typeset(TEMPLATE, document, report, fonts=fonts, results=results or to_json(report))


def typeset(
    template: Path, document: dict[str, Any], report: Report, *, fonts: Path | None, results: str = ""
) -> bytes:
    """Set a document by a template; its texts are data, and its date is that of the run."""
    typst = _typesetter()
    folders = [_font_folder(), *([fonts] if fonts is not None else [])]
    made = _made(report)
    lacking: set[str] = set()
    document = _texts(document, _speller(_characters(tuple(folders)), lacking)) | {
        "families": [*FAMILIES, *_families(typst, fonts)],
        "lacking": _lacking_text(lacking),
        "date": [*made.timetuple()[:6]],
    }
    try:
        file: bytes = typst.compile(
            template.read_bytes(),
            font_paths=typst.Fonts(include_system_fonts=False, font_paths=folders),
            sys_inputs={"document": json.dumps(document, ensure_ascii=False), "results": results},
            pdf_standards=STANDARDS,
            timestamp=made,
        )
    except typst.TypstError as error:
        raise HalfpowerError(
            f"The PDF could not be set: {clean(error.message)}. Write --html instead, and report this as a fault."
        ) from error
    return file


def check_ready() -> None:
    """Refuse where the type-setter or its fonts are missing: before a run, rather than after a night of it."""
    _typesetter()
    _font_folder()


def _typesetter() -> ModuleType:
    try:
        import typst
    except ImportError:
        raise HalfpowerError(
            "The PDF needs the package 'typst', which is not installed: pip install typst, or leave --pdf out."
        ) from None
    return typst


def _made(report: Report) -> dt.datetime:
    """When the run ended, for the file's own date: never the clock's, so that the bytes stay the same."""
    try:
        return in_utc(report.ended).replace(microsecond=0)
    except ValueError:
        return dt.datetime.fromtimestamp(0, dt.UTC)


# --- text --------------------------------------------------------------------------------------------------------


def _texts(value: Any, spelt: Callable[[str, int], str], longest: int = _LONG_WORD) -> Any:
    """Every text as it can be printed, words no longer than a line or a cell has room for."""
    match value:
        case str():
            return spelt(value, longest)
        case list():
            return [_texts(item, spelt, longest) for item in value]
        case dict():
            longest = _REMARK_WORD if "remark" in value.values() else longest
            held = {name: _SHORT_WORD if name == "rows" else longest for name in value}
            return {
                name: _drawn(item, spelt) if name == "svg" else _texts(item, spelt, held[name])
                for name, item in value.items()
            }
        case _:
            return value


def _drawn(svg: str, spelt: Callable[[str, int], str]) -> str:
    """A drawing whose texts can be set: in drawings the type-setter bears no sign that stands on a letter, but for
    letters that are one with theirs.
    """
    composed = unicodedata.normalize("NFC", svg)
    alone = (_LACKING if unicodedata.category(c).startswith("M") else c for c in composed)
    return spelt(re.sub(f"{_LACKING}+", _LACKING, "".join(alone)), len(svg))


def _speller(charsets: tuple[frozenset[str], bool], lacking: set[str]) -> Callable[[str, int], str]:
    """Take out control characters, mark what no font has, and let a word break that is longer than its line."""
    held, framed = charsets

    def one(character: str) -> str:
        if character in held:
            return character
        lacking.add(character)
        printable = unicodedata.category(character) not in ("Cn", "Co")
        return character if framed and printable else _LACKING

    def spelt(text: str, longest: int) -> str:
        printed = "".join(map(one, clean(text)))
        return re.sub(rf"\S{{{longest + 1},}}", lambda word: _broken(word[0], longest), printed)

    return spelt


def _broken(word: str, longest: int) -> str:
    """Where a long word may break: after its commas, as in an answer to *IDN?, and anywhere in what is longer still."""
    pieces = re.findall("[^,]+,?|,", word)
    return _BREAK.join(piece if len(piece) <= longest else _BREAK.join(piece) for piece in pieces)


def _lacking_text(lacking: set[str]) -> str:
    """Say which characters the fonts lack."""
    if not lacking:
        return ""
    codes = [f"U+{ord(character):04X}" for character in sorted(lacking)]
    more = tr(" and {count} more", count=len(codes) - _NAMED) if len(codes) > _NAMED else ""
    return tr(
        "Some characters are in none of this document's fonts and stand as frames or as "
        "{frame}: {codes}{more}. The attached results hold them as they are.",
        frame=_LACKING,
        codes=", ".join(codes[:_NAMED]),
        more=more,
    )


# --- fonts -------------------------------------------------------------------------------------------------------


def _font_folder() -> Path:
    """The fonts that come with this package."""
    if not (FONTS / _TEXT_FONT).is_file():
        raise HalfpowerError(
            f"{FONTS / _TEXT_FONT}: is missing, so the PDF has no fonts. Install halfpower again, or leave --pdf out."
        )
    return FONTS


def _families(typst: ModuleType, folder: Path | None) -> list[str]:
    """The families of the fonts in a folder, to be asked before the frames of the last resort."""
    if folder is None:
        return []
    own = typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[folder])
    return sorted(own.families())


@cache
def _characters(folders: tuple[Path, ...]) -> tuple[frozenset[str], bool]:
    """The characters that can be printed, and whether there is a frame for all others."""
    from fontTools.ttLib import TTFont, TTLibError

    own, *further = folders
    files = [own / _TEXT_FONT]
    for folder in further:
        found = sorted(path for path in folder.rglob("*") if path.suffix.lower() in (".ttf", ".otf"))
        if not found:
            raise HalfpowerError(f"{folder}: holds no font (.ttf or .otf). Name a folder that does.")
        files += found
    held: set[str] = set()
    for file in files:
        try:
            held.update(map(chr, TTFont(io.BytesIO(file.read_bytes())).getBestCmap() or ()))
        except (TTLibError, ValueError, KeyError, AssertionError, struct.error) as error:
            raise HalfpowerError(f"{file}: is no font that can be read ({error}). Take it out of the folder.") from None
    return frozenset(held), (own / _LAST_RESORT).is_file()
