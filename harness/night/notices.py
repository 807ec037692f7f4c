"""Notices through the user's own channels, named by addresses that hold secrets: none is ever shown, only its number.

A channel that fails, hangs or is unknown is told and ends nothing.
"""

from __future__ import annotations

import logging
import os
import threading
import time
import warnings
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal, TypeAlias

from harness.errors import QueueError
from harness.words.clean import clean
from harness.words.clock import AT_WORK_S, OnLife, no_sign

VARIABLE: Final = "HALFPOWER_NOTIFY"
LONGEST_S: Final = 20.0  # for all channels together: they are told at the same time
MISSING: Final = (
    "Notices need the package apprise, which is not installed: pip install 'halfpower[notify]', or leave the "
    "addresses out."
)


Kind: TypeAlias = Literal["success", "info", "warning", "failure"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One way to tell somebody; `label` is all that is ever shown of it."""

    label: str
    send: Callable[[str, str, Kind], bool]


def addresses(*sources: Iterable[str], environment: Mapping[str, str] = os.environ) -> tuple[str, ...]:
    """All addresses, each once: those given, then those of the environment variable, which are parted by spaces."""
    named = [address.strip() for source in sources for address in source]
    return tuple(dict.fromkeys(text for text in (*named, *environment.get(VARIABLE, "").split()) if text))


def channels(given: Iterable[str]) -> tuple[Channel, ...]:
    """Understand every address, or say the number of each that is none."""
    given = tuple(given)
    if not given:
        return ()
    with warnings.catch_warnings():  # what the library warns of is its own affair
        warnings.simplefilter("ignore")
        try:
            from apprise import Apprise
        except ImportError:
            raise QueueError(MISSING) from None
        logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)  # it logs addresses
        made = [_instance(Apprise, address) for address in given]
    if unknown := [str(number) for number, instance in enumerate(made, 1) if instance is None]:
        raise QueueError(
            f"Notices: no channel can be made of address {', '.join(unknown)} of {len(given)}; expected one such as "
            "mailto://… or json://HOST/ (the address itself is not shown, since it may hold a secret)."
        )
    return tuple(
        Channel(label=f"channel {number} ({instance.service_name or 'own'})", send=_sender(Apprise, instance))
        for number, instance in enumerate(made, 1)
    )


def _instance(library: Any, address: str) -> Any:
    try:
        return library.instantiate(address, suppress_exceptions=True)
    except Exception:  # noqa: BLE001 - whatever a plug-in makes of it, the address is not usable, and may not be shown
        return None


def _sender(library: Any, instance: Any) -> Callable[[str, str, Kind], bool]:
    """Send plain text: what stands in a file or an instrument's answer is no markup, whatever a channel understands."""
    to = library()
    to.add(instance)
    return lambda title, body, kind: bool(to.notify(body=body, title=title, notify_type=kind, body_format="text"))


class Notices:
    """Tells every channel, at the same time and within a bound."""

    def __init__(
        self,
        to: Iterable[Channel] = (),
        *,
        trouble: Callable[[str], None] = lambda _text: None,
        on_life: OnLife = no_sign,
        longest_s: float = LONGEST_S,
    ) -> None:
        self._channels, self._trouble, self._on_life, self._longest_s = tuple(to), trouble, on_life, longest_s

    def send(self, title: str, body: str, *, kind: Kind = "info", may_be_on: Sequence[str] = ()) -> None:
        """Tell everybody, first of all what may still be on; what fails is told to whoever watches this machine."""
        if not self._channels:
            return
        if may_be_on:
            title, body, kind = f"OUTPUT MAY BE ON! {title}", "\n".join([*may_be_on, body]), "failure"
        title, body = clean(title), "\n".join(clean(line) for line in body.splitlines())
        self._on_life(self._longest_s + AT_WORK_S)
        went: dict[str, bool] = {}
        threads = [
            threading.Thread(target=_try, args=(channel, (title, body, kind), went), daemon=True)
            for channel in self._channels
        ]
        end = time.monotonic() + self._longest_s  # the channel's time is the world's, whatever clock the night is on
        for thread in threads:
            thread.start()
        for channel, thread in zip(self._channels, threads, strict=True):
            thread.join(max(0.0, end - time.monotonic()))
            if not went.get(channel.label, False):
                why = "did not take" if channel.label in went else f"took longer than {self._longest_s:g} s for"
                self._trouble(f"{channel.label} {why} the notice '{title}'.")


def _try(channel: Channel, notice: tuple[str, str, Kind], went: dict[str, bool]) -> None:
    try:
        went[channel.label] = channel.send(*notice)
    except Exception:  # noqa: BLE001 - a plug-in may raise anything, and its words may hold the address
        went[channel.label] = False
