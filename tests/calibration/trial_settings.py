"""Simulated two-setup trials with known truth: the settings of the calibration.

Every setting is a design, the standard deviations of its units (link scale), the true effects and
the model fitted. The counts' truth: 6 kernels a frame, or 5 % of 100 kernels damaged, on the
reference setup; pairs differ with sd 0.3 and strips with sd 0.25 (main strips 0.25 and strips
within them 0.2).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from trialkit.mixed import MixedFit
from trialkit.mixed.hypotheses import term_rows

# On the log or logit scale: 39 % fewer kernels, or odds of damage.
SETUP_EFFECT = -0.5


@dataclass(frozen=True, slots=True)
class Units:
    """Random effects of the units told apart by columns ``keys``.

    ``by`` names a factor of two levels whose difference varies between the units (its codes are
    -1/2 and 1/2); None is a plain shift.
    """

    keys: tuple[str, ...]
    sd: float
    by: str | None = None


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """What is tested and how the likelihood-ratio test reaches it.

    Attributes
    ----------
    name : the term, or a name for the contrast.
    df : degrees of freedom of its stratum: units the factor was set on, less larger units and
        setups.
    pooled_df : the same without taking off the larger units.
    contrast : (factor, high, low), a difference of two adjusted means; None tests the term.
    models : fixed parts with and without it; None leaves the likelihood-ratio test out.
    block : (factor, high, low, column): the units within which the levels are compared by a
        one-sample t test of their differences; None leaves that test out.
    """

    name: str
    df: int
    pooled_df: int
    contrast: tuple[str, str, str] | None = None
    models: tuple[str, str] | None = None
    block: tuple[str, str, str, str] | None = None

    def rows(self, fit: MixedFit) -> np.ndarray:
        """Linear functions of the fixed effects that are zero under it, shape (rows, terms)."""
        if self.contrast is None:
            return term_rows(fit.fixed_part, self.name)
        factor, high, low = self.contrast
        grid, rows = fit.reference_grid(factor)
        at = list(grid[factor])
        return rows[[at.index(high)]] - rows[[at.index(low)]]


@dataclass(frozen=True)
class Setting:
    """A design, its truth and the model fitted to it.

    Attributes
    ----------
    frame : DataFrame, one row an observation, factors as text.
    truth : factor to the effect of each level (link scale) in the rounds with effects.
    model : arguments of ``fit_mixed`` after the response, without ``method``.
    noise : residual standard deviation (gaussian) or size (negative binomial).
    strip : columns that tell the strips apart.
    """

    name: str
    frame: pd.DataFrame
    intercept: float
    truth: Mapping[str, Mapping[str, float]]
    units: Sequence[Units]
    model: Mapping[str, Any]
    hypotheses: Sequence[Hypothesis]
    strip: tuple[str, ...]
    noise: float = 0.0
    _known: dict[Any, np.ndarray] = field(default_factory=dict, compare=False, repr=False)

    @property
    def family(self) -> str:
        return str(self.model.get("family", "gaussian"))

    def effect(self, factor: str) -> np.ndarray:
        """True effect of a factor in every row, shape (rows,)."""
        return self._once(
            ("effect", factor),
            lambda: self.frame[factor].map(self.truth[factor]).to_numpy(dtype=float),
        )

    def codes(self, keys: tuple[str, ...]) -> np.ndarray:
        """Number of the unit of every row, shape (rows,)."""
        return self._once(keys, lambda: self.frame.groupby(list(keys)).ngroup().to_numpy())

    def _once(self, key: Any, make: Callable[[], np.ndarray]) -> np.ndarray:
        if key not in self._known:
            self._known[key] = make()
        return self._known[key]

    def fixed(self, effects: bool) -> np.ndarray:
        """Fixed part of the true linear predictor, shape (rows,)."""
        eta = np.full(len(self.frame), self.intercept)
        return eta + sum(self.effect(f) for f in self.truth) if effects else eta

    def draw(self, rng: np.random.Generator, effects: bool) -> np.ndarray:
        """Responses of a trial, shape (rows,), with the true effects or with none."""
        eta = self.fixed(effects)
        for units in self.units:
            codes = self.codes(units.keys)
            b = rng.normal(0.0, units.sd, codes.max() + 1)[codes]
            eta += b if units.by is None else b * (self.codes((units.by,)) - 0.5)
        if self.family == "gaussian":
            return eta + rng.normal(0.0, self.noise, len(eta))
        if self.family == "binomial":
            trials = self.frame[self.model["trials"]].to_numpy()
            return rng.binomial(trials, 1.0 / (1.0 + np.exp(-eta))).astype(float)
        mean = np.exp(eta)
        if self.family == "negative_binomial":
            mean = mean * rng.gamma(self.noise, 1.0 / self.noise, len(mean))
        return rng.poisson(mean).astype(float)

    def block_differences(self, hypothesis: Hypothesis, y: np.ndarray) -> np.ndarray:
        """Difference of two levels in every block, from log (logit) totals of the strips."""
        assert hypothesis.block is not None
        factor, high, low, column = hypothesis.block
        strip = self.codes(self.strip)
        first = np.unique(strip, return_index=True)[1]
        total = np.bincount(strip, y)
        if self.family == "gaussian":
            value = total / np.bincount(strip)
        elif self.family == "binomial":
            of = np.bincount(strip, self.frame[self.model["trials"]])
            value = np.log((total + 0.5) / (of - total + 0.5))
        else:
            value = np.log(total + 0.5)
        block, level = self.codes((column,))[first], self.frame[factor].to_numpy()[first]
        means = [np.bincount(block, value * (level == v)) / np.bincount(block, level == v)
                 for v in (high, low)]  # fmt: skip
        return means[0] - means[1]


def _grid(**levels: Sequence[Any]) -> pd.DataFrame:
    return pd.DataFrame(itertools.product(*levels.values()), columns=list(levels))


def pairs(
    name: str, n: int, family: str, *, rows: int = 6, intercept: float = float(np.log(6.0)),
    strip_sd: float = 0.25, noise: float = 0.0,
) -> Setting:  # fmt: skip
    """``n`` pairs of strips, one of each setup, ``rows`` frames or samples a strip."""
    frame = _grid(pair=range(n), setup=["standard", "trial"], row=range(rows))
    model: dict[str, Any] = {"fixed": "setup", "nested": ["pair", "setup"], "family": family}
    strips = (Units(("pair", "setup"), strip_sd),)
    if rows == 1:
        # One value a strip: the strips' own variation is the residual.
        model["nested"], strips = ["pair"], ()
    if family == "binomial":
        frame["examined"] = 100
        model["trials"] = "examined"
    setup = Hypothesis(
        "setup",
        n - 1,
        2 * n - 2,
        models=("setup", "1"),
        block=("setup", "trial", "standard", "pair"),
    )
    truth = {"setup": {"standard": 0.0, "trial": SETUP_EFFECT}}
    return Setting(name, frame, intercept, truth, (Units(("pair",), 0.3), *strips), model,
                   (setup,), ("pair", "setup"), noise)  # fmt: skip


def fields(name: str, covariance: str) -> Setting:
    """Four fields of three pairs; the setup effect differs between fields with sd 0.2."""
    frame = _grid(field=range(4), pair=range(3), setup=["standard", "trial"], row=range(6))
    units = (
        Units(("field",), 0.3),
        Units(("field",), 0.2, by="setup"),
        Units(("field", "pair"), 0.3),
        Units(("field", "pair", "setup"), 0.25),
    )
    model = {
        "fixed": "setup", "nested": ["field", "pair", "setup"], "slopes": {"field": ["setup"]},
        "covariance": {"field": covariance}, "family": "poisson",
    }  # fmt: skip
    setup = Hypothesis("setup", 3, 6, models=("setup", "1"),
                       block=("setup", "trial", "standard", "field"))  # fmt: skip
    truth = {"setup": {"standard": 0.0, "trial": SETUP_EFFECT}}
    return Setting(name, frame, float(np.log(6.0)), truth, units, model, (setup,),
                   ("field", "pair", "setup"))  # fmt: skip


def split(name: str, family: str, rows: int, noise: float = 0.0) -> Setting:
    """Six blocks: a cushion on one of two main strips, three speeds in strips within each."""
    speeds = ["slow", "usual", "fast"]
    frame = _grid(block=range(6), cushion=["off", "on"], speed=speeds, row=range(rows))
    units = [Units(("block",), 0.3), Units(("block", "cushion"), 0.25)]
    nested = ["block", "cushion"]
    if rows > 1:
        units.append(Units(("block", "cushion", "speed"), 0.2))
        nested.append("speed")
    both = "cushion + speed"
    hypotheses = (
        Hypothesis("cushion", 5, 10, models=(both, "speed"),
                   block=("cushion", "on", "off", "block")),
        Hypothesis("speed", 20, 30, models=(both, "cushion")),
        Hypothesis("fast - slow", 20, 30, contrast=("speed", "fast", "slow"),
                   block=("speed", "fast", "slow", "block")),
        Hypothesis("cushion:speed", 20, 30, models=("cushion * speed", both)),
    )  # fmt: skip
    truth = {
        "cushion": {"off": 0.0, "on": SETUP_EFFECT},
        "speed": {"slow": 0.0, "usual": 0.15, "fast": 0.3},
    }
    model = {"fixed": "cushion * speed", "nested": nested, "family": family}
    return Setting(name, frame, float(np.log(6.0)), truth, units, model, hypotheses,
                   ("block", "cushion", "speed"), noise)  # fmt: skip


SETTINGS: dict[str, Callable[[str], Setting]] = {
    "poisson, 3 pairs": lambda name: pairs(name, 3, "poisson"),
    "poisson, 4 pairs": lambda name: pairs(name, 4, "poisson"),
    "poisson, 6 pairs": lambda name: pairs(name, 6, "poisson"),
    "poisson, 8 pairs": lambda name: pairs(name, 8, "poisson"),
    # The truth on the bound of its range: frames vary as Poisson, strips of a pair not at all.
    "poisson, 4 pairs, strips alike": lambda name: pairs(name, 4, "poisson", strip_sd=0.0),
    "poisson, 6 pairs, strips alike": lambda name: pairs(name, 6, "poisson", strip_sd=0.0),
    "negative binomial, 6 pairs": lambda name: pairs(name, 6, "negative_binomial", noise=4.0),
    "damage, 6 pairs": lambda name: pairs(
        name, 6, "binomial", rows=3, intercept=float(np.log(0.05 / 0.95))
    ),
    "poisson, 4 fields": lambda name: fields(name, "exchangeable"),
    "poisson, 4 fields, correlated": lambda name: fields(name, "unstructured"),
    "poisson, split strips": lambda name: split(name, "poisson", 4),
    "gaussian, 6 pairs": lambda name: pairs(name, 6, "gaussian", rows=1, noise=0.25),
    "gaussian, split strips": lambda name: split(name, "gaussian", 1, noise=0.2),
}


def setting(name: str) -> Setting:
    """The setting of that name."""
    return SETTINGS[name](name)
