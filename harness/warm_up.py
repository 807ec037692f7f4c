"""Nothing is read before every instrument has been on for its warm-up: since when it is known to be, and the wait.

An instrument tells by the power-on bit of its event status (IEEE 488.2) that it was switched on since somebody last
asked. So it is kept, for each address and identity, since when it has been seen on without that bit; no record, or the
bit, means "from now".
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import platformdirs

from harness.clock import Clock
from harness.errors import OperatorStop
from harness.operator import Operator, Prompt
from harness.quantities import duration

if TYPE_CHECKING:
    from harness.link import Link
    from harness.models import Bench
    from harness.steps import Role

OnEvent = Callable[[str, str], None]
WAIT: Final = "warm-up"
TAKEN: Final = "taken as warm"
_ROUNDING: Final = dt.timedelta(milliseconds=1)  # of a clock that has just slept until then


class SeenOn:
    """Since when each instrument has been seen on; one small file each, beside the locks."""

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = folder or Path(platformdirs.user_state_dir("halfpower", ensure_exists=True))

    def since(self, address: str, identity: str, *, powered_on: bool, now: dt.datetime) -> dt.datetime:
        """The start of the warm-up that an instrument has behind it, kept for the next time."""
        path = self._folder / f"{hashlib.sha256(f'{address}|{identity}'.encode()).hexdigest()[:16]}.on.json"
        known = None if powered_on else _read(path, now)
        if known is not None:
            return known
        with suppress(OSError):  # what cannot be kept is waited for again next time: the safe side
            beside = path.with_suffix(".part")
            beside.write_text(json.dumps({"address": address, "identity": identity, "since": now.isoformat()}), "utf-8")
            beside.replace(path)
        return now


def _read(path: Path, now: dt.datetime) -> dt.datetime | None:
    try:
        since = dt.datetime.fromisoformat(json.loads(path.read_text("utf-8"))["since"])
        return since if since <= now else None  # the clock was set back: nothing is known
    except (OSError, ValueError, KeyError, TypeError):
        return None


@dataclass(slots=True, kw_only=True)
class Warming:
    """One instrument: how long it needs, and since when it is on; None where only a person can say."""

    name: str  # "calibrator (Northfen K320, no. 0417)"
    needs_s: float
    since: dt.datetime | None
    link: Link | None = None
    address: str = ""
    cycles_seen: int = 0

    @property
    def until(self) -> dt.datetime:
        """When it is warm."""
        assert self.since is not None  # asked before
        return self.since + dt.timedelta(seconds=self.needs_s)

    def needs(self) -> str:
        """Its name and its time, in words."""
        return f"{self.name}, {duration(self.needs_s)}"


def warming(
    bench: Bench, roles: Sequence[Role], links: Mapping[Role, Link], seen_on: SeenOn | None, now: dt.datetime
) -> tuple[Warming, ...]:
    """Since when each instrument in use is on: as it tells itself, from now, or as only a person can say."""
    found = []
    for role in roles:
        instrument, link = getattr(bench, role), links.get(role)
        if instrument is None:
            continue
        address = instrument.address or ""
        by_hand = link is None and instrument.driver in ("manual", "scpi")  # or a display that is read by eye
        since = None if by_hand else now
        if seen_on and link and address:
            since = seen_on.since(address, link.identity, powered_on=link.power_came_on, now=now)
        name = f"{role} ({instrument.label})"
        found.append(Warming(name=name, needs_s=instrument.warm_up, since=since, link=link, address=address))
    return tuple(found)


class WarmUp:
    """What is still cold, and the wait for it; asked before every reading."""

    def __init__(
        self,
        instruments: Sequence[Warming],
        *,
        clock: Clock,
        operator: Operator,
        on_event: OnEvent,
        seen_on: SeenOn | None,
        warm: bool = False,
    ) -> None:
        self._instruments = [each for each in instruments if each.needs_s > 0]
        self._clock, self._operator, self._on_event, self._seen_on = clock, operator, on_event, seen_on
        if warm and self._instruments:
            self._take(self._instruments, "as was said at the start")

    def wait(self, outputs_off: Callable[[], None]) -> None:
        """Return when everything is warm; outputs are off meanwhile."""
        self._notice_power_cycles()
        self._ask()
        while cold := [each for each in self._instruments if each.until - self._clock.utc() > _ROUNDING]:
            outputs_off()
            until = max(each.until for each in cold)
            self._on_event(
                WAIT,
                f"Outputs are off until {until.astimezone():%H:%M:%S}, when everything has warmed up: "
                f"{'; '.join(each.needs() for each in cold)}.",
            )
            self._clock.sleep(max((until - self._clock.utc()).total_seconds(), 0.0))
            self._notice_power_cycles()

    def _notice_power_cycles(self) -> None:
        """What was switched off and on during the run begins again."""
        for each in self._instruments:
            cycles = each.link.counts["power_cycle"] if each.link else 0
            if cycles == each.cycles_seen:
                continue
            each.cycles_seen, each.since = cycles, self._clock.utc()
            if self._seen_on and each.link:
                self._seen_on.since(each.address, each.link.identity, powered_on=True, now=each.since)
            self._on_event(WAIT, f"{each.name} was switched off and on: its warm-up begins again.")

    def _ask(self) -> None:
        """Of what nobody can tell by wire a person says, once, whether it is warm."""
        unknown = [each for each in self._instruments if each.since is None]
        if not unknown:
            return
        title = "Have these been on for at least their warm-up time?"
        choices = ("yes", "no", "stop")
        prompt = Prompt(kind="choose", title=title, lines=tuple(each.needs() for each in unknown), choices=choices)
        while (answer := self._operator.ask(prompt).strip().lower()) not in choices:
            self._operator.tell(f"{answer!r} is no answer here. Type one of: {', '.join(choices)}.")
        if answer == "stop":
            raise OperatorStop("Stopped by the operator; the outputs are off. 'halfpower resume' goes on from here.")
        if answer == "yes":
            self._take(unknown, "as the operator says")
        else:
            for each in unknown:
                each.since = self._clock.utc()

    def _take(self, instruments: Sequence[Warming], why: str) -> None:
        now = self._clock.utc()
        for each in instruments:
            each.since = now - dt.timedelta(seconds=each.needs_s)
        self._on_event(TAKEN, f"Taken as warm, {why}: {'; '.join(each.needs() for each in instruments)}.")
