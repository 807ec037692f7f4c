"""Why an instrument stays away, and what can be done about it: it is asked once more, in smaller pieces."""

from __future__ import annotations

from typing import Final

from harness.link.dialect import ONE_ONLY, Dialect, key
from harness.link.port import ConnectionRefused, Port, PortError

_NUMBER: Final = 37


def why_silent(port: Port, dialect: Dialect, timeout_s: float) -> str:
    """Say what answers and what does not, with the key that helps; "" where that is not known."""
    try:
        port.reopen()
        if not dialect.identify:
            return _without_echo(port, dialect, timeout_s)
        port.write(dialect.identify.encode("ascii"))
        first = port.read_bytes(1, timeout_s)
    except PortError:
        return ""
    try:
        identity = (first + port.read_line(timeout_s)).decode("latin-1")
        if not any(letter.isalpha() for letter in identity):
            return ""  # a line that babbles
        if identity.strip() == dialect.identify:
            return "it sends back what it is sent; switch its echo off, or look whether the line is a loop"
        return _without_echo(port, dialect, timeout_s)
    except PortError:
        return f"it answers, but its answers do not end as expected; {key('answers_end_with')}"


def remedy(problem: Exception | None) -> str:
    """What a person can do about an instrument that stays away."""
    if not isinstance(problem, ConnectionRefused):
        return "check that it is switched on, its cable and its address"
    return (
        "check that it is switched on, and its address; or another program holds the only connection that it serves: "
        f"end that program, or, where the last one lingers, {key('patience')}"
    )


def _without_echo(port: Port, dialect: Dialect, timeout_s: float) -> str:
    """Set the number and ask for it, each in a message of its own."""
    if not dialect.echo:
        return ""
    port.write(f"{dialect.echo} {_NUMBER}".encode("ascii"))
    port.write(f"{dialect.echo}?".encode("ascii"))
    try:
        answer = dialect.plain(port.read_line(timeout_s).decode("latin-1").strip())
    except PortError:
        answer = ""
    if answer.lstrip("+0") == str(_NUMBER):
        return "" if dialect.one_by_one else ONE_ONLY
    if not dialect.identify:
        return ""
    return f"it answers {dialect.identify}, but it has no {dialect.echo}; " + key('echo = ""')
