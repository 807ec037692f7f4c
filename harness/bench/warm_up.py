"""Nothing is read before every instrument has been on for its warm-up: since when it is known to be, and the wait.

An instrument tells by the power-on bit of its event status (IEEE 488.2) that it was switched on since somebody last
asked. So it is kept, for each address and identity, since when it has been seen on without that bit, and when last. No
record, the bit, or a last sight too long ago means "from now": whoever else asked meanwhile has cleared the bit.
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

from harness.errors import HalfpowerError, OperatorStop
from harness.journal.atomic import write_text
from harness.person.operator import STOPPED_OFF, Operator, Prompt, ask_choice
from harness.quantities import duration
from harness.words.clock import Clock
from harness.words.language import tr

if TYPE_CHECKING:
    from harness.link.link import Link, OnEvent
    from harness.models import Bench
    from harness.steps import Role

WAIT: Final = "warm-up"
TAKEN: Final = "taken as warm"
TRUSTED_FOR: Final = dt.timedelta(hours=4)
"""How long an instrument may be out of sight and still count as on: a pause, and not a night, in which it is switched
off, and on again under another program, which leaves no bit to be seen. Less of it costs no more than waits."""
KEPT_EVERY_S: Final = 60.0  # how often a run keeps that it sees its instruments
_ROUNDING_S: Final = 1e-3  # of a clock that has just slept until then


class SeenOn:
    """Since when, and until when, each instrument has been seen on; one small file each, beside the locks."""

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = folder or Path(platformdirs.user_state_dir("halfpower", ensure_exists=True))

    def since(self, address: str, identity: str, *, powered_on: bool, now: dt.datetime) -> dt.datetime:
        """The start of the warm-up that an instrument has behind it, kept for the next time."""
        path = self._folder / f"{hashlib.sha256(f'{address}|{identity}'.encode()).hexdigest()[:16]}.on.json"
        known = None if powered_on else _read(path, now)
        since = known or now
        kept = {"address": address, "identity": identity, "since": since.isoformat(), "seen": now.isoformat()}
        with suppress(HalfpowerError):  # what cannot be kept is waited for again next time: the safe side
            write_text(path, json.dumps(kept))
        return since


def _read(path: Path, now: dt.datetime) -> dt.datetime | None:
    try:
        kept = json.loads(path.read_text("utf-8"))
        since, seen = dt.datetime.fromisoformat(kept["since"]), dt.datetime.fromisoformat(kept["seen"])
        # Where the clock was set back nothing is known.
        return since if since <= seen <= now <= seen + TRUSTED_FOR else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


@dataclass(slots=True, kw_only=True)
class Warming:
    """One instrument: how long it needs, and since when it is on; None where only a person can say."""

    name: str  # "calibrator (Northfen Orme, no. 0417)"
    needs_s: float
    since: dt.datetime | None
    link: Link | None = None
    address: str = ""
    cycles_seen: int = 0
    warm_at_s: float | None = None  # by the run's own clock, which nobody sets; None: not known yet

    def needs(self) -> str:
        """Its name and its time, in words."""
        return f"{self.name}, {duration(self.needs_s)}"


def warming(
    bench: Bench, roles: Sequence[Role], links: Mapping[Role, Link], seen_on: SeenOn | None, now: dt.datetime
) -> tuple[Warming, ...]:
    """Since when each instrument in use is on: as it tells itself, from now, or as only a person can say."""
    instruments = []
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
        instruments.append(Warming(name=name, needs_s=instrument.warm_up, since=since, link=link, address=address))
    return tuple(instruments)


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
        self._all = tuple(instruments)  # what needs no time here may need it for the next job
        self._instruments = [instrument for instrument in instruments if instrument.needs_s > 0]
        self._clock, self._operator, self._on_event, self._seen_on = clock, operator, on_event, seen_on
        self._keep_at_s = clock.now() + KEPT_EVERY_S
        for instrument in self._instruments:
            if instrument.since is not None:
                on_s = (clock.utc() - instrument.since).total_seconds()
                instrument.warm_at_s = clock.now() + instrument.needs_s - on_s
        if warm and self._instruments:
            self._take(self._instruments, "as was said at the start")

    def wait(self, outputs_off: Callable[[], None]) -> None:
        """Return when everything is warm; outputs are off meanwhile."""
        self._notice_power_cycles()
        if self._clock.now() >= self._keep_at_s:
            self.keep()
        self._ask()
        while cold := [instrument for instrument in self._instruments if self._left_s(instrument) > _ROUNDING_S]:
            outputs_off()
            until = self._clock.utc() + dt.timedelta(seconds=max(self._left_s(instrument) for instrument in cold))
            self._on_event(
                WAIT,
                f"Outputs are off until {until.astimezone():%H:%M:%S}, when everything has warmed up: "
                f"{'; '.join(instrument.needs() for instrument in cold)}.",
            )
            self._clock.sleep(max(0.0, *(self._left_s(instrument) for instrument in cold)))
            self._notice_power_cycles()

    def keep(self) -> None:
        """Keep that every instrument is still on, and what was switched off and on; also at the end of a run."""
        self._notice_power_cycles()
        self._keep_at_s = self._clock.now() + KEPT_EVERY_S
        for instrument in self._all:
            if instrument.link and instrument.link.clean:  # what does not answer may be off
                self._see(instrument, powered_on=False)

    def _see(self, instrument: Warming, *, powered_on: bool) -> None:
        if self._seen_on and (link := instrument.link) and instrument.address:
            self._seen_on.since(instrument.address, link.identity, powered_on=powered_on, now=self._clock.utc())

    def _left_s(self, instrument: Warming) -> float:
        assert instrument.warm_at_s is not None  # asked before
        return instrument.warm_at_s - self._clock.now()

    def _begin(self, instrument: Warming) -> None:
        instrument.since, instrument.warm_at_s = self._clock.utc(), self._clock.now() + instrument.needs_s

    def _notice_power_cycles(self) -> None:
        """What was switched off and on during the run begins again."""
        for instrument in self._all:
            cycles = instrument.link.counts["power_cycle"] if instrument.link else 0
            if cycles == instrument.cycles_seen:
                continue
            instrument.cycles_seen = cycles
            self._begin(instrument)
            self._see(instrument, powered_on=True)
            if instrument.needs_s > 0:
                self._on_event(WAIT, f"{instrument.name} was switched off and on: its warm-up begins again.")

    def _ask(self) -> None:
        """Of what nobody can tell by wire a person says, once, whether it is warm."""
        unknown = [instrument for instrument in self._instruments if instrument.since is None]
        if not unknown:
            return
        title = tr("Have these been on for at least their warm-up time?")
        choices = ("yes", "no", "stop")
        prompt = Prompt(
            kind="choose", title=title, lines=tuple(instrument.needs() for instrument in unknown), choices=choices
        )
        answer = ask_choice(self._operator, prompt)
        if answer == "stop":
            raise OperatorStop(STOPPED_OFF)
        if answer == "yes":
            self._take(unknown, "as the operator says")
        else:
            for instrument in unknown:
                self._begin(instrument)

    def _take(self, instruments: Sequence[Warming], why: str) -> None:
        for instrument in instruments:
            instrument.since = self._clock.utc() - dt.timedelta(seconds=instrument.needs_s)
            instrument.warm_at_s = self._clock.now()
        self._on_event(TAKEN, f"Taken as warm, {why}: {'; '.join(instrument.needs() for instrument in instruments)}.")
