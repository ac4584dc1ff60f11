"""Ear butts against the gap between the plates."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from trialkit.errors import TrialkitError
from trialkit.header.butts import (
    butts_reaching,
    gap_reaching,
    widest_reaching,
)


def test_share_and_its_interval() -> None:
    """Newcombe, Statistics in Medicine 17:857, 1998, table I, method 3 (Wilson): 15 of 148 is
    0.0624 to 0.1605, 1 of 29 is 0.0061 to 0.1718, 0 of 20 is 0.0000 to 0.1611."""
    for reached, ears, low, high in ((15, 148, 0.0624, 0.1605), (1, 29, 0.0061, 0.1718),
                                     (0, 20, 0.0, 0.1611)):  # fmt: skip
        diameters = [30.0] * reached + [45.0] * (ears - reached)
        found = butts_reaching(diameters, 32.0)
        assert (found.reached, found.ears) == (reached, ears)
        assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)


# One-sided tolerance factors of a normal distribution at 95 % confidence, as printed in tables of
# them (Hahn & Meeker 1991; from memory): the confidence limit of its quantile.
@pytest.mark.parametrize(
    ("n", "at_5", "at_1"), [(10, 2.911, 3.981), (20, 2.396, 3.295), (30, 2.220, 3.064)]
)
def test_gap_for_a_share_has_the_tabled_limits(n: int, at_5: float, at_1: float) -> None:
    z = stats.norm.ppf((np.arange(n) + 0.5) / n)
    ears = 45 + 3 * z / z.std(ddof=1)
    one, five = butts_reaching(ears, 32.0, level=0.90).gaps
    assert (one.share, five.share) == (0.01, 0.05)
    assert one.low == pytest.approx(45 - 3 * at_1, abs=0.002)
    assert five.low == pytest.approx(45 - 3 * at_5, abs=0.002)
    assert five.gap == pytest.approx(45 - 3 * 1.6449, abs=1e-3)
    assert five.low < five.gap < five.high < 45


def test_interval_of_the_gap_covers() -> None:
    rng = np.random.default_rng(6)
    true = 45 + 3 * stats.norm.ppf(0.05)
    hits = 0
    for _ in range(1000):
        five = butts_reaching(rng.normal(45, 3, 25), 32.0).gaps[1]
        hits += five.low <= true <= five.high
    # Binomial, 1,000 rounds at 0.95: 0.95 +- 3.3 standard errors.
    assert abs(hits / 1000 - 0.95) < 3.3 * math.sqrt(0.95 * 0.05 / 1000)


@pytest.mark.parametrize("depth", [4.0, 8.0, 12.0, 20.0])
@pytest.mark.parametrize("gap", [25.0, 32.0, 41.0])
def test_a_rounded_butt_dips_between_the_plates(gap: float, depth: float) -> None:
    """Against the ball itself: how deep it hangs between two edges, looked up diameter by diameter
    (computed)."""
    diameter = np.linspace(10, 200, 190_001)
    dip = diameter / 2 - np.sqrt(np.maximum(diameter**2 - gap**2, 0)) / 2
    touches = (diameter < gap) | (dip >= depth)
    widest = widest_reaching(gap, depth)
    assert widest == pytest.approx(diameter[touches].max(), abs=2e-3)
    assert gap_reaching(widest, depth) == pytest.approx(gap)
    assert widest >= gap == widest_reaching(gap)


def test_sentences_say_what_is_counted_and_what_is_assumed() -> None:
    found = butts_reaching([30.0, *np.linspace(38, 50, 29)], 34.925)
    said = found.sentences("US")
    first = "At a gap of 1-3/8 in (1.375), by diameter alone 1 of 30 ear butts would reach"
    assert said[0].startswith(first)
    assert "3 %, the true figure is likely between 1 and 17 %" in said[0]
    assert "narrower than the gap" in said[-1] and not any("few" in s for s in said)
    few = butts_reaching([30.0, 45.0, 46.0], 32.0, depth=10.0)
    assert few.gaps == () and "3 ears are few" in few.sentences("SI")[1]
    assert few.sentences("SI")[-1].startswith("A butt is counted that dips 10.0 mm below")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [(([], 30.0), "ear_butts"), (([40.0], 0.0), "above zero"), (([40.0], math.nan), "above zero")],
)
def test_refusals(arguments: tuple, words: str) -> None:
    with pytest.raises(TrialkitError, match=words):
        butts_reaching(*arguments)
