"""The outputs of a bench: switched off each by itself, told loudly where one would not go, and never believed off."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress

from drivers import Driver
from harness.bench.limits import HAZARDOUS_PEAK_V
from harness.errors import InstrumentError, OperatorStop, SafetyError
from harness.link.link import OnEvent
from harness.models import Bench
from harness.steps import Role


class Outputs:
    """Every source of a bench, used or not, and what is known of its output."""

    def __init__(
        self,
        bench: Bench,
        sources: Mapping[Role, Driver],
        *,
        alive: Callable[[Driver], object],
        tell: Callable[[str], None],
        on_event: OnEvent,
    ) -> None:
        self.sources = dict(sources)
        self.unsure: dict[Role, BaseException] = {}  # the sources that would not go off when last asked
        self.dark: set[Role] = set()  # those that were switched off, and not on since
        self._bench, self._alive, self._tell, self._on_event = bench, alive, tell, on_event
        self.warned: set[str] = set()  # what was said already
        # Peak that each may be giving, in V, and those of a hazardous one: nobody knows how a panel was left.
        self.driven: dict[Role, float] = {}
        self.hazardous: set[Role] = set()
        for role in self.by_hand():
            self.turned(role)

    def by_hand(self) -> set[Role]:
        """The sources that a person switches."""
        return {role for role in self.sources if getattr(self._bench, role).driver == "manual"}

    def turned(self, role: Role, to_v: float | None = None, *, hazardous: bool = False) -> None:
        """Somebody turned the level of a source: to what is known of it, else perhaps as far as it goes."""
        self.driven[role] = most_v = getattr(self._bench, role).level_high if to_v is None else to_v
        self.hazardous.discard(role)
        if hazardous or most_v > HAZARDOUS_PEAK_V:
            self.hazardous.add(role)

    def off(self, *, but: set[Role] | None = None) -> list[str]:
        """Switch every source off, each by itself; a sentence for each that would not. A signal waits for all."""
        problems = []
        stopped: KeyboardInterrupt | None = None
        for role, driver in self.sources.items():
            if role in (but or ()):
                continue
            self.dark.discard(role)
            self.unsure.pop(role, None)
            try:
                try:
                    self._off(driver)
                except KeyboardInterrupt as error:
                    stopped = error
                    self._off(driver)
                self.dark.add(role)
                self.hazardous.discard(role)
                self.driven.pop(role, None)
            except (Exception, KeyboardInterrupt) as error:  # noqa: BLE001 - whatever it was, the next one is still on
                problems.append(self.may_be_on(role, error))
                self.unsure[role] = error
        if not problems and not but:
            self.warned.clear()
        if stopped is not None:
            raise stopped
        return problems

    def make_safe(self, *, but: set[Role] | None = None) -> None:
        """Switch every source off, and say loudly which would not go; once each, however often it is tried."""
        for problem in self.off(but=but):
            if self.warn(problem):
                self._tell(problem)

    def others_off(self, used: Role, *, by_switch: bool) -> None:
        """Only the source in use may be on; behind a switch the others do without one that would not go off."""
        for role, driver in self.sources.items():
            if role in self.unsure and not by_switch:
                raise self.lost(role)
            if role == used or role in self.unsure or role in self.dark:
                continue
            self._alive(driver)
            driver.off()  # type: ignore[attr-defined]  # the role's protocol
            self.dark.add(role)

    def for_hands(self, *, with_question: bool = False) -> set[Role]:
        """No hand is asked to a cable while an output may be on; where nobody is left to ask, that is the reason.

        `with_question`: the same person works source and cable, and the next question asks both, the source first;
        what may be a hazardous voltage is asked for by itself even then. Returns the sources that stay as they are,
        because they cannot be switched off and are no hazard.
        """
        soon = self.by_hand() - self.hazardous if with_question else set()
        problems = self.off(but=soon)
        for error in self.unsure.values():
            if isinstance(error, OperatorStop):
                raise error
        if problems:
            raise SafetyError(f"Do not touch the cables: {' '.join(problems)}")
        stay = {role for role in soon if not self.sources[role].off_soon(self.in_doubt(role))}  # type: ignore[attr-defined]
        self.dark |= soon
        for role in soon - stay:
            self.driven.pop(role, None)
        return stay

    def in_doubt(self, role: Role) -> Callable[[], None]:
        """What restores doubt about an output, where what is asked of it now is not answered."""
        driven_v, hazardous = self.driven.get(role, 0.0), {role} & self.hazardous

        def doubt() -> None:
            self.dark.discard(role)
            self.driven[role] = max(self.driven.get(role, 0.0), driven_v)
            self.hazardous |= hazardous

        return doubt

    def may_be_on(self, role: Role, error: BaseException) -> str:
        """What is said of an output that would not go off."""
        label = getattr(self._bench, role).label
        what = getattr(error, "what", "") or str(error) or type(error).__name__  # how to reach it would only distract
        return f"The output of the {role} ({label}) may still be ON: {what.rstrip('.')}. Switch it off by hand."

    def warn(self, problem: str) -> bool:
        """Record an output that may be on, once; whether it is news."""
        news = problem not in self.warned
        self.warned.add(problem)
        if news:
            self._on_event("outputs", problem)
        return news

    def lost(self, role: Role) -> InstrumentError:
        """Why nothing more is done with a source."""
        error = self.unsure[role]
        reason = str(error).removeprefix(f"{role}: ")
        return error if isinstance(error, InstrumentError) else InstrumentError(role, f"would not go off: {reason}")

    def _off(self, driver: Driver) -> None:
        with suppress(Exception):  # that somebody cannot be told keeps no output on
            self._alive(driver)
        driver.off()  # type: ignore[attr-defined]  # the role's protocol


def why(error: BaseException) -> str:
    """A failure as the end of a sentence."""
    return f"{(str(error) or type(error).__name__).rstrip('.')}."
