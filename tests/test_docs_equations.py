"""Equations written in a line become MathML: each is well formed and keeps its number, which stands once a page."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import pytest

DOCS = Path(__file__).resolve().parent.parent / "docs"
sys.path.insert(0, str(DOCS))

import linear  # noqa: E402 - a part of the site's configuration

PAGES = sorted(DOCS.glob("*.md"))


def made(formula: str) -> str:
    """Its MathML in short: tags of letters, words and signs left out."""
    (math,) = ElementTree.fromstring(linear.equations(f"    (1)  {formula}\n")).iter("math")
    return "".join(_short(math))


def _short(element: ElementTree.Element) -> Iterator[str]:
    inner = element.text or "".join("".join(_short(each)) for each in element)
    yield inner if element.tag in ("math", "mrow", "mi", "mn", "mo", "mspace") else f"{element.tag[1:]}[{inner}]"


@pytest.mark.parametrize(
    ("formula", "short"),
    [
        ("u² = Σ uᵢ²", "sup[u2]=Σsubsup[ui2]"),
        ("ν_eff = u⁴ / Σ (u_g⁴ / ν_g)", "sub[νtext[eff\u00a0]]=sup[u4]/Σ(subsup[ug4]/sub[νg])"),
        ("u = √(q/12) + √3·s", "u=sqrt[q/12]+sqrt[3]·s"),
        ("tr = t90 − t10", "sub[tr]=sub[t90]−sub[t10]"),
        ("v = A cos ωt", "v=Acosωt"),
        ("f_c = f √(10^(−y/10) − 1)", "sub[fc]=fsqrt[sup[10−y/10]−1]"),
        ("tᵢ₊₁ = x̄", "sub[ti+1]=over[x¯]"),
        ("Γl ≤ ∫_{|x| > T} g", "sub[Γl]≤sub[∫|x|>T]g"),
    ],
)
def test_what_stands_in_a_line_is_what_is_meant(formula: str, short: str) -> None:
    assert made(formula) == short


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_every_equation_of_a_page_is_one_with_its_number(page: Path) -> None:
    text = page.read_text("utf-8")
    numbers = re.findall(r"^    \((\d+[a-z]?)\)  ", text, re.MULTILINE)
    found = []
    for block in linear.BLOCK.finditer(text):
        element = ElementTree.fromstring(f"<all>{linear.equations(block[0])}</all>")
        found += re.findall(r"\((\d+[a-z]?)\)$", "\n".join(line[-1].text or "" for line in element), re.MULTILINE)
        assert "√" not in "".join(element.itertext())
    assert found == numbers
    tags = numbers + re.findall(r"\\tag\{(\w+)\}", text)
    assert len(set(tags)) == len(tags), "a number stands twice"
