"""A run under faults on purpose: which, from the words of a command, and the account of it at the end.

Simulated benches only; the file of the simulated bench stays as it is, and its own `[faults]` hold beside these.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Self

from harness import quantities
from harness.errors import ConfigError
from harness.steps import SOURCES

if TYPE_CHECKING:
    from harness.journal.events import Events
    from harness.sim.bench import SimulatedBench

# What comes by chance, as `harness.sim.faults` names it.
LINE: Final = ("late", "cut", "doubled", "lost", "prefixed", "damaged", "closed", "reset")
STATE: Final = ("obeyed late", "rounded", "off ignored", "panel reset", "second controller")
INSTRUMENT: Final = ("power cycle", "refused", "overload", *STATE)
# What is there from the start to the end, and how much of it.
SLOW_S: Final = 1.0
DRIFT_PER_HOUR: Final = 0.01
STANDING: Final = ("slow", "drift", "stuck", "deaf", "coarse", "left over")
GROUPS: Final[Mapping[str, tuple[str, ...]]] = {"line": LINE, "state": STATE}
WORDS: Final = (*GROUPS, *LINE, *INSTRUMENT, *STANDING)

_EVERYWHERE: Final[Mapping[str, str]] = {"coarse": "coarse", "scrambled": "left over"}

# What the tool did, by the kind of its events.
_DID: Final[Mapping[str, str]] = {
    "resync": "got back in step {} times",
    "repeat": "did {} points again",
    "power_cycle": "saw {} power cycles",
    "in_doubt": "could not rule out {} more and set everything again",
    "query_error": "found {} remains of lost messages in error queues",
    "outputs": "asked {} times for an output to be switched off by hand",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Faults:
    """Which faults, how often, from which seed."""

    rate: float
    seed: int = 1
    kinds: tuple[str, ...] = (*LINE, *INSTRUMENT)

    @classmethod
    def of_words(cls, rate: str, *, seed: int = 1, kinds: str = "") -> Self:
        """From what was typed: "5 %", 7, "late,cut"; raises ConfigError."""
        try:
            share = quantities.parse(float(rate) if _is_number(rate) else rate, "ratio")
        except ValueError as error:
            raise ConfigError(f"--faults: {error}") from None
        if not 0 <= share <= 1:
            raise ConfigError(f"--faults: {rate!r} is no share of the queries; expected 0 % to 100 %")
        chosen = [word.strip().replace("_", " ") for word in kinds.split(",") if word.strip()]
        for word in chosen:
            if word not in WORDS:
                raise ConfigError(f"--fault-kinds: {word!r} is no kind of fault; expected {', '.join(WORDS)}")
        named = [kind for word in chosen for kind in GROUPS.get(word, (word,))]
        return cls(rate=share, seed=seed, kinds=tuple(dict.fromkeys(named)) or (*LINE, *INSTRUMENT))

    def bench_of(
        self, bench_path: Path, simulated: SimulatedBench | None, tell: Callable[[str, str], None]
    ) -> SimulatedBench:
        """The simulated bench of a bench file, with the faults in it and told; raises ConfigError for a real one."""
        if simulated is None:
            raise ConfigError(
                f"{bench_path}: faults on purpose are for simulated benches, and this one is real: it has no key "
                "'simulation'. Run the job without --faults."
            )
        self.put_on(simulated)
        tell("faults", self.sentence)
        return simulated

    def put_on(self, simulated: SimulatedBench) -> None:
        """Put them between the simulated instruments and whoever asks, beside what its file already wants."""
        update: dict[str, object] = {"rate": self.rate, "seed": self.seed, "roles": ()}
        update["kinds"] = tuple(kind for kind in self.kinds if kind not in STANDING)
        sources = tuple(role for role in simulated.devices if role in SOURCES)
        if "slow" in self.kinds:
            update["slow"] = dict.fromkeys(simulated.devices, SLOW_S)
        if "drift" in self.kinds:
            update["drift_per_hour"] = dict.fromkeys(sources, DRIFT_PER_HOUR)
        update |= {kind: sources for kind in ("stuck", "deaf") if kind in self.kinds}
        everyone = tuple(simulated.devices)
        update |= {key: everyone for key, kind in _EVERYWHERE.items() if kind in self.kinds}
        simulated.inject(simulated.settings.faults.model_copy(update=update))

    @property
    def sentence(self) -> str:
        """What is wanted, for the record."""
        chance = [kind for kind in self.kinds if kind not in STANDING]
        standing = [kind for kind in self.kinds if kind in STANDING]
        parts = ["On purpose"]
        if chance:
            share = quantities.show(self.rate, "ratio", 3)
            parts.append(f"a fault at {share} of the queries, seed {self.seed}, of the kinds {', '.join(chance)}")
        if standing:
            parts.append(f"from start to end {', '.join(standing)}")
        return "; ".join(parts) + "."


def injected(simulated: SimulatedBench) -> str:
    """How many faults of each kind there were."""
    counts: Counter[str] = Counter()
    for injector in simulated.faults.values():
        counts.update(injector.counts)
    asked = sum(injector.asked for injector in simulated.faults.values())
    by_kind = ", ".join(f"{kind} {count}" for kind, count in sorted((+counts).items()))
    return f"{counts.total()} faults were injected into {asked} queries{f': {by_kind}' if by_kind else ''}."


def _standing(simulated: SimulatedBench) -> str:
    """What was there from start to end: no fault of one query, so none is counted."""
    plan = simulated.fault_plan
    standing = [f"slow replies of the {role}" for role in sorted(plan.slow)]
    standing += [f"a drifting {role}" for role in sorted(plan.drift_per_hour)]
    standing += [f"an output of the {role} that stays on when it is switched off" for role in sorted(plan.stuck)]
    standing += [f"a {role} that ignores 'output off'" for role in sorted(plan.deaf)]
    standing += [f"a {role} that rounds to one digit" for role in sorted(plan.coarse)]
    standing += [f"a {role} with settings left over from others" for role in sorted(plan.scrambled)]
    if not standing:
        return ""
    silent = " No instrument tells of a stuck output: a person has to look." if plan.stuck else ""
    return f"From start to end: {', '.join(standing)}.{silent}"


def account_of(simulated: SimulatedBench, events: Events, ended_early: int) -> tuple[str, ...]:
    """Tell how many faults there were, and what the tool did about them, from the events that it told."""
    did = [text.format(events.counts[kind]) for kind, text in _DID.items() if events.counts[kind]]
    if ended_early:
        did.append(f"ended {ended_early} part{'s' * (ended_early > 1)} early")
    standing = _standing(simulated)
    none = "The tool noticed none of them." if any(injector.counts for injector in simulated.faults.values()) else ""
    done = f"The tool {', '.join(did)}." if did else none
    by_chance = injected(simulated) if simulated.fault_plan.rate > 0.0 or not standing else ""
    account = tuple(sentence for sentence in (by_chance, standing, done) if sentence)
    for sentence in account:
        events("faults", sentence)
    return account


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
