"""Equations that a page writes in a line, as MathML: `    (5)  ν_eff = u⁴ / Σ (u_g⁴ / ν_g)`.

So written they can be read in the file and at a terminal, too. Letters are variables, words are words, signs raised or
lowered are scripts, and so is what stands after _ and ^; √ takes what follows it. Three spaces begin a remark.
"""

from __future__ import annotations

import html
import re
import unicodedata
from dataclasses import dataclass
from typing import Final

BLOCK: Final = re.compile(r"^    \(\d+[a-z]?\)  +.*\n(?:    .*\n|^\n(?=    \(\d+[a-z]?\)  ))*", re.MULTILINE)
_LINE: Final = re.compile(r"    (?:\((\d+[a-z]?)\))? +(.*)")
_PIECES: Final = re.compile(r" {3,}")
_FORMULA: Final = re.compile(r"[=≤≥<>→≈±∓√ΣΦ²_]")

_LOWERED: Final = dict(zip("₀₁₂₃₄₅₆₇₈₉ᵢⱼₖₘₙₚ₊₋", "0123456789ijkmnp+−", strict=True))
_RAISED: Final = dict(zip("⁰¹²³⁴⁵⁶⁷⁸⁹⁻⁺ᵀⁿ", "0123456789−+Tn", strict=True))
_FUNCTIONS: Final = frozenset(
    ["exp", "ln", "lg", "log", "sin", "cos", "tan", "atan2", "sinc", "max", "min", "cov", "erf"]
)
_NAMED: Final = re.compile(r"(?:t[rsuepm]|R[st]|Γ[slur])")  # a letter with its index, written as two letters
_GREEK: Final = re.compile(r"[Α-Ωα-ω]")
_TOKEN: Final = re.compile(
    r"(?P<number>\d+(?:\.\d+)?)|(?P<word>[^\W\d_ᵢⱼₖₘₙₚᵀⁿ₀-₉⁰¹²³⁴-⁹][^\W\d_ᵢⱼₖₘₙₚᵀⁿ₀-₉⁰¹²³⁴-⁹]*[\u0300-\u036f]?)"
    r"|(?P<space>\s+)|(?P<sign>.)"
)


def equations(block: str) -> str:
    """A block of numbered lines as HTML, each with its remark."""
    return "".join(_line(*found.groups()) for line in block.splitlines() if (found := _LINE.fullmatch(line)))


def _line(number: str | None, text: str) -> str:
    pieces = (f"<span>{_piece(each)}</span>" for each in _PIECES.split(text.strip()))
    tag = f"<span>({number})</span>" if number else ""
    style = "display: flex; align-items: center; gap: 1.5em; overflow-x: auto; margin: 0.6em 0"
    return f'\n<div style="{style}">{"".join(pieces)}{tag}</div>\n'


def _piece(text: str) -> str:
    if not _FORMULA.search(text):
        return html.escape(text)
    return f"<math><mrow>{Linear(unicodedata.normalize('NFD', text)).all()}</mrow></math>"


@dataclass(slots=True)
class Linear:
    """A formula that is read from its start to its end."""

    text: str
    at: int = 0

    def all(self, end: str = "") -> str:
        """Everything up to a closing sign, or all of it."""
        out = []
        while self.at < len(self.text) and self.text[self.at] != end:
            out.append(self._scripted(self._atom()))
        self.at += bool(end)
        return "".join(out)

    def _atom(self) -> str:
        found = _TOKEN.match(self.text, self.at)
        assert found is not None
        self.at = found.end()
        if number := found["number"]:
            return f"<mn>{number}</mn>"
        if word := found["word"]:
            return self._word(word, found.start())
        if found["space"]:
            return '<mspace width="1em"/>' if len(found[0]) > 1 else ""
        if found["sign"] == "√":
            return f"<msqrt>{self._under_the_root()}</msqrt>"
        still = ' stretchy="false"' if found["sign"] in "()[]{}|" else ""
        return f"<mo{still}>{html.escape(found['sign'])}</mo>"

    def _word(self, word: str, begins: int) -> str:
        letters = re.findall(r".[\u0300-\u036f]?", word)
        if _NAMED.fullmatch(word):
            return f"<msub><mi>{word[0]}</mi><mi>{word[1]}</mi></msub>"
        if word in _FUNCTIONS:
            before, after = (
                '<mspace width="0.2em"/>' * (self.text[at : at + 1] == " ") for at in (begins - 1, self.at)
            )
            return f"{before}<mi>{word}</mi>{after}"
        if len(letters) > 1 and _GREEK.search(word):
            self.at = begins + len(letters[0])  # letters beside each other: a product
            letters = letters[:1]
        is_article = word == "a" and re.match(r" (?!(?:sin|cos|max)\b)[a-z]{2,}", self.text[self.at :])
        if len(letters) == 1 and not is_article:
            if index := re.compile(r"\d+").match(self.text, self.at):
                self.at = index.end()
                return f"<msub><mi>{letters[0]}</mi><mn>{index[0]}</mn></msub>"
            if len(letters[0]) > 1:  # with its bar
                return f'<mover><mi>{letters[0][0]}</mi><mo stretchy="false">¯</mo></mover>'
            return f"<mi>{letters[0]}</mi>"
        before = "\u00a0" if self.text[begins - 1 : begins] in (" ", ",", ":") else ""
        after = "\u00a0" if self.text[self.at : self.at + 1] == " " else ""
        return f"<mtext>{before}{word}{after}</mtext>"

    def _under_the_root(self) -> str:
        if self.text[self.at] == "(":
            self.at += 1
            return self._bracketed()
        return self._scripted(self._atom())

    def _bracketed(self) -> str:
        """What stands in brackets that are open already, without the closing one."""
        out, depth = [], 1
        while self.at < len(self.text):
            depth += {"(": 1, ")": -1}.get(self.text[self.at], 0)
            if not depth:
                self.at += 1
                break
            out.append(self._scripted(self._atom()))
        return "".join(out)

    def _scripted(self, base: str) -> str:
        below = above = ""
        while base and self.at < len(self.text):
            sign = self.text[self.at]
            if sign in _LOWERED or sign in _RAISED:
                of = _LOWERED if sign in _LOWERED else _RAISED
                taken = re.match(f"[{''.join(of)}]+", self.text[self.at :])
                assert taken is not None
                self.at += taken.end()
                script = Linear(" ".join(map(of.__getitem__, taken[0]))).all()
                below, above = (below + script, above) if of is _LOWERED else (below, above + script)
            elif sign in "_^" and self.at + 1 < len(self.text):
                self.at += 1
                below, above = (below + self._script(), above) if sign == "_" else (below, above + self._script())
            else:
                break
        both = "".join(f"<mrow>{each}</mrow>" for each in (below, above) if each)
        tag = "msubsup" if below and above else "msub" if below else "msup"
        return f"<{tag}>{base}{both}</{tag}>" if both else base

    def _script(self) -> str:
        opened = self.text[self.at]
        if opened == "{":
            self.at += 1
            return self.all("}")
        if opened == "(":
            self.at += 1
            return self._bracketed()
        return self._atom()
