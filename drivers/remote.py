"""What the generic SCPI drivers share: a link, a table, and a memory of what is set that forgets at any doubt."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from drivers.commands import Commands, Table
from harness.errors import HalfpowerError
from harness.link import Link

if TYPE_CHECKING:
    from harness.steps import Role


class Remote:
    """Base of the generic drivers."""

    def __init__(self, link: Link, role: Role, table: Table, overrides: Mapping[str, str]) -> None:
        self.link = link
        self.commands = Commands(role, table, overrides)
        self._standing: tuple[int, str] | None = None  # the link's epoch and the message that holds

    def identify(self) -> str:
        """Who answers."""
        return self.link.identity or self.link.connect()

    def check(self) -> None:
        """Close a point."""
        try:
            self.link.check()
        except HalfpowerError:
            self.forget()
            raise

    def close(self) -> None:
        """Let go of the instrument."""
        self.forget()
        self.link.close()

    def forget(self) -> None:
        """Hold nothing for set."""
        self._standing = None

    def stands(self, message: str) -> bool:
        """Whether just this was set, and nothing has happened since that could have changed it."""
        return self.link.clean and self._standing == (self.link.epoch, message)

    def establish(self, message: str, *, before: str = "", extra_s: float = 0.0) -> None:
        """Set, unless it stands already; `before` goes in front and is not remembered."""
        if self.stands(message):
            return
        self.forget()
        self.link.set(";".join(part for part in (before, message) if part), extra_s=extra_s)
        self._standing = (self.link.epoch, message)
