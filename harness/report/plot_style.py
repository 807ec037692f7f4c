"""What pictures are drawn with: one palette, that a page can switch.   [pure]

Colours are the colour-blind-safe set of M. Okabe and K. Ito ("Color Universal Design", 2008; values from memory),
each with a partner for dark pages. `themed` puts CSS variables in their place.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True, kw_only=True)
class Ink:
    """A colour by purpose: its name as a CSS variable, on a light page, on a dark page."""

    name: str
    light: str
    dark: str


TEXT: Final = Ink(name="plot-text", light="#1d2731", dark="#e4e8eb")
FAINT: Final = Ink(name="plot-faint", light="#5c6873", dark="#9aa5af")
GRID: Final = Ink(name="plot-grid", light="#dde2e6", dark="#333c44")
LIMIT: Final = Ink(name="plot-limit", light="#a33b00", dark="#ff9a57")
GUARD: Final = Ink(name="plot-guard", light="#f4e3d4", dark="#45301f")
ZONE: Final = Ink(name="plot-zone", light="#edf3f7", dark="#1d2932")
BAND: Final = Ink(name="plot-band", light="#b9d6e8", dark="#1f4c68")
SERIES: Final = (
    Ink(name="plot-1", light="#0072b2", dark="#5ab4ec"),
    Ink(name="plot-2", light="#cc5a00", dark="#ffa04d"),
    Ink(name="plot-3", light="#007a5a", dark="#3fcfa4"),
    Ink(name="plot-4", light="#9b4f82", dark="#e29ac6"),
)
INKS: Final = (TEXT, FAINT, GRID, LIMIT, GUARD, ZONE, BAND, *SERIES)
WIDE: Final = 619.2  # points
NARROW: Final = 309.6
ROOMY: Final = 432.0  # a picture of this width or more has room for things beside one another
ROOT: Final = (
    'xmlns="http://www.w3.org/2000/svg" stroke-linejoin="round" stroke-linecap="butt" '
    'font-family="DejaVu Sans, sans-serif"'
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A plot: the drawing in fixed colours, its caption, and what it shows in words."""

    key: str
    part: int  # of the report, counted from 0
    svg: str
    caption: str
    alt: str


def themed(svg: str, prefix: str) -> str:
    """Put CSS variables in place of the fixed colours, and a prefix before every id so that a page holds many plots."""
    for ink in INKS:
        svg = svg.replace(ink.light, f"var(--{ink.name})")
    svg = re.sub(r' id="([^"]*)"', rf' id="{prefix}\1"', svg)
    svg = re.sub(r'href="#([^"]+)"', rf'href="#{prefix}\1"', svg)
    return re.sub(r"url\(#([^)]+)\)", rf"url(#{prefix}\1)", svg)
