"""One exchange with an instrument, as its dialect has it: in one message or one by one, tagged or not, and echoes.

Below the link, which knows what to do when an exchange fails.   [no pyvisa: the bytes come through a `Port`]
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Sequence
from typing import Final, TypeAlias

from harness.errors import InstrumentError, LinkError
from harness.link.blocks import read_block
from harness.link.dialect import Dialect, split
from harness.link.port import Port, PortError
from harness.link.replies import COMPLETE, WHOLE, joined, pattern, rooted, short, untagged

Asked: TypeAlias = tuple[str, str]
"""A query, and the shape of its reply, without named groups of its own."""

STALE_LINES: Final = 16
SUSPICIONS: Final = 16


class Exchanges:
    """What is said to one instrument; `clean` from a whole reply of the expected shape to the next write."""

    def __init__(
        self, port: Port, name: str, dialect: Dialect, *, timeout_s: float, tag_queries: bool, first_nonce: int
    ) -> None:
        self.name, self.clean = name, False
        self.counted_on: int | None = None  # what stood in its register instead of what should
        self._port, self._dialect, self._timeout_s = port, dialect, timeout_s
        self._tagged = tag_queries and dialect.takes_tags
        self._standing = 0  # the number that stands in its register
        self._nonce = first_nonce % 256  # drawn by lot, so that two controllers do not count alike
        self.sent: deque[int] = deque(maxlen=64)  # its own last numbers: one of them may come back late
        self._suspected: dict[str, str] = {}  # to what a reply was none, and what may be the matter

    def waits(self, command: str) -> list[Asked]:
        """Return the question whose answer says that a command has been carried out, where there is one."""
        return [(self._dialect.done, COMPLETE)] if command and self._dialect.done else []

    def ask(
        self, asked: Sequence[Asked], extra_s: float, *, before: str = "", watched: bool = False
    ) -> tuple[str, ...]:
        """Send what comes before, and ask: in one message, or each by itself where the instrument takes no more.

        `watched`: the first reply is the number that stood in the register.
        """
        command = ";".join(text for text in (before, *(query for query, _ in asked)) if text)
        _sendable(self.name, command)
        self.clean = False  # before the write: Ctrl-C in the middle leaves it so
        way = self._one_by_one if self._dialect.one_by_one else self._in_one
        try:
            replies = way(before, asked, extra_s, watched=watched)
        except PortError as error:
            raise LinkError(self.name, f"{command!r}: {error}", command=command) from error
        self.clean = True
        if self._suspected:
            self._suspected.pop(command, None)
        return replies

    def _in_one(self, before: str, asked: Sequence[Asked], extra_s: float, *, watched: bool) -> tuple[str, ...]:
        command = ";".join(text for text in (before, *(query for query, _ in asked)) if text)
        register = self._dialect.echo
        shapes = [shape for _, shape in asked]
        message, tag = self._frame(command)
        if watched:
            message, shapes = f"{register}?;{message}", [WHOLE, *shapes]
        self._send(message)
        if not shapes and tag is None:
            return ()
        replies = self._shaped(command, self._read_line(extra_s), shapes, tag)
        if watched or tag is not None:
            self._watch(int(replies[0]) if watched else None, tag)
        return replies[watched:]

    def _one_by_one(self, before: str, asked: Sequence[Asked], extra_s: float, *, watched: bool) -> tuple[str, ...]:
        replies: list[str] = []
        self._tell_each(split(before), extra_s)
        if watched:
            self._send(f"{self._dialect.echo}?")
            self._watch(int(*self._shaped("", self._read_line(0.0), [WHOLE], None)), None)
        for query, shape in asked:
            *first, last = split(query)
            self._tell_each(first, extra_s)
            self._send(last)
            replies += self._shaped(last, self._read_line(extra_s), [shape], None)
        return tuple(replies)

    def _tell_each(self, commands: Sequence[str], extra_s: float) -> None:
        """Send commands that ask nothing; some instruments acknowledge each."""
        for command in commands:
            self._send(command)
            if self._dialect.acknowledges:
                self._shaped(command, self._read_line(extra_s), [re.escape(self._dialect.acknowledges)], None)

    def _shaped(self, command: str, reply: str, shapes: Sequence[str], tag: int | None) -> tuple[str, ...]:
        """Return the parts of a reply, each of its shape; anything else is out of step, or an instrument's own way."""
        dialect = self._dialect
        whole, names = joined(tuple(shapes))
        body = untagged(reply, tag)
        match = None if body is None else whole.fullmatch(dialect.plain(body))
        if match is not None and reply != dialect.refuses:
            return tuple([match[name] for name in names])
        if dialect.refuses and reply.startswith(dialect.refuses):
            self.clean = True
            raise InstrumentError(self.name, f"refuses {command!r}: it answers {short(reply)}", command=command)
        why = dialect.strange(reply, whole, tag)
        answers = f"answers {short(reply)} to {command!r}: "
        if why and self._suspected.get(command) == why:  # a damaged reply is not damaged alike twice
            raise InstrumentError(self.name, answers + why, command=command)
        self._suspected = {**dict(list(self._suspected.items())[-SUSPICIONS:]), command: why}
        raise LinkError(self.name, f"{answers}out of step", command=command)

    def absolve(self) -> None:
        """The instrument has said no: that is why a reply was none."""
        self._suspected.clear()

    def ask_block(self, command: str, expected_bytes: int | None, extra_s: float) -> bytes:
        """Ask for a block."""
        _sendable(self.name, command)
        self.clean = False
        try:
            *first, last = self._dialect.messages(command)
            self._tell_each(first, extra_s)
            message, tag = self._frame(last)
            self._send(message)
            headed, timeout_s = self._dialect.headers, self._timeout_s + extra_s
            data, rest = read_block(self._port, expected_bytes, timeout_s, tagged=tag is not None, headed=headed)
        except PortError as error:
            raise LinkError(self.name, f"{command!r}: {error}", command=command) from error
        if untagged(rest, tag) != "":
            raise LinkError(self.name, f"goes on with {short(rest)} after the block: out of step", command=command)
        self.clean = True
        if tag is not None:
            self._watch(None, tag)
        return data

    def abandon(self, question: str) -> None:
        """Ask, and go away before the answer comes: what a reply that is late leaves behind."""
        self.clean = False
        self._send(question)

    def _send(self, message: str) -> None:
        """Write nothing while bytes are unread: a reply that came twice would answer this, and hide a loss."""
        if self._port.unread():
            raise PortError("a reply waits that nobody asked for: out of step")
        self._port.write(message.encode("ascii"))

    def _frame(self, command: str) -> tuple[str, int | None]:
        """Return the message, and the number that its reply ends in, if it is tagged."""
        if not self._tagged:
            return command, None
        tag, register = self._next_nonce(), self._dialect.echo
        return f"{register} {tag};{rooted(command)};{register}?", tag

    def _watch(self, stood: int | None, tag: int | None) -> None:
        """Remember what stands in the register now, and what stood there if it was another number."""
        if stood is not None and stood != self._standing:
            self.counted_on = stood
        self._standing = tag if tag is not None else self._standing if stood is None else stood

    def status(self) -> int:
        """Read the event status: with a second echo, or by itself."""
        dialect = self._dialect
        if dialect.takes_tags:
            return int(self.echo(f"{dialect.status};", rf"({WHOLE})\s*;\s*") if dialect.status else self.echo("") or 0)
        if not dialect.status:
            return 0
        self._send(dialect.status)
        line = dialect.plain(self._read_line(0.0))
        if not pattern(WHOLE).fullmatch(line):
            raise PortError(f"{dialect.status} is answered by {short(line)}")
        return int(line)

    def echo(self, before: str, shape: str = "()") -> str:
        """Send a counted number and swallow what is stale until it comes back; return what came before it."""
        nonce, register = self._next_nonce(), self._dialect.echo
        for message in self._dialect.messages(f"{before}{register} {nonce};{register}?"):
            self._port.write(message.encode("ascii"))  # what is unread is stale, and swallowed
        for _ in range(STALE_LINES):
            match = pattern(rf"{shape}\+?0*{nonce}").fullmatch(self._dialect.plain(self._read_line(0.0)))
            if match is not None:
                self._standing = nonce
                return str(match.group(1))
        raise PortError("no echo among its replies")

    def identity(self) -> str:
        """Ask who it is."""
        self._send(self._dialect.identify)
        identity = self._read_line(0.0)
        if not identity.isprintable() or not identity:
            raise PortError(f"{self._dialect.identify} is answered by {short(identity)}")
        return identity

    def _read_line(self, extra_s: float) -> str:
        return self._port.read_line(self._timeout_s + extra_s).decode("latin-1").strip()

    def _next_nonce(self) -> int:
        self._nonce = self._nonce % 255 + 1  # 1 … 255: 0 is what the register holds after power-on
        self.sent.append(self._nonce)
        return self._nonce


def _sendable(name: str, command: str) -> None:
    if not command.isascii() or not command.isprintable():
        raise InstrumentError(name, f"{command!r} cannot be sent: a command is one line of ASCII")
