"""One round of the calibration, many rounds, and their rates.

A round draws one trial with no effect and one with the true effects, fits both, and takes the p
value of the true value of every hypothesis by every method: under it a share of 5 % lies below
0.05 (rejection of the true null), and the 95 % interval (for several rows, the region) holds the
true effects when p is not below. A Gaussian fit is equivariant to shifts by the fixed part, so one
trial serves for both there.

Every round draws from a seed sequence of its own, so results do not depend on batches or jobs.
What cannot be fitted is counted per method, with its reason; rates are over the rounds fitted.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats
from statsmodels.stats.proportion import proportion_confint
from trial_settings import Hypothesis, Setting, setting

from trialkit import __version__
from trialkit.errors import ModelError
from trialkit.mixed import MixedFit, fit_mixed
from trialkit.mixed.inference import inference_by
from trialkit.mixed.parallel import Progress, in_batches, stop_run_off

# The engine's own, the default first, and rules that limit the df of kenward-roger-nonzero, whose
# covariance they have: "capped" lets a hypothesis have at most the degrees of freedom of its
# stratum, "capped, pooled" at most those the stratum would have without the larger units, "df of
# all" those of the default; "containment" has the stratum's and the unadjusted covariance.
ENGINE = ("kenward-roger", "kenward-roger-nonzero", "satterthwaite")
CAPPED, POOLED, DF_OF_ALL = (
    f"{ENGINE[1]}, {rule}" for rule in ("capped", "capped pooled", "df of all")
)
CONTAINMENT = "containment"
RULES = (CAPPED, POOLED, DF_OF_ALL, CONTAINMENT)
WALD, RATIO, BLOCKS = "z (ML)", "likelihood ratio (ML)", "t of block differences"
METHODS = (*ENGINE, *RULES, WALD, RATIO, BLOCKS)
# Without effects, and with the true ones.
WORLDS = ("no effect", "effect")
LEVEL = 0.05
Record = dict[str, Any]


# Method, fixed part, and the effect held at its true value ("" for none).
Key = tuple[str, str, str]
RESTRICTED: Key = ("reml", "", "")


@dataclass(frozen=True, slots=True)
class Prepared:
    """What the rounds of one setting share.

    Attributes
    ----------
    fits : every model, fitted to a first trial.
    rows : by hypothesis its linear functions, shape (rows, terms).
    beta : by world the true fixed effects, shape (terms,).
    """

    case: Setting
    fits: dict[Key, MixedFit]
    rows: dict[str, np.ndarray]
    beta: dict[str, np.ndarray]


@lru_cache(maxsize=2)
def prepare(name: str, seed: int) -> Prepared:
    """Fit the setting's models to a first trial, drawn with the true effects."""
    case = setting(name)
    y = case.draw(np.random.default_rng(_root(name, seed)), True)
    models: dict[Key, str] = {RESTRICTED: case.model["fixed"]}
    models["ml", case.model["fixed"], ""] = case.model["fixed"]
    for h in case.hypotheses:
        models |= {("ml", fixed, ""): fixed for fixed in h.models or ()}
        if h.models and _can_hold(case, h):
            models["ml", h.models[1], h.name] = h.models[1]
    fits = {}
    for key, fixed in models.items():
        frame, model = case.frame.assign(y=y), {**case.model, "fixed": fixed}
        if key[2]:
            frame["expected"], model["exposure"] = np.exp(case.effect(key[2])), "expected"
        fits[key] = fit_mixed(frame, "y", **model, method=key[0])
    first = fits[RESTRICTED]
    x = first.fixed_part.x
    beta = {w: np.linalg.lstsq(x, case.fixed(w == WORLDS[1]), rcond=None)[0] for w in WORLDS}
    return Prepared(case, fits, {h.name: h.rows(first) for h in case.hypotheses}, beta)


def _can_hold(case: Setting, h: Hypothesis) -> bool:
    """Whether a log link can hold the true effect in the smaller model, as an exposure."""
    return h.name in case.truth and case.family in ("poisson", "negative_binomial")


def _root(name: str, seed: int) -> np.random.SeedSequence:
    return np.random.SeedSequence([seed, zlib.crc32(name.encode())])


def one_round(name: str, seed: int, number: int) -> list[Record]:
    """p values of the true hypotheses: records of world, effect, method, p, df, zero, reason."""
    ready = prepare(name, seed)
    # The sequence that spawn gives the round, however many rounds are asked for.
    child = np.random.SeedSequence(_root(name, seed).entropy, spawn_key=(number,))
    rng = np.random.default_rng(child)
    out: list[Record] = []
    for world in WORLDS[:1] if ready.case.family == "gaussian" else WORLDS:
        trial = Trial(ready, world, ready.case.draw(rng, world == WORLDS[1]))
        out += [{"round": number, "world": world, **record} for record in trial.records()]
    return out


