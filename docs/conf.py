"""The documents as a site: `python3 docs/build.py FOLDER`.

Equations become MathML, and nothing is loaded from elsewhere; the search works from a folder, too.
"""

from __future__ import annotations

import html
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from latex2mathml.converter import convert

sys.path.insert(0, str(Path(__file__).resolve().parent))
import linear

if TYPE_CHECKING:
    from sphinx.application import Sphinx

project = "Halfpower"
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
root_doc = "index"
html_theme = "furo"
html_title = "Halfpower"
html_copy_source = False
html_show_sphinx = False
html_show_search_summary = False  # it is fetched, which a page that is opened from a folder may not do
myst_heading_anchors = 4
napoleon_google_docstring = False
autodoc_typehints = "signature"
autodoc_member_order = "bysource"
suppress_warnings = ["misc.highlighting_failure"]  # a block of TOML may show one line of a file

_CODE = re.compile(r"(^```.*?^```|`[^`\n]*`)", re.DOTALL | re.MULTILINE)
_BLOCK = re.compile(r"\$\$(.+?)\$\$", re.DOTALL)
_LINE = re.compile(r"(?<![\\$\w])\$([^$\n]+?)\$(?![\w$])")
_TAG = re.compile(r"\\tag\{(.+?)\}")
_OUT = re.compile(r"\[([^\]]+)\]\(\.\./[^)]*\)")  # to a file of the project that is no page


_NAMED = re.compile(r"\[(\w+\.md)\]\(\1\)")  # a page by its file: in the site by its title
_GROUP = re.compile(r"^## (\w[\w ]*):.*\n\n((?:- .*\n)+)", re.MULTILINE)
_PAGE = re.compile(r"^- \[.*?\]\((\w+)\.md\)", re.MULTILINE)


def _as_pages(_app: Sphinx, page: str, source: list[str]) -> None:
    """Equations as MathML, no link out of the site; code stays as it is. The index is what leads to all others."""
    parts = _CODE.split(source[0])
    source[0] = "".join(part if part.startswith("`") else _text(part) for part in parts)
    if page == root_doc:
        source[0] = _GROUP.sub(_leading, source[0])


def _leading(found: re.Match[str]) -> str:
    pages = "\n".join(_PAGE.findall(found[2]))
    return f"{found[0]}\n```{{toctree}}\n:hidden:\n:caption: {found[1]}\n\n{pages}\n```\n"


def _text(text: str) -> str:
    text = linear.BLOCK.sub(lambda found: linear.equations(found[0]), text)
    text = _BLOCK.sub(_equation, text)
    text = _LINE.sub(lambda found: convert(found[1]), text)
    return _NAMED.sub(r"[](\1)", _OUT.sub(lambda found: found[1], text))


def _equation(found: re.Match[str]) -> str:
    tag = _TAG.search(found[1])
    number = f" <span>({html.escape(tag[1])})</span>" if tag else ""
    math = convert(_TAG.sub("", found[1]).strip(), display="block")
    return f'\n\n<p style="display: flex; align-items: center; overflow-x: auto">{math}{number}</p>\n\n'


def setup(app: Sphinx) -> dict[str, Any]:
    """Called by Sphinx."""
    app.connect("source-read", _as_pages)
    return {"parallel_read_safe": True}
