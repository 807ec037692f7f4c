"""ILAC-G8:09/2019, 4.2.1 to 4.2.3: limit ±3.00 %, U = 1.00 %. The text leaves a result exactly on a limit open."""

from __future__ import annotations

import pytest

from harness.analysis.verdict import Limits, decide

LIMITS = Limits.symmetric(3.0)


def word(y: float, rule: str) -> str:
    return decide(y, 0.5, 1.0, LIMITS, rule, unit="%").word


@pytest.mark.parametrize("mirror", [1.0, -1.0])
@pytest.mark.parametrize(
    ("y", "simple", "guarded", "non_binary"),
    [
        (1.99, "pass", "pass", "pass"),
        (2.01, "pass", "undecided", "conditional pass"),
        (2.99, "pass", "undecided", "conditional pass"),
        (3.01, "fail", "undecided", "conditional fail"),
        (4.01, "fail", "fail", "fail"),
        # Exactly on a limit: the better of the two words, our rule, printed in every report.
        (2.00, "pass", "pass", "pass"),
        (3.00, "pass", "undecided", "conditional pass"),
        (4.00, "fail", "undecided", "conditional fail"),
    ],
)
def test_words(y, mirror, simple, guarded, non_binary):
    assert word(mirror * y, "simple") == simple
    assert word(mirror * y, "guarded") == guarded
    assert word(mirror * y, "non-binary") == non_binary


def test_u_as_large_as_the_tolerance_cannot_pass():
    for rule in ("guarded", "non-binary"):
        v = decide(0.0, 1.5, 3.0, LIMITS, rule, unit="%")
        assert v.acceptance is None
        assert v.word != "pass"
    assert decide(0.0, 1.5, 3.0, LIMITS, "guarded", unit="%").word == "undecided"
    assert decide(0.0, 1.495, 2.99, LIMITS, "guarded", unit="%").word == "pass"
