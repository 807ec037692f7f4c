"""Photographs of the screen, kept in the folder of their run under names of ours; the journal has their digests."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from harness.errors import HalfpowerError

FOLDER: Final = "photos"
LARGEST: Final = 20_000_000  # bytes
MOST: Final = 999
_MOST_PIXELS: Final = 60_000_000
_KINDS: Final = {"JPEG": "jpg", "PNG": "png"}


class NoPhotograph(HalfpowerError):  # noqa: N818 - the run is well; it waits
    """What was sent is not kept; the sentence says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """A photograph in the run's folder."""

    name: str
    sha256: str


@dataclass(slots=True)
class Album:
    """Where the photographs of a run go; `write` puts a whole file there, or nothing."""

    write: Callable[[Path, bytes], None]
    folder: Path | None = None  # of the run, once there is one

    def keep(self, data: bytes) -> Kept:
        """Keep one; raises NoPhotograph for what is none, is too large, or comes before the run has a folder."""
        if self.folder is None:
            raise NoPhotograph("The run has no folder yet; take the photograph when it asks for the first reading.")
        if len(data) > LARGEST:
            raise NoPhotograph(too_large())
        ending = _KINDS[kind_of(data)]
        photos = self.folder / FOLDER
        photos.mkdir(mode=0o700, exist_ok=True)
        number = max((int(path.stem) for path in photos.iterdir() if path.stem.isdecimal()), default=0) + 1
        if number > MOST:
            raise NoPhotograph(f"A run keeps at most {MOST} photographs; this one was not kept.")
        name = f"{number:03d}.{ending}"
        self.write(photos / name, data)
        return Kept(name=name, sha256=hashlib.sha256(data).hexdigest())


def too_large() -> str:
    """Why a large one is not kept."""
    return f"The photograph has more than {LARGEST // 1_000_000} MB; take it smaller. The run still waits."


def kind_of(data: bytes) -> str:
    """What a picture is by its content, all of which is read; raises NoPhotograph for any other file."""
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(io.BytesIO(data), formats=tuple(_KINDS)) as picture:
            if picture.width * picture.height > _MOST_PIXELS:
                raise NoPhotograph("The photograph has too many pixels; take it smaller. The run still waits.")
            picture.load()
            return str(picture.format)
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError, Image.DecompressionBombError) as error:
        raise NoPhotograph("That is no photograph (JPEG or PNG), or it is cut off. The run still waits.") from error
