"""Which level is tried next: lowered until the trigger fails, raised until every sweep is started.   [pure]

Levels are whole numbers of steps below the first one. What started every sweep has passed.
"""

from __future__ import annotations

from collections.abc import Mapping


def next_number(passed: Mapping[int, bool], *, coarse: int, lowest: int, highest: int) -> int | None:
    """
    Return the number of the next level, None where there is no more to be tried.

    Parameters
    ----------
    passed
        What has been tried, by its number.
    coarse
        Steps by which a level is lowered, or raised, until it fails, or passes.
    lowest, highest
        The last numbers that can be had: of the largest level, and of the smallest.
    """
    fails = [number for number, good in passed.items() if not good]
    sound = [number for number, good in passed.items() if good and number < min(fails, default=highest + 1)]
    if not sound:
        above = min(passed, default=coarse) - coarse
        at_most = max(above, lowest)
        return None if at_most in passed else at_most
    if not fails:
        below = min(max(sound) + coarse, highest)
        return None if below in passed else below
    last, first_fail = max(sound), min(fails)
    return None if first_fail - last == 1 else (last + first_fail) // 2
