"""What the harmonics of a sine make of its level, by how it is read. Equations are numbered as in docs/waveforms.md."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from harness.analysis.estimate import arcsine, rectangular
from harness.quantities import DB_PER_NEPER, ratio_of_db
from harness.words.language import tr, tr_later

if TYPE_CHECKING:
    from collections.abc import Iterator

    from harness.analysis.estimate import Contribution
    from harness.models import Instrument, Setup

Reader = Literal["peak", "rms", "fit"]
_AT_REFERENCE: Final = tr_later(", at the reference frequency")


def readers(setup: Setup) -> dict[str, Reader]:
    """What the unit goes by, and the reference where there is one: peaks, the rms value, or a sine that is fitted."""
    bench, reference = setup.bench, setup.bench.reference
    found = {"unit": _reader(setup.unit.read, bench.unit)}
    if reference is not None:
        found["reference"] = "rms" if reference.kind == "level_meter" else _reader(reference.read, reference)
    return found


def _reader(read: str, link: Instrument | None) -> Reader:
    """A fit needs the record: eyes go by peaks, and so may a scope's own measurement or a driver of a user's own."""
    own = link is not None and (link.driver != "scpi" or link.commands.get("record") == "")
    return "peak" if read == "eye" or own else "fit"


def matter(setup: Setup) -> bool:
    """Whether harmonics go into what is read: a fitted sine leaves them out."""
    return any(reader != "fit" for reader in readers(setup).values())


def harmonic_lines(setup: Setup) -> Iterator[Contribution]:
    """Return the lines of a level that is relative to another frequency's, eq. (36) and (37); none if none is stated.

    What is common to both ends at the reference frequency drops out: there both see the same wave, and read it alike.
    """
    generator = setup.bench.generator
    if generator is None or generator.harmonics is None:
        return
    ratio, found = ratio_of_db(generator.harmonics), readers(setup)
    alike = len(found) == 2 and len(set(found.values())) == 1
    for where in ("",) if alike else ("", _AT_REFERENCE):
        for end, reader in found.items():
            name = tr("harmonics, {end}{where}", end=tr(end), where=where and tr(where))
            if reader == "peak":
                yield arcsine(name, half_width=DB_PER_NEPER * ratio, unit="dB")
            elif reader == "rms":
                yield rectangular(name, half_width=DB_PER_NEPER * ratio**2 / 2, unit="dB")
