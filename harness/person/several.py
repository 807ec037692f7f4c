"""A person who is at the terminal and at the pages of a run at once: the first answer counts, and all see it."""

from __future__ import annotations

import io
import queue
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final, TextIO

from harness.errors import OperatorStop
from harness.person.console import GONE
from harness.person.page import said
from harness.words.language import tr, tr_later

if TYPE_CHECKING:
    from harness.person.console import Terminal
    from harness.person.operator import Prompt
    from harness.person.page import Page

_LOOK_S: Final = 0.5  # some systems let no signal through to a wait without an end
ANEW: Final = tr_later("That line was begun while another question stood, so it answers nothing. It is your turn now:")
ELSEWHERE: Final = tr_later(
    "Answers come from elsewhere here, and a person must confirm this: on a page, or at a terminal."
)


class Several:
    """The operator of a run that has pages; where they are served, a terminal that is gone leaves them to go on."""

    def __init__(self, terminal: Terminal, page: Page, *, answers: TextIO | None = None, served: bool = True) -> None:
        self._terminal, self._page, self._served = terminal, page, served
        self._wanted = threading.Semaphore(0)
        self._reading = False  # a line is waited for, since this question or an earlier one
        self._gone = False
        self._answers = answers
        self._thread: threading.Thread | None = None

    def ask(self, prompt: Prompt) -> str:
        """Ask at the terminal and on every page, and wait for the first answer."""
        with self.standing(prompt) as answered:
            while (text := answered(_LOOK_S)) is None:
                pass
            return text

    @contextmanager
    def standing(self, prompt: Prompt) -> Iterator[Callable[[float], str | None]]:
        """Have a question stand; gives what waits so many seconds for the first answer, None where none came."""
        late = self._reading  # who types it may mean an earlier question, which a page has answered

        def answered(wait_s: float) -> str | None:
            nonlocal late
            if self._gone and not self._served:
                raise OperatorStop(GONE)
            if question.first is not None:  # while another stood, which does not take it
                self._terminal.answered(said(question.first[1]))
                return question.first[1]
            self._read_on()
            try:
                of, text = self._page.heard.get(timeout=wait_s)
            except queue.Empty:
                return None
            if of is not None and text is not None:  # from a page
                if of is question:
                    self._terminal.answered(said(text))
                return text if of is question else None
            self._reading, self._gone = False, text is None
            if text is None:
                return None
            if late:
                late = False
                self._terminal.tell(tr(ANEW))
            elif prompt.hazard and not self._terminal.seen():
                self._terminal.tell(tr(ELSEWHERE))
            elif self._page.take(question, "terminal", text):
                self._terminal.typed(text)
                return text
            return None

        with self._page.asking(prompt) as question, self._terminal.showing(prompt):
            yield answered

    def tell(self, text: str) -> None:
        """Tell everybody."""
        self._terminal.tell(text)
        self._page.tell(text)

    def _read_on(self) -> None:
        """Have the next line read, in a thread: no system lets go of a line that is being read."""
        if self._reading or self._gone:
            return
        if self._thread is None:
            self._thread = threading.Thread(target=self._read, name="terminal", daemon=True)
            self._thread.start()
        self._reading = True
        self._wanted.release()

    def _read(self) -> None:
        answers = _own(self._answers if self._answers is not None else sys.stdin)
        while True:
            self._wanted.acquire()
            try:
                line = answers.readline() if answers is not None else ""
            except (OSError, ValueError):  # it was closed
                line = ""
            self._page.heard.put((None, line.rstrip("\r\n") if line else None))


def _own(stream: TextIO | None) -> TextIO | None:
    """The stream under a handle of its own: at its end the program waits for nobody who still reads from it."""
    try:
        assert stream is not None
        return open(stream.fileno(), encoding=stream.encoding, errors="replace", closefd=False)
    except (AssertionError, OSError, ValueError, io.UnsupportedOperation):
        return stream
