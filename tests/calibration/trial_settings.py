"""Simulated trials with a known truth: the settings of the calibration.

A setting is a layout and a law of the counts. Its truth: 8 kernels a frame (Poisson), 15 with size
3 (negative binomial), 5 of 100 kernels damaged (binomial), or a Gaussian value with residual sd
0.3; blocks, pairs and fields differ with sd 0.3 on the link scale. The ``spread`` is the standard
deviation of the units that setups are judged against: strips in pairs and blocks, main strips and
strips alike in split strips, setups by field (there strips add 0.2).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

SPREADS = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4)
# On the log or logit scale: 30 % fewer kernels, or odds of damage.
EFFECT = float(np.log(0.7))
MEAN = {"poisson": 8.0, "negative binomial": 15.0}
SIZE, EXAMINED, SHARE, RESIDUAL = 3.0, 100, 0.05, 0.3


@dataclass(frozen=True, slots=True)
class Effect:
    """What is tested.

    Attributes
    ----------
    name : str
    factor : its column; the levels in order, the first the reference.
    keys, within : columns of the units it is judged against, and of their blocks.
    level, slope : random level (and slope) of the model that is its error.
    df, pooled_df : degrees of freedom between those units, with and without taking off the blocks.
    """

    name: str
    factor: str
    keys: tuple[str, ...]
    within: tuple[str, ...]
    level: str
    slope: str | None
    df: int
    pooled_df: int


@dataclass(frozen=True)
class Setting:
    """A layout, the units that differ, and the model fitted.

    Attributes
    ----------
    frame : DataFrame, one row an observation, factors as text.
    blocks : columns of units that differ with sd 0.3; ``errors`` with the spread; ``more`` with
        the sd given.
    nested, fixed, slopes : of the model, the row's own effect left out.
    """

    name: str
    family: str
    frame: pd.DataFrame
    blocks: Sequence[tuple[str, ...]]
    errors: Sequence[tuple[str, ...]]
    nested: Sequence[str]
    effects: Sequence[Effect]
    fixed: str = "setup"
    slopes: Mapping[str, Sequence[str]] = field(default_factory=dict)
    more: Sequence[tuple[tuple[str, ...], float]] = ()

    @property
    def model(self) -> dict[str, Any]:
        """Arguments of ``fit_mixed`` after frame and response."""
        gaussian = self.family == "gaussian"
        law = {"negative binomial": "poisson"}.get(self.family, self.family)
        out: dict[str, Any] = {
            "fixed": self.fixed, "family": law,
            "nested": [*self.nested, *([] if gaussian else ["frame"])],
        }  # fmt: skip
        if self.slopes:
            out |= {"slopes": self.slopes, "covariance": dict.fromkeys(self.slopes, "exchangeable")}
        if self.family == "binomial":
            out["trials"] = "examined"
        return out

    @cached_property
    def _codes(self) -> dict[tuple[str, ...], np.ndarray]:
        keys = [*self.blocks, *self.errors, *(key for key, _ in self.more)]
        return {key: self.frame.groupby(list(key)).ngroup().to_numpy() for key in keys}

    @cached_property
    def _later(self) -> np.ndarray:
        first = self.effects[0].factor
        return (self.frame[first] == sorted(self.frame[first].unique())[-1]).to_numpy()

    def draw(self, rng: np.random.Generator, spread: float, effect: float = 0.0) -> np.ndarray:
        """Responses of one trial, shape (rows,); ``effect`` is the last level's of the first."""
        eta = effect * self._later
        sds = [*((k, 0.3) for k in self.blocks), *((k, spread) for k in self.errors), *self.more]
        for key, sd in sds:
            code = self._codes[key]
            eta = eta + sd * rng.normal(size=code.max() + 1)[code]
        n = len(eta)
        if self.family == "gaussian":
            return eta + rng.normal(0.0, RESIDUAL, n)
        if self.family == "binomial":
            odds = np.exp(eta) * SHARE / (1.0 - SHARE)
            return rng.binomial(EXAMINED, odds / (1.0 + odds)).astype(float)
        mean = MEAN[self.family] * np.exp(eta)
        if self.family == "negative binomial":
            mean = mean * rng.gamma(SIZE, 1.0 / SIZE, n)
        return rng.poisson(mean).astype(float)


def _grid(**levels: Sequence[Any]) -> pd.DataFrame:
    frame = pd.DataFrame(itertools.product(*levels.values()), columns=list(levels))
    return frame.assign(frame=range(len(frame)), examined=EXAMINED)


def pairs(name: str, family: str, n: int, setups: int = 2) -> Setting:
    """``n`` blocks of one strip a setup, 8 frames or samples a strip."""
    frame = _grid(pair=range(n), setup=list("abc")[:setups], row=range(8))
    strip = ("pair", "setup")
    effect = Effect(
        "setup", "setup", strip, ("pair",), "setup", None, (n - 1) * (setups - 1), setups * (n - 1)
    )
    return Setting(name, family, frame, [("pair",)], [strip], ["pair", "setup"], [effect])


def split(name: str, family: str, n: int) -> Setting:
    """``n`` blocks of two main strips, each of two strips of 8 frames or samples."""
    frame = _grid(block=range(n), main=["a", "b"], sub=["u", "v"], row=range(8))
    main, strip = ("block", "main"), ("block", "main", "sub")
    effects = [
        Effect("main strips", "main", main, ("block",), "main", None, n - 1, 2 * n - 2),
        Effect("strips", "sub", strip, main, "sub", None, 2 * n - 2, 4 * n - 4),
    ]
    return Setting(
        name, family, frame, [("block",)], [main, strip], ["block", "main", "sub"], effects,
        fixed="main * sub",
    )  # fmt: skip


def fields(name: str, family: str, n: int) -> Setting:
    """``n`` fields of three pairs of strips of 4 frames or samples."""
    frame = _grid(field=range(n), pair=range(3), setup=["a", "b"], row=range(4))
    effect = Effect(
        "setup", "setup", ("field", "setup"), ("field",), "field", "setup", n - 1, 6 * n - 2
    )
    return Setting(
        name, family, frame, [("field",), ("field", "pair")], [("field", "setup")],
        ["field", "pair", "setup"], [effect], slopes={"field": ["setup"]},
        more=[(("field", "pair", "setup"), 0.2)],
    )  # fmt: skip


LAYOUTS: dict[str, Callable[[str, str], Setting]] = {
    "3 pairs": lambda name, family: pairs(name, family, 3),
    "4 pairs": lambda name, family: pairs(name, family, 4),
    "6 pairs": lambda name, family: pairs(name, family, 6),
    "8 pairs": lambda name, family: pairs(name, family, 8),
    "4 blocks of 3 setups": lambda name, family: pairs(name, family, 4, setups=3),
    "split strips in 3 blocks": lambda name, family: split(name, family, 3),
    "split strips in 4 blocks": lambda name, family: split(name, family, 4),
    "split strips in 6 blocks": lambda name, family: split(name, family, 6),
    "4 fields": lambda name, family: fields(name, family, 4),
    "6 fields": lambda name, family: fields(name, family, 6),
}
FAMILIES = ("poisson", "negative binomial", "binomial", "gaussian")
SETTINGS = [f"{family}, {layout}" for layout in LAYOUTS for family in FAMILIES]


def setting(name: str) -> Setting:
    """The setting of that name, such as "poisson, 4 pairs"."""
    family, layout = name.split(", ", 1)
    return LAYOUTS[layout](name, family)
