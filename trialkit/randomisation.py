"""Randomisation test of paired differences.

Within each pair the two setups are assigned to the two strips by the toss of a coin. If the setup
does nothing, each pair's difference could as well have come out with the other sign, so all 2^n
sign patterns are equally likely and the p-value is a count; no distribution is assumed (R. A.
Fisher, The Design of Experiments, 1935, section 21).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trialkit.errors import DesignError

EXACT_PAIRS = 20
"""Most pairs whose sign patterns are all counted (2^20 sums)."""

# Sums that are equal on paper may differ in the last bits.
_TIE = 1e-9

ALTERNATIVES = ("two-sided", "greater", "less")


@dataclass(frozen=True, slots=True)
class PairedRandomisation:
    """Result of :func:`paired_randomisation_test`."""

    mean: float
    """Mean difference, in the unit of the differences."""
    p: float
    """Share of sign patterns at least as extreme as the one observed."""
    n_pairs: int
    as_extreme: int
    """Sign patterns at least as extreme, the observed one among them."""
    patterns: int
    """Sign patterns looked at: 2^n when exact, else the random ones and the observed one."""
    exact: bool
    alternative: str


def paired_randomisation_test(
    differences: ArrayLike | Sequence[float],
    *,
    alternative: str = "two-sided",
    draws: int = 100_000,
    seed: int | None = None,
) -> PairedRandomisation:
    """Test that the setup makes no difference, by Fisher's randomisation of signs.

    Parameters
    ----------
    differences : array_like, shape (n,)
        One difference per pair, in any unit, always taken in the same direction.
    alternative : {"two-sided", "greater", "less"}
        What counts as extreme: the size of the mean difference, or its direction.
    draws : int
        Random sign patterns when there are more than 20 pairs; up to 20 all 2^n are counted.
    seed : int, optional
        Seed of the random patterns.

    Returns
    -------
    PairedRandomisation
        The smallest two-sided p there can be is 2 / 2^n: 0.125 with 4 pairs, 0.031 with 6.

    Raises
    ------
    DesignError
        If there is no difference, or one is missing or infinite.
    ValueError
        If `alternative` is unknown or `draws` is not positive.
    """
    if alternative not in ALTERNATIVES:
        raise ValueError(f"alternative must be one of {', '.join(ALTERNATIVES)}")
    if draws < 1:
        raise ValueError("draws must be at least 1")
    values = np.asarray(differences, dtype=float).ravel()
    if values.size == 0:
        raise DesignError("The randomisation test needs at least one pair.")
    if not np.isfinite(values).all():
        raise DesignError("A paired difference is missing or infinite; leave that pair out first.")

    exact = values.size <= EXACT_PAIRS
    if exact:
        sums = _all_sums(values)
        counted_before = 0
    else:
        sums = _random_sums(values, draws, np.random.default_rng(seed))
        counted_before = 1  # the observed pattern is itself one of the possible ones
    as_extreme = _as_extreme(sums, values, alternative) + counted_before
    patterns = sums.size + counted_before
    return PairedRandomisation(
        mean=float(values.mean()),
        p=as_extreme / patterns,
        n_pairs=values.size,
        as_extreme=as_extreme,
        patterns=patterns,
        exact=exact,
        alternative=alternative,
    )


def _as_extreme(sums: NDArray[np.float64], values: NDArray[np.float64], alternative: str) -> int:
    """How many of the sums are at least as extreme as that of the values."""
    observed, slack = values.sum(), _TIE * np.abs(values).sum()
    if alternative == "two-sided":
        return int((np.abs(sums) >= abs(observed) - slack).sum())
    side = 1.0 if alternative == "greater" else -1.0
    return int((side * sums >= side * observed - slack).sum())


def _all_sums(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sum of the differences under every sign pattern, shape (2^n,)."""
    sums = np.zeros(1)
    for value in values:
        sums = np.concatenate([sums + value, sums - value])
    return sums


def _random_sums(
    values: NDArray[np.float64], draws: int, generator: np.random.Generator
) -> NDArray[np.float64]:
    """Sum of the differences under random sign patterns, shape (draws,)."""
    sums = np.zeros(draws)
    for value in values:  # one pair at a time keeps the memory at `draws` numbers
        sums += np.where(generator.random(draws) < 0.5, value, -value)
    return sums
