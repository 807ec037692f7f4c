"""The command line: the commands, their exit codes, and what a signal does. With `harness.commands` and
`harness.person.console` the only code that prints; nothing else exits.

Start-up imports nothing but click: every command imports what it needs when it runs.
"""

from __future__ import annotations

import _thread
import gc
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import FrameType
from typing import Any, Final, NoReturn

import rich_click as click

from harness.commands.adjust import adjust
from harness.commands.bench import bench
from harness.commands.board import board
from harness.commands.demo import demo
from harness.commands.docs import docs
from harness.commands.files import check, schema
from harness.commands.helping import PlainHelpGroup, say
from harness.commands.history import history
from harness.commands.issue import amend, approve, key, signed
from harness.commands.label import label
from harness.commands.queue import queue, watch
from harness.commands.reanalyse import reanalyse
from harness.commands.records import records
from harness.commands.rehearse import rehearse
from harness.commands.report import report
from harness.commands.run import resume, run
from harness.commands.start import new
from harness.commands.try_out import try_out
from harness.errors import HalfpowerError

SIGNALS: Final = ("SIGINT", "SIGTERM", "SIGHUP")  # Ctrl-C, an order to end, a terminal that was closed
PATIENCE: Final = 3  # how many signals it takes to end the switching-off itself
_GARBAGE: Final = (50_000, 20, 20)  # objects made beyond those let go, and how many times less often the older ones
AGAIN_S: Final = 0.02
"""An exception is lost where Python itself called what it interrupted (a weak reference's callback, a finaliser): then
the signal is sent again after so long."""


class Stopped(KeyboardInterrupt):
    """A signal asked the program to end; everything that is open unwinds, outputs first."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self.number = number
        self.exit_code = 128 + number  # as shells report it: 130 for Ctrl-C, 143 for SIGTERM


class Program(PlainHelpGroup):
    """Every failure that a person can do something about ends here: one sentence, and a code by its kind."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - the signature is click's
        """In the order of use."""
        return list(self.commands)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command."""
        try:
            with _signals():
                return super().invoke(ctx)
        except HalfpowerError as error:
            _say("\n".join([str(error), *_notes(error)]))
            ctx.exit(error.exit_code)
        except BrokenPipeError:
            raise
        except OSError as error:
            where = f"{error.filename}: " if error.filename else ""
            _say("\n".join([f"{where}{error.strerror or error}. Nothing that was measured is lost.", *_notes(error)]))
            ctx.exit(1)
        except KeyboardInterrupt as stopped:
            _say("\n".join(["Stopped.", *_notes(stopped)]))
            ctx.exit(getattr(stopped, "exit_code", 130))


@contextmanager
def _signals() -> Iterator[None]:
    """Turn the signals into one exception; while that unwinds, further ones are answered and not obeyed."""
    received = 0

    def stop(number: int, _frame: FrameType | None) -> None:
        nonlocal received
        received += 1
        if received == 1 or received > PATIENCE:
            raise Stopped(number)
        from harness.person.console import standing

        asked = standing()
        _say(
            f"You are waited for: {asked}, then press Enter." if asked else "Still switching outputs off; please wait."
        )

    alone = threading.current_thread() is threading.main_thread()  # only there may handlers be set
    known = [getattr(signal, name) for name in SIGNALS if alone and hasattr(signal, name)]
    # What is ignored stays ignored: whoever said nohup wants the run to outlive the terminal.
    heard = [number for number in known if signal.getsignal(number) != signal.SIG_IGN]
    before, unraisable = {number: signal.signal(number, stop) for number in heard}, sys.unraisablehook

    def lost(what: sys.UnraisableHookArgs) -> None:
        nonlocal received
        if not isinstance(what.exc_value, Stopped):
            unraisable(what)
            return
        received = 0
        again = threading.Timer(AGAIN_S, _send_again, (what.exc_value.number,))
        again.daemon = True
        again.start()

    if heard:
        sys.unraisablehook = lost
    try:
        yield
    finally:
        sys.unraisablehook = unraisable
        for number, handler in before.items():
            signal.signal(number, handler)


def _send_again(number: int) -> None:
    main = threading.main_thread()
    if hasattr(signal, "pthread_kill") and main.ident is not None:
        signal.pthread_kill(main.ident, number)
    else:
        _thread.interrupt_main(signal.Signals(number))


def _notes(error: BaseException) -> list[str]:
    """What was added on the way up: where the readings are, and how to go on."""
    return list(getattr(error, "__notes__", ()))


def _say(sentence: str) -> None:
    with suppress(OSError):  # the terminal may be closed, and the exit code still counts
        say(*sentence.splitlines(), err=True)


@click.group(cls=Program, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="halfpower", prog_name="halfpower")
def cli() -> None:
    """Verify oscilloscopes: deflection, time base and half-power bandwidth, each with its uncertainty and a verdict.

    Three small files say everything: a bench file (instruments), a unit file (a model of oscilloscope) and a job
    file (one unit on one bench). A fourth, the queue file, lists jobs for a night.

    \b
    Examples:
      halfpower demo                 verify a simulated oscilloscope
      halfpower new --by-hand        answer questions for a bench by hand
      halfpower new job > job.toml   a file to start from
      halfpower check job.toml       every problem of the three files
      halfpower rehearse job.toml    what would be done, nothing switched on
      halfpower run job.toml         do it
      halfpower queue night.toml     many jobs, with nobody there

    \b
    Exit codes:
      0 done, whatever the verdict      7 readings allow no estimate
      1 any other failure               8 the bench is in use
      2 wrong use of a command          9 stopped by the operator
      3 a file is wrong                10 the store of runs cannot be used
      4 an instrument failed           11 not every job of a queue is done
      5 a journal cannot be used       12 what is watched shows no life
      6 it would not be safe          130 or 143: Ctrl-C or SIGTERM
    """


for _command in (
    demo, check, new, schema, bench, try_out, rehearse, run, resume, adjust, queue, watch, board, report, label,
    approve, amend, key, signed, records, history, reanalyse, docs,
):  # fmt: skip
    cli.add_command(_command)


def main() -> NoReturn:
    """Start here."""
    # What is loaded stays, and what drawings leave behind is much at once: looked through for garbage as often as
    # Python does by itself, a report takes a fifth longer.
    gc.freeze()
    gc.set_threshold(*_GARBAGE)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a legacy code page must not stop a run for the want of an Ω
            stream.reconfigure(errors="replace")
    if hasattr(sys.stdin, "reconfigure"):
        sys.stdin.reconfigure(errors="replace")
    cli(prog_name="halfpower")
    raise AssertionError("unreachable: click exits")


if __name__ == "__main__":
    main()
