"""What happens during a run, told: into its journal, once there is one, and then to whoever watches."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Self

from harness.errors import JournalError
from harness.journal.journal import Journal

OnEvent = Callable[[str, str], None]
"""Told of a kind, in one word, and a sentence."""


class Events:
    """Takes what is told, counts it by its kind, and passes it on, up to the last: the journal is closed here."""

    def __init__(self, on_event: OnEvent) -> None:
        self.counts: Counter[str] = Counter()
        self._on_event = on_event
        self._journal: Journal | None = None
        self._waiting: list[tuple[str, str]] = []

    def into(self, journal: Journal) -> None:
        """From now on into this journal, what was told before it was there first."""
        self._journal = journal
        for what, text in self._waiting:
            journal.event("", what, text)
        self._waiting.clear()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._journal is not None:
            self._journal.close()

    def __call__(self, what: str, text: str) -> None:
        """Something happened."""
        self.counts[what] += 1
        recorded = self._record(what, text)
        self._on_event(what, text)
        if not recorded:
            self._on_event("journal", f"not recorded: {text}")

    def _record(self, what: str, text: str) -> bool:
        """Keep it, before it is shown: a terminal that fails takes no record with it."""
        if self._journal is None:
            self._waiting.append((what, text))
            return True
        try:
            self._journal.event("", what, text)
        except JournalError:
            return False
        return True
