"""The heartbeat of a queue: one small file that says what is being done, and by when the next sign of life comes.

Whoever works writes it, whole or not at all; whoever watches, on this machine or another, judges it by `judge`.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final, Literal, TypeAlias

from pydantic import AwareDatetime, ConfigDict, TypeAdapter

from harness.errors import HalfpowerError, JournalError
from harness.journal.atomic import write_text
from harness.quantities import duration
from harness.words.clock import Clock
from harness.words.json_text import json_text

NAME: Final = "heartbeat.json"
FORMAT: Final = 1
EVERY_S: Final = 1.0  # signs of life come many a second; the file is written this often
LARGEST: Final = 1 << 16  # bytes
GRACE_S: Final = 10.0  # a disk, or a network's file system, may be this late

Doing: TypeAlias = Literal["waiting", "running", "ended"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Beat:
    """One sign of life."""

    __pydantic_config__ = ConfigDict(extra="forbid")

    pid: int
    host: str
    doing: Doing
    job: str = ""
    number: int = 0
    jobs: int = 0
    part: str = ""
    step: int = 0
    steps: int = 0
    text: str = ""
    may_be_on: str = ""  # outputs that may still be on
    since: AwareDatetime  # of this job, or of the wait
    at: AwareDatetime
    next_by: AwareDatetime | None  # None: a person is asked, or nothing more comes


_BEAT: Final = TypeAdapter(Beat)


def sentence(beat: Beat) -> str:
    """What is being done, in words."""
    match beat.doing:
        case "waiting":
            return beat.text
        case "ended":
            return f"The queue has ended: {beat.text}"
        case _:
            step = f", {beat.part}, step {beat.step} of {beat.steps}" if beat.part else ""
            return f"Job {beat.number} of {beat.jobs}, {beat.job}{step}"


class Heart:
    """Writes the heartbeat. That it cannot is said once and ends nothing."""

    def __init__(self, path: Path, clock: Clock, first: Beat, trouble: Callable[[str], None]) -> None:
        self.path, self._clock, self._beat, self._trouble = path, clock, first, trouble
        self._written_s, self._promised_s = -math.inf, -math.inf
        self._told = False

    def change(self, within_s: float, **what: Any) -> None:
        """Something else is being done from now on."""
        self._beat = replace(self._beat, since=self._clock.utc(), part="", step=0, steps=0, **what)
        self._write(within_s)

    def warn(self, may_be_on: str) -> None:
        """What may still be on from now on; it is written with the next sign, or with what is done next."""
        self._beat = replace(self._beat, may_be_on=may_be_on)

    def step(self, part: str, step: int, steps: int, **of: Any) -> None:
        """A step of a job is done, `of` which where several are under way; it is written with the next sign."""
        self._beat = replace(self._beat, part=part, step=step, steps=steps, **of)

    def sign(self, within_s: float) -> None:
        """Still alive; the next sign comes within so many seconds (`harness.words.clock.OnLife`)."""
        now = self._clock.now()
        if now - self._written_s >= EVERY_S or now + within_s > self._promised_s:
            self._write(within_s)

    def end(self, text: str) -> None:
        """Nothing more comes."""
        self.change(math.inf, doing="ended", text=text)

    def _write(self, within_s: float) -> None:
        at = self._clock.utc()
        lease_s = within_s + EVERY_S  # signs that come sooner than that need not be written
        next_by = at + dt.timedelta(seconds=lease_s) if math.isfinite(lease_s) else None
        self._beat = replace(self._beat, at=at, next_by=next_by)
        self._written_s, self._promised_s = self._clock.now(), self._clock.now() + lease_s
        try:
            write_text(self.path, to_text(self._beat), passing=True)
        except HalfpowerError as error:
            if not self._told:
                self._told = True
                self._trouble(f"The heartbeat cannot be written, so nobody can watch this queue: {error}")


def to_text(beat: Beat) -> str:
    """A beat as the file holds it."""
    plain = {key: _iso(value) for key, value in asdict(beat).items()}
    return json_text({"format": FORMAT, **plain}, indent=1) + "\n"


def _iso(value: Any) -> Any:
    return value.isoformat(timespec="milliseconds") if isinstance(value, dt.datetime) else value


def read(path: Path) -> Beat:
    """Read a heartbeat; `path` is the file or its folder."""
    try:  # to look at a path fails as well, where a network's file system has gone
        path = path / NAME if path.is_dir() else path
        if path.exists() and not (path.is_file() and path.stat().st_size < LARGEST):
            raise ValueError  # reading a pipe would never end
        plain = json.loads(path.read_bytes().decode("utf-8"))
        if plain.pop("format") != FORMAT:
            raise ValueError
        return _BEAT.validate_json(json.dumps(plain), strict=True)
    except OSError as error:
        raise JournalError(
            f"{path}: cannot be read: {error.strerror}. Name the folder of a queue or its {NAME}."
        ) from None
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        raise JournalError(f"{path}: is no heartbeat of a queue, or a damaged one. Look at the queue itself.") from None


# --- judging -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What a watcher knows beside the beat itself."""

    now: dt.datetime
    unchanged_s: float | None  # how long, by the watcher's own clock, the file has been the same; None at one look
    host: str
    alive: bool | None  # whether the process lives; None where that cannot be asked


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What a beat means."""

    kind: Literal["alive", "asked", "ended", "alarm"]
    sentence: str
    waiting: bool = False  # the queue had not begun: nothing was switched on by it


def judge(beat: Beat, seen: Seen) -> Judgement:
    """Tell slow from stalled, by what the heartbeat itself announced; what may still be on is said first.

    Who goes on watching counts how long the file has not changed, which no clock that is set can upset.
    """
    judged = _judged(beat, seen)
    return replace(judged, sentence=f"{beat.may_be_on} {judged.sentence}") if beat.may_be_on else judged


def _judged(beat: Beat, seen: Seen) -> Judgement:
    doing = sentence(beat)
    if beat.doing == "ended":
        return Judgement(kind="ended", sentence=doing)
    if beat.host == seen.host and seen.alive is False:
        return _alarm(f"The process {beat.pid} is gone. Its last sign of life: {doing}, {_ago(beat, seen)}.")
    if beat.next_by is None:
        return Judgement(kind="asked", sentence=f"{doing}: waiting for a person.")
    lease_s = (beat.next_by - beat.at).total_seconds()
    if seen.unchanged_s is None:
        return _at_one_look(beat, seen, beat.next_by)
    if seen.unchanged_s > lease_s + GRACE_S:
        return _alarm(
            f"No sign of life for {duration(seen.unchanged_s)}, where the next was due within {duration(lease_s)}. "
            f"The last: {doing}."
        )
    return Judgement(kind="alive", sentence=doing)


def _at_one_look(beat: Beat, seen: Seen, next_by: dt.datetime) -> Judgement:
    """By the clock of the day alone, which only means something where both clocks agree."""
    ahead_s = (beat.at - seen.now).total_seconds()
    if ahead_s > GRACE_S:
        return _alarm(
            f"The last sign of life is {duration(ahead_s)} ahead of this clock: a clock was set back, or that of "
            f"{beat.host} differs. One look cannot tell whether it is alive; watch it without --once."
        )
    late_s = (seen.now - next_by).total_seconds()
    if late_s > GRACE_S:
        return _alarm(
            f"The next sign of life is overdue by {duration(late_s)}. The last: {sentence(beat)}, {_ago(beat, seen)}."
        )
    return Judgement(kind="alive", sentence=sentence(beat))


def _alarm(text: str) -> Judgement:
    return Judgement(kind="alarm", sentence=text)


def _ago(beat: Beat, seen: Seen) -> str:
    return f"{duration(max((seen.now - beat.at).total_seconds(), 0.0))} ago"