class Trial:
    """One drawn trial, its fits and its tests of the truth."""

    def __init__(self, ready: Prepared, world: str, y: np.ndarray) -> None:
        self.ready, self.world, self.y = ready, world, y
        self.beta = ready.beta[world]
        self._fits: dict[Key, MixedFit] = {}
        self._inferences: dict[tuple[Key, str], Any] = {}

    def records(self) -> list[Record]:
        """One record a hypothesis and method, with the reason where there is no p value."""
        out = []
        case = self.ready.case
        for h in case.hypotheses:
            tests = {m: partial(self.wald, m, h) for m in (*ENGINE, *RULES, WALD)}
            null = self.world == WORLDS[0]
            if h.models and (null or h.name not in case.truth or _can_hold(case, h)):
                tests[RATIO] = partial(self.likelihood_ratio, h)
            if h.block:
                tests[BLOCKS] = partial(self.block_test, h)
            for method, test in tests.items():
                p, df, zero, reason = np.nan, np.nan, False, ""
                try:
                    p, df, zero = test()
                    reason = "p is not a number" if np.isnan(p) else ""
                except (ModelError, np.linalg.LinAlgError) as error:
                    reason = str(error) or type(error).__name__
                out.append({"effect": h.name, "method": method, "p": p, "df": df, "zero": zero,
                            "reason": reason})  # fmt: skip
        return out

    def fit(self, key: Key) -> MixedFit:
        """The model refitted to this trial."""
        if key not in self._fits:
            before = self.ready.fits[key]
            again = before.refit(self.y)
            stop_run_off(before, again)
            self._fits[key] = again
        return self._fits[key]

    def inference(self, key: Key, kind: str) -> Any:
        """Covariance and df rule of a fit, worked out once."""
        if (key, kind) not in self._inferences:
            self._inferences[key, kind] = inference_by(self.fit(key), kind)
        return self._inferences[key, kind]

    def wald(self, method: str, h: Hypothesis) -> tuple[float, float, bool]:
        """F test (chi-square where df are infinite): p, df, whether a variance is zero."""
        key = ("ml", self.ready.case.model["fixed"], "") if method == WALD else RESTRICTED
        kind = "asymptotic" if method == WALD else method if method in ENGINE else ENGINE[1]
        fit, inference = self.fit(key), self.inference(key, kind)
        rows, gap = self.ready.rows[h.name], fit.fixed_effects.to_numpy() - self.beta
        q = len(rows)
        f, df = inference.f_test(rows, gap)
        if method == CONTAINMENT:
            effect = rows @ gap
            f, df = effect @ np.linalg.solve(rows @ inference.phi @ rows.T, effect) / q, h.df
        elif method == DF_OF_ALL:
            df = self.inference(key, ENGINE[0]).moments(rows)[1]
        elif method in (CAPPED, POOLED):
            df = min(df, h.df if method == CAPPED else h.pooled_df)
        p = stats.chi2.sf(f * q, q) if np.isinf(df) else stats.f.sf(f, q, df)
        return float(p), float(df), fit.singular

    def likelihood_ratio(self, h: Hypothesis) -> tuple[float, float, bool]:
        """Chi-square test of two maximum-likelihood fits: p, df, whether a variance is zero."""
        assert h.models is not None
        held = self.world == WORLDS[1] and h.name in self.ready.case.truth
        big = self.fit(("ml", h.models[0], ""))
        small = self.fit(("ml", h.models[1], h.name if held else ""))
        df = len(big.fixed_part.names) - len(small.fixed_part.names)
        statistic = max(2.0 * (big.loglik - small.loglik), 0.0)
        return float(stats.chi2.sf(statistic, df)), np.inf, big.singular

    def block_test(self, h: Hypothesis) -> tuple[float, float, bool]:
        """One-sample t test of the differences within blocks: p, df, False."""
        true = float((self.ready.rows[h.name] @ self.beta).item())
        test = stats.ttest_1samp(self.ready.case.block_differences(h, self.y), true)
        return float(test.pvalue), float(test.df), False


def _batch(name: str, seed: int, rounds: Sequence[int]) -> list[list[Record]]:
    return [one_round(name, seed, r) for r in rounds]


def simulate(
    name: str, rounds: int, seed: int, jobs: int = 1, progress: Progress | None = None
) -> pd.DataFrame:
    """Records of all rounds of one setting, one row a world, effect and method."""
    done = in_batches(partial(_batch, name, seed), range(rounds), jobs, progress)
    return pd.DataFrame([record for records in done for record in records])


def rates(name: str, records: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Rates of one setting with their 95 % Monte-Carlo interval (Clopper & Pearson).

    Returns
    -------
    DataFrame: setting, effect, method, quantity ("rejection" of the true null at 5 %, or
    "coverage" of the 95 % interval or region), rate, low, high, rounds (asked for), failed,
    zero_share (of the rounds fitted those with a variance at zero or a correlation at one in the
    fit the method stands on), seed, version.
    """
    # Gaussian rounds have one trial for both.
    worlds = {"rejection": WORLDS[0], "coverage": records["world"].iloc[-1]}
    table = []
    for quantity, world in worlds.items():
        there = records[records["world"] == world]
        for (effect, method), group in there.groupby(["effect", "method"], sort=False):
            fitted = group[group["p"].notna()]
            hits = int(((fitted["p"] < LEVEL) == (quantity == "rejection")).sum())
            n = len(fitted)
            low, high = proportion_confint(hits, n, method="beta") if n else (np.nan, np.nan)
            zero = np.nan if method == BLOCKS else fitted["zero"].mean()
            table.append((name, effect, method, quantity, hits / n if n else np.nan, low, high,
                          len(group), len(group) - n, zero, seed, __version__))  # fmt: skip
    columns = ["setting", "effect", "method", "quantity", "rate", "low", "high", "rounds",
               "failed", "zero_share", "seed", "version"]  # fmt: skip
    return pd.DataFrame(table, columns=columns)
