"""Random integers and orders that are the same on every machine.

numpy keeps the raw output of its bit generators and of their seeding unchanged between versions,
but not what `Generator` makes of it (numpy's compatibility policy, NEP 19). So only raw 64-bit
numbers of PCG64 are used, and the two steps from there are written out here.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeVar

import numpy as np

from trialkit.errors import DesignError

T = TypeVar("T")
_SPAN = 2**64


class Draws:
    """Random integers from one seed.

    Parameters
    ----------
    seed : int
        Whole and not negative, as `numpy.random.PCG64` takes it.
    """

    def __init__(self, seed: int) -> None:
        if isinstance(seed, bool) or not isinstance(seed, (int, np.integer)) or seed < 0:
            raise DesignError(f"The seed is {seed!r}; give a whole number that is not negative.")
        self._bits = np.random.PCG64(int(seed))

    def below(self, n: int) -> int:
        """A whole number from 0 to n - 1, each as likely; raw numbers that would favour some are
        drawn again."""
        even = _SPAN - _SPAN % n
        while True:
            raw = int(self._bits.random_raw())
            if raw < even:
                return raw % n

    def shuffled(self, items: Iterable[T]) -> list[T]:
        """The items in random order, every order as likely (Durstenfeld 1964, Algorithm 235)."""
        out = list(items)
        for i in range(len(out) - 1, 0, -1):
            j = self.below(i + 1)
            out[i], out[j] = out[j], out[i]
        return out

    def orders(self, size: int, times: int, balance: bool = False) -> list[list[int]]:
        """`times` orders of 0 to size - 1.

        Balanced, every number stands at every place equally often, give or take one: successive
        groups of `size` orders are the rows of a cyclic Latin square whose rows, columns and
        symbols are put in random order (Fisher & Yates, Statistical Tables, introduction).
        """
        out: list[list[int]] = []
        while len(out) < times:
            if not balance:
                out.append(self.shuffled(range(size)))
                continue
            rows, columns, symbols = (self.shuffled(range(size)) for _ in range(3))
            out += [[symbols[(row + column) % size] for column in columns] for row in rows]
        return out[:times]
