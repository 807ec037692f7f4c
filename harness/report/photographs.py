"""Photographs of the screen in a report: as small as they are read, and held to the digest in the journal.   [pure]"""

from __future__ import annotations

import base64
import hashlib
import io
from collections.abc import Mapping
from html import escape
from typing import TYPE_CHECKING, Final

from harness.report.blocks import Figure
from harness.report.model import Photograph
from harness.report.plot_style import Picture
from harness.words.clean import clean
from harness.words.language import tr

if TYPE_CHECKING:
    from harness.report.model import Report

FOLDER: Final = "photos"  # in the run's folder
_WIDE, _HIGH = 640, 480  # of the frame, whichever way the telephone was held
_SHARP: Final = (1280, 960)  # pixels within it
_QUALITY: Final = 80  # of a JPEG: the lines of a graticule stay lines


def figures(report: Report, files: Mapping[str, bytes]) -> list[Figure]:
    """Each photograph under its point; one that is gone, or is another now, is named in its place."""
    return [
        Figure(
            picture=Picture(
                key=f"photograph{n}",
                part=each.part,
                svg=_drawn(each, files.get(each.name)),
                caption=tr("Photograph {each_name}: {at}", each_name=each.name, at=clean(each.at)),
                alt=tr("Photograph of the screen, {at}", at=clean(each.at)),
            )
        )
        for n, each in enumerate(report.photographs)
    ]


def _drawn(photograph: Photograph, file: bytes | None) -> str:
    if file is None:
        inside = _in_words(tr("{photograph_name} is not in the run's folder.", photograph_name=photograph.name))
    elif hashlib.sha256(file).hexdigest() != photograph.sha256:
        inside = _in_words(
            tr(
                "{photograph_name} is no longer what the journal says, and is not shown.",
                photograph_name=photograph.name,
            )
        )
    else:
        data = base64.b64encode(_small(file)).decode()
        inside = (
            f'<image href="data:image/jpeg;base64,{data}" width="{_WIDE}" height="{_HIGH}" '
            'preserveAspectRatio="xMinYMid meet"/>'
        )
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDE} {_HIGH}">{inside}</svg>'


def _in_words(sentence: str) -> str:
    return f'<text x="0" y="{_HIGH // 2}" font-family="DejaVu Sans" font-size="16">{escape(sentence)}</text>'


def _small(file: bytes) -> bytes:
    """The picture alone, upright, without what a camera writes beside it."""
    from PIL import Image, ImageOps

    held = io.BytesIO()
    with Image.open(io.BytesIO(file), formats=("JPEG", "PNG")) as opened:
        picture = ImageOps.exif_transpose(opened).convert("RGB")
        picture.thumbnail(_SHARP)
        picture.save(held, "JPEG", quality=_QUALITY)
    return held.getvalue()
