"""How plots are drawn: one palette, one type size, the same bytes on every run.

Colours are the colour-blind-safe set of M. Okabe and K. Ito ("Color Universal Design", 2008; values from memory),
each with a partner for dark pages. `themed` puts CSS variables in their place, so that a page can switch.
Text stays text: it is searchable, follows the page's own font, and no font needs to be embedded.
"""

from __future__ import annotations

import io
import re
import warnings
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from harness.quantities import show

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


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
NARROW_BELOW_IN: Final = 6.0  # a picture of this width or more has room for things beside one another
MARKERS: Final = ("o", "s", "^", "D", "v", "P", "X", "<")

_SETTINGS: Final[Any] = {
    "svg.fonttype": "none", "svg.hashsalt": "halfpower", "text.parse_math": False, "axes.formatter.use_mathtext": False,
    "font.family": "sans-serif", "font.sans-serif": ["DejaVu Sans"], "font.size": 9.0, "axes.labelsize": 9.0,
    "axes.titlesize": 9.5, "axes.titlelocation": "left", "axes.titlepad": 7.0, "legend.fontsize": 8.5,
    "xtick.labelsize": 8.5, "ytick.labelsize": 8.5, "text.color": TEXT.light, "axes.labelcolor": TEXT.light,
    "axes.edgecolor": FAINT.light, "xtick.color": FAINT.light, "ytick.color": FAINT.light,
    "xtick.labelcolor": TEXT.light, "ytick.labelcolor": TEXT.light, "axes.linewidth": 0.7, "grid.color": GRID.light,
    "grid.linewidth": 0.6, "axes.grid": True, "axes.axisbelow": True, "axes.spines.top": False,
    "axes.spines.right": False, "legend.frameon": False, "legend.borderaxespad": 0.2, "figure.facecolor": "none",
    "axes.facecolor": "none", "savefig.facecolor": "none", "axes.unicode_minus": True, "lines.linewidth": 1.4,
}  # fmt: skip
ROOT: Final = 'stroke-linejoin="round" stroke-linecap="butt" font-family="DejaVu Sans, sans-serif"'


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A plot: the drawing in fixed colours, its caption, and what it shows in words."""

    key: str
    part: int  # of the report, counted from 0
    svg: str
    caption: str
    alt: str


@contextmanager
def drawing(width_in: float, height_in: float, *, margins_in: tuple[float, float, float, float]) -> Iterator[Figure]:
    """Open a figure under the project's own settings, whatever the user's are.

    `margins_in` are left, right, top and bottom of the axes: fixed, for solving them takes half the time of a page.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Glyph .* missing")  # the viewer's font draws the text, not ours
        mpl.rcdefaults()
        mpl.rcParams.update(_SETTINGS)
        left, right, top, bottom = margins_in
        figure = Figure(figsize=(width_in, height_in))
        figure.subplots_adjust(
            left=left / width_in, right=1.0 - right / width_in, top=1.0 - top / height_in, bottom=bottom / height_in,
            hspace=0.06,
        )  # fmt: skip
        yield figure


def to_svg(figure: Figure) -> str:
    """Write the figure as an SVG element for a page: no prologue, no date, only the ids that are used."""
    file = io.StringIO()
    figure.savefig(file, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = file.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"\s*<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r"\s*<!--.*?-->", "", text, flags=re.DOTALL)  # text of the labels, a second time
    used = set(re.findall(r'url\(#([^)]+)\)|href="#([^"]+)"', text))
    kept = {name for pair in used for name in pair if name}
    text = re.sub(r' id="([^"]*)"', lambda m: m[0] if m[1] in kept else "", text)
    # A style element inside the drawing would reach the whole page: what it says goes on the drawing itself.
    text = re.sub(r"<defs>\s*<style[^>]*>[^<]*</style>\s*</defs>", "", text)
    text = re.sub(r"font: (?:(bold|[1-9]00) )?([0-9.]+px) [^;\"]*", _font, text)
    text = re.sub(r"font-family: [^;\"]*; ?", "", text)
    text = text.replace("<svg ", f"<svg {ROOT} ", 1)
    return re.sub(r"\n\s*", "\n", text).strip() + "\n"


def _font(match: re.Match[str]) -> str:
    weight = f"font-weight: {match[1]}; " if match[1] else ""
    return f"{weight}font-size: {match[2]}"


def themed(svg: str, prefix: str) -> str:
    """Put CSS variables in place of the fixed colours, and a prefix before every id so that a page holds many plots."""
    for ink in INKS:
        svg = svg.replace(ink.light, f"var(--{ink.name})")
    svg = re.sub(r' id="([^"]*)"', rf' id="{prefix}\1"', svg)
    svg = re.sub(r'href="#([^"]+)"', rf'href="#{prefix}\1"', svg)
    return re.sub(r"url\(#([^)]+)\)", rf"url(#{prefix}\1)", svg)


def frequency_axis(axes: Axes) -> None:
    """Make the x axis logarithmic, in plain hertz with prefixes."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axes.set_xscale("log")
    low, high = axes.get_xlim()
    decades = high / low
    inner = (1.0,) if decades > 300 else (1.0, 2.0, 5.0) if decades > 8 else (1.0, 2.0, 3.0, 5.0, 7.0)
    axes.xaxis.set_major_locator(LogLocator(base=10.0, subs=inner, numticks=12))
    axes.xaxis.set_minor_locator(LogLocator(base=10.0, subs=tuple(range(2, 10)), numticks=12))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda f, _: show(f, "Hz", 3)))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.grid(visible=True, which="minor", axis="x", linewidth=0.3)
