"""The operator at a terminal: shows a prompt, takes one line.

Whatever comes from files, instruments or people is shown as text: no markup, no control characters.
"""

from __future__ import annotations

import re
import sys
import textwrap
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from typing import TYPE_CHECKING, Final, TextIO

from harness.errors import OperatorStop, SafetyError
from harness.words.clean import clean
from harness.words.language import tr

if TYPE_CHECKING:
    from rich.console import Console

    from harness.person.operator import Prompt
    from harness.steps import Step

_INDENT: Final = "  "
_SIGN: Final = {"do": ">", "read": "?", "choose": "!"}
NOT_SEEN: Final = (
    "A person must confirm it at a terminal, and here the answers come from elsewhere. Run it at a terminal."
)
UNTOUCHED: Final = "Or, for a bench that nobody can touch, set allow_hazardous_voltage = true in the job."
GONE: Final = "Nobody answers at this terminal any more (end of input)."


_AROUND: Final = 4  # rows of a question besides its words and its picture: what was told before, two blank, the answer
_AMPLE: Final = 100  # rows, where nothing scrolls
# What a wrapped line hangs from: the blanks before it, a dash, or the first column of two.
_HANGS: Final = re.compile(r"\s*(?:[->?!] |\d+\. |(?:\S+ )*\S+ {2,}(?=\S))?")


def wrapped(text: str, width: float) -> list[str]:
    """Break a line between words, what goes on standing below where it began."""
    if len(text) <= width:
        return [text]
    match = _HANGS.match(text)
    hang = min(match.end() if match else 0, int(width) // 2)
    return textwrap.wrap(text, int(width), subsequent_indent=" " * hang, break_on_hyphens=False)


_asked: list[Prompt] = []  # the question that stands now, for whoever is told of a signal


def standing() -> str:
    """What a person at the terminal is asked now; empty where nobody is."""
    return clean(_asked[-1].title) if _asked else ""


class Terminal:
    """Asks a person at the terminal, or whoever writes its lines into a pipe."""

    def __init__(
        self,
        console: Console,
        *,
        answers: TextIO | None = None,
        aside: Callable[[], AbstractContextManager[None]] = nullcontext,
    ) -> None:
        self._console = console
        self._answers = answers
        self._aside = aside
        self._gone = False
        self._drawn: Step | None = None  # of the question whose screen stands just above, nothing but words below it
        self._told = False

    def ask(self, prompt: Prompt) -> str:
        """Show the prompt, wait for one line; raises OperatorStop when no line can come any more."""
        if self._gone:
            raise OperatorStop(GONE)
        if prompt.hazard and not self.seen():
            raise SafetyError(f"Stopped. {prompt.title} {NOT_SEEN}{f' {UNTOUCHED}' * ('go on' in prompt.choices)}")
        try:
            with self.showing(prompt):
                return self._line()
        except (EOFError, OSError) as error:  # a closed pipe or a terminal that is gone
            self._gone = True
            raise OperatorStop(GONE) from error

    @contextmanager
    def showing(self, prompt: Prompt) -> Iterator[None]:
        """Show the prompt, which stands for as long as this lasts."""
        with self._aside():
            _asked.append(prompt)
            if (prompt.firm or prompt.hazard) and self.seen():
                _forget_typed(self._answers if self._answers is not None else sys.stdin)
            try:
                self._show(prompt)
                yield
            finally:
                _asked.pop()

    def seen(self) -> bool:
        """Whether question and answer are at a terminal, so that somebody has read the one and typed the other."""
        answers = self._answers if self._answers is not None else sys.stdin
        try:
            return answers is not None and answers.isatty() and self._console.file.isatty()
        except (OSError, ValueError):  # it was closed
            return False

    def tell(self, text: str) -> None:
        """Say something that needs no answer; a closed terminal does not keep the bench from being made safe."""
        self._told = True
        with self._aside():
            try:
                for line in text.splitlines():
                    self._print(line, "yellow")
            except OSError:
                return

    def answered(self, said: str) -> None:
        """Somebody answered elsewhere the question that stands here."""
        with suppress(OSError):
            self._print(f"{said} (on a page)", "dim")

    def _show(self, prompt: Prompt) -> None:
        self._console.print()
        prompt = prompt.in_order
        self._print(f"{_SIGN[prompt.kind]} {prompt.title}", "bold")
        stands = self._told and prompt.screen is not None and prompt.step == self._drawn
        after = [f"{_INDENT}{line}" for line in self._after(prompt)]
        # Else what was told would be lost above the same picture; every second time it has scrolled away.
        if not stands:
            said = [f"{_INDENT}{line}" for line in self._said(prompt)]
            for line in said:
                self._print(line)
            for line in self._screen(prompt, [f"? {prompt.title}", *said, *after]):
                self._print(f"{_INDENT}{line}")
        self._drawn, self._told = prompt.step if prompt.screen is not None and not stands else None, False
        for line in after:
            self._print(line, "dim")
        self._console.print(
            tr("Enter when done, ? for help: ") if prompt.kind == "do" else tr("answer: "), end="", markup=False
        )

    @staticmethod
    def _said(prompt: Prompt) -> Iterator[str]:
        """What is to be done, and what stands."""
        yield from (f"{number}. {errand.in_one_line}" for number, errand in enumerate(prompt.first, 1))
        yield from prompt.lines
        if prompt.unchanged:
            yield tr("as before: {unchanged}", unchanged=prompt.unchanged)

    @staticmethod
    def _after(prompt: Prompt) -> Iterator[str]:
        """What is said last, nearest to the answer."""
        if prompt.choices and not prompt.in_words:
            yield tr("Type one of: {choices}", choices=", ".join(prompt.choices))
        done = tr("{done}: Enter alone", done=prompt.done) if prompt.done else ""
        yield from filter(None, (prompt.hint, done, prompt.progress))

    def _screen(self, prompt: Prompt, words: Sequence[str]) -> Sequence[str]:
        """The picture, small enough for what was told, question and answer to stay in sight with it."""
        if prompt.screen is None:
            return ()
        width = self._console.width - len(_INDENT)
        if not self._console.is_terminal:
            return prompt.screen(width, _AMPLE)
        rows = sum(len(wrapped(line, self._console.width)) for line in words)
        return prompt.screen(width, self._console.height - rows - _AROUND)

    def _print(self, text: str, style: str = "") -> None:
        from rich.text import Text

        text = clean(text)
        lines = wrapped(text, self._console.width) if self._console.is_terminal else [text]
        for line in lines:
            self._console.print(Text(line, style=style), soft_wrap=True)

    def _line(self) -> str:
        answers = self._answers if self._answers is not None else sys.stdin
        if answers is None or answers.closed:
            raise EOFError
        self._console.file.flush()
        line = answers.readline()
        if not line:
            raise EOFError
        line = line.rstrip("\r\n")
        self.typed(line)
        return line

    def typed(self, line: str) -> None:
        """A terminal has shown what was typed; a protocol of a piped run has not."""
        if not self._console.is_terminal:
            self._print(line)


def _forget_typed(answers: TextIO) -> None:
    """Let go of what was typed before the question stood: it says nothing of it."""
    with suppress(ImportError, OSError, ValueError):  # elsewhere, or closed meanwhile
        import termios

        with suppress(termios.error):
            termios.tcflush(answers.fileno(), termios.TCIFLUSH)
