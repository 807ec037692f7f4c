"""Responses to measure: poles, zeros and closed forms, none of which the analysis knows.

`FAMILIES` were looked at while the method was made; `UNSEEN` were written down for the benchmark and not tuned on, and
so were `HELD_OUT`, later, to judge where readings are placed. `STEEP` are those of all that fall like filters.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import scipy.signal

if TYPE_CHECKING:
    import numpy as np

Gain = Callable[[float], float]
"""Gain in dB against frequency relative to the crossing."""


@dataclass(frozen=True, slots=True)
class Response:
    """A gain in dB, scaled so that its first crossing of −drop lies at 1."""

    raw_db: Gain
    scale: float
    at_reference_db: float

    def __call__(self, ratio: float) -> float:
        return self.raw_db(ratio * self.scale) - self.at_reference_db

    def slope(self, ratio: float) -> float:
        """dB per ln f, by central difference."""
        h = 1e-4
        return (self(ratio * math.exp(h)) - self(ratio * math.exp(-h))) / (2.0 * h)


def normalised(raw_db: Gain, *, reference: float, drop_db: float = 20.0 * math.log10(math.sqrt(2.0))) -> Response:
    """Scale a raw response by its first crossing, found on a fine grid and then by bisection.

    `reference` is the reference frequency relative to the crossing; the drop is counted from the gain there.
    """

    def dropped(f: float) -> bool:
        return raw_db(f) - raw_db(f * reference) <= -drop_db

    low, high = 1e-2, 1e-2
    while not dropped(high):
        low, high = high, high * 1.01
    for _ in range(45):
        middle = math.sqrt(low * high)
        low, high = (low, middle) if dropped(middle) else (middle, high)
    scale = math.sqrt(low * high)
    return Response(raw_db, scale, raw_db(scale * reference))


def poles_db(poles: list[complex], zeros: Sequence[complex] = ()) -> Gain:
    def gain(f: float) -> float:
        s = 1j * f
        value = 1.0 + 0.0j
        for p in poles:
            value *= p / (p - s)
        for z in zeros:
            value *= (z - s) / z
        return 20.0 * math.log10(abs(value) + 1e-300)

    return gain


def filter_db(zpk: tuple[list[complex], list[complex], float]) -> Gain:
    zeros, poles, _ = zpk
    return poles_db([complex(p) for p in poles], [complex(z) for z in zeros])


def pair(w0: float, q: float) -> list[complex]:
    root = cmath.sqrt(1.0 - 4.0 * q * q)
    return [-w0 / (2.0 * q) * (1.0 + root), -w0 / (2.0 * q) * (1.0 - root)]


def _cascade(rng: np.random.Generator) -> Gain:
    poles: list[complex] = []
    for _ in range(int(rng.integers(1, 4))):
        w0 = math.exp(rng.uniform(0.0, 1.2))
        poles += [complex(-w0)] if rng.random() < 0.5 else pair(w0, rng.uniform(0.5, 0.9))
    return poles_db(poles)


def _plus(first: Gain, second: Gain) -> Gain:
    return lambda f: first(f) + second(f)


def _ripple(rng: np.random.Generator) -> Gain:
    period, phase = rng.uniform(0.8, 2.5), rng.uniform(0.0, 2.0 * math.pi)
    base = filter_db(scipy.signal.butter(int(rng.integers(1, 4)), 1.0, analog=True, output="zpk"))

    def ripple(f: float) -> float:
        return 0.15 * math.sin(2.0 * math.pi * math.log(f) / period + phase) if f > 1e-3 else 0.15 * math.sin(phase)

    return _plus(base, ripple)


def _shelf(rng: np.random.Generator) -> Gain:
    depth = 10.0 ** (rng.uniform(-0.3, 0.3) / 20.0)
    corner = math.exp(rng.uniform(-4.0, -0.5))
    base = filter_db(scipy.signal.butter(int(rng.integers(1, 4)), 1.0, analog=True, output="zpk"))
    return _plus(base, poles_db([complex(-corner)], [complex(-corner / depth)]))


def _echo(rng: np.random.Generator) -> Gain:
    size, delay, angle = rng.uniform(0.005, 0.03), rng.uniform(2.0, 8.0), rng.uniform(0.0, 2.0 * math.pi)
    base = filter_db(scipy.signal.bessel(3, 1.0, analog=True, output="zpk", norm="mag"))
    return _plus(base, lambda f: 20.0 * math.log10(abs(1.0 + size * cmath.exp(1j * (delay * f + angle)))))


def smooth(rng: np.random.Generator) -> Gain:
    """A smooth roll-off to lay a ripple on."""
    match int(rng.integers(0, 4)):
        case 0:
            return lambda f: -f * f
        case 1:
            return filter_db(scipy.signal.bessel(4, 1.0, analog=True, output="zpk"))
        case order:
            return filter_db(scipy.signal.butter(order - 1, 1.0, analog=True, output="zpk"))


def standing_wave(size_db: tuple[float, float]) -> Callable[[np.random.Generator], Gain]:
    """A cable of 1 to 3 m between mismatched ends: an echo of `size_db`, 0.7 to 6 periods up to the crossing.

    2·length/(2e8 m/s) times a crossing of 70 to 200 MHz. Its size is the height of the ripple's crest.
    """

    def make(rng: np.random.Generator) -> Gain:
        size = 10.0 ** (rng.uniform(*size_db) / 20.0) - 1.0
        delay, angle = 2.0 * math.pi * rng.uniform(0.7, 6.0), rng.uniform(0.0, 2.0 * math.pi)
        echo = size * cmath.exp(1j * angle)
        return _plus(
            smooth(rng), lambda f: 20.0 * math.log10(abs((1.0 + echo * cmath.exp(1j * delay * f)) / (1.0 + echo)))
        )

    return make


def splitter(size_db: tuple[float, float]) -> Callable[[np.random.Generator], Gain]:
    """Three echoes of unequal delays, as behind a power splitter with a lead to each side."""

    def make(rng: np.random.Generator) -> Gain:
        echoes = [
            (
                (10.0 ** (rng.uniform(*size_db) / 20.0) - 1.0) / 2.0,
                rng.uniform(3.0, 30.0),
                rng.uniform(0.0, 2.0 * math.pi),
            )
            for _ in range(3)
        ]

        def gain(f: float) -> float:
            value = 1.0 + sum(size * cmath.exp(1j * (delay * f + angle)) for size, delay, angle in echoes)
            return 20.0 * math.log10(abs(value))

        return _plus(smooth(rng), gain)

    return make


def power_db(size_db: float, exponent: float) -> Gain:
    return lambda f: -size_db * f**exponent


def _sinc(f: float) -> float:
    return 20.0 * math.log10(abs(math.sin(f) / f) + 1e-300)


FAMILIES: dict[str, Callable[[np.random.Generator], Gain]] = {
    "single pole": lambda _: poles_db([-1.0 + 0j]),
    "Gaussian": lambda _: lambda f: -f * f,
    "Butterworth 2": lambda _: filter_db(scipy.signal.butter(2, 1.0, analog=True, output="zpk")),
    "Butterworth 3": lambda _: filter_db(scipy.signal.butter(3, 1.0, analog=True, output="zpk")),
    "Butterworth 4": lambda _: filter_db(scipy.signal.butter(4, 1.0, analog=True, output="zpk")),
    "Butterworth 5": lambda _: filter_db(scipy.signal.butter(5, 1.0, analog=True, output="zpk")),
    "Bessel 2": lambda _: filter_db(scipy.signal.bessel(2, 1.0, analog=True, output="zpk")),
    "Bessel 4": lambda _: filter_db(scipy.signal.bessel(4, 1.0, analog=True, output="zpk")),
    "peaked 2nd order": lambda rng: poles_db(pair(1.0, rng.uniform(0.75, 1.2))),
    "Chebyshev": lambda rng: filter_db(
        scipy.signal.cheby1(int(rng.integers(2, 6)), rng.uniform(0.1, 0.5), 1.0, analog=True, output="zpk")
    ),
    "random cascade": _cascade,
    "0.3 dB ripple": _ripple,
    "0.3 dB shelf": _shelf,
}

UNSEEN: dict[str, Callable[[np.random.Generator], Gain]] = {
    "moving average (sin x/x)": lambda _: _sinc,
    "Bessel 3 with an echo": _echo,
    "skin effect and a pole": lambda rng: _plus(poles_db([-1.0 + 0j]), power_db(rng.uniform(0.1, 0.8), 0.5)),
    "super-Gaussian": lambda rng: power_db(1.0, rng.uniform(2.5, 3.5)),
    "equal poles, 2 to 6": lambda rng: poles_db([-1.0 + 0j] * int(rng.integers(2, 7))),
    "elliptic, 0.2 dB": lambda rng: filter_db(
        scipy.signal.ellip(int(rng.integers(2, 5)), 0.2, 40.0, 1.0, analog=True, output="zpk")
    ),
    "pole and zero-pair notch": lambda rng: poles_db(pair(1.0, 0.7), [1j * w for w in (6.0, -6.0)]),
}

RIPPLED: dict[str, Callable[[np.random.Generator], Gain]] = {
    "standing wave, 0.02 to 0.1 dB": standing_wave((0.02, 0.1)),
    "standing wave, 0.1 to 0.5 dB": standing_wave((0.1, 0.5)),
    "splitter, 0.02 to 0.1 dB": splitter((0.02, 0.1)),
    "splitter, 0.1 to 0.5 dB": splitter((0.1, 0.5)),
}

HELD_OUT: dict[str, Callable[[np.random.Generator], Gain]] = {
    "Butterworth 6 to 8": lambda rng: filter_db(
        scipy.signal.butter(int(rng.integers(6, 9)), 1.0, analog=True, output="zpk")
    ),
    "Chebyshev, 0.3 to 1 dB": lambda rng: filter_db(
        scipy.signal.cheby1(int(rng.integers(3, 7)), rng.uniform(0.3, 1.0), 1.0, analog=True, output="zpk")
    ),
    "Chebyshev, second kind": lambda rng: filter_db(
        scipy.signal.cheby2(int(rng.integers(3, 7)), 40.0, 3.0, analog=True, output="zpk")
    ),
    "Bessel 6 to 8": lambda rng: filter_db(
        scipy.signal.bessel(int(rng.integers(6, 9)), 1.0, analog=True, output="zpk")
    ),
    "pole and pair": lambda rng: poles_db(
        [complex(-math.exp(rng.uniform(-0.3, 1.0))), *pair(1.0, rng.uniform(0.6, 1.4))]
    ),
    "two pairs": lambda rng: poles_db(
        pair(1.0, rng.uniform(0.5, 1.6)) + pair(math.exp(rng.uniform(0.0, 0.8)), rng.uniform(0.5, 1.0))
    ),
    "pole, zero, pole": lambda rng: poles_db(
        [-1.0 + 0j, complex(-math.exp(rng.uniform(0.3, 1.5)))], [complex(-math.exp(rng.uniform(1.0, 2.5)))]
    ),
    "power of f, 1.3 to 5": lambda rng: power_db(1.0, rng.uniform(1.3, 5.0)),
}

STEEP = (
    "Butterworth 3", "Butterworth 4", "Butterworth 5", "Chebyshev", "super-Gaussian", "elliptic, 0.2 dB",
    "Butterworth 6 to 8", "Chebyshev, second kind",
)  # fmt: skip
