"""Meta-analysis: trials of which only an effect and its standard error are known.

Effect ``y_i`` of trial i (a log ratio) is normal about ``theta_i`` with known variance ``v_i``, and
``theta_i`` is normal about ``mu`` with variance ``tau2``. With weights ``w_i = 1 / (v_i + tau2)``::

    mu = sum w_i y_i / sum w_i,     se^2 = 1 / sum w_i                     (normal interval)
    se_HK^2 = sum w_i (y_i - mu)^2 / ((k - 1) sum w_i)                     (t with k - 1 df)

The second is by Hartung & Knapp (2001, Stat. Med. 20:3875-3889), and no smaller than ``se``: a few
trials that agree by chance would otherwise be told as all but certain (Röver, Knapp & Friede 2015,
BMC Med. Res. Methodol. 15:99; metafor's ``test = "adhoc"``). ``tau2`` is zero ("fixed"), the
restricted maximum-likelihood estimate ("reml", the customary one where nothing else is asked for:
Viechtbauer 2005, J. Educ. Behav. Stat. 30:261-293), the moment estimate of DerSimonian & Laird
(1986, Control. Clin. Trials 7:177-188), or that of Paule & Mandel (1982, J. Res. Natl. Bur. Stand.
87:377-385). The sums are `statsmodels.stats.meta_analysis.combine_effects`'s; a negative moment
estimate is set to zero here.

``I^2 = tau2 / (tau2 + s^2)``, ``s^2 = (k - 1) sum 1/v / ((sum 1/v)^2 - sum 1/v^2)`` the typical
variance (Higgins & Thompson 2002, Stat. Med. 21:1539-1558, eq. 9). The effect of the next trial
lies in ``mu +- t(k - 2) sqrt(tau2 + se^2)`` (Higgins, Thompson & Spiegelhalter 2009, J. R. Stat.
Soc. A 172:137-159).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize, stats
from statsmodels.stats.meta_analysis import CombineResults, combine_effects

from trialkit.display import card, table
from trialkit.errors import DesignError
from trialkit.words import many as words

MODELS = ("fixed", "reml", "dersimonian-laird", "paule-mandel")


@dataclass(frozen=True, slots=True)
class MetaAnalysis:
    """Several trials' effects combined.

    Attributes
    ----------
    trials : DataFrame
        By trial: ``effect, se, low, high`` (normal interval) and, in percent, the ``weight`` each
        has under every model.
    models : DataFrame
        By model ("fixed", "reml", "dersimonian-laird", "paule-mandel"): ``estimate, se, low,
        high``; ``hk_se, hk_low, hk_high`` by Hartung and Knapp, ``hk_se`` at least ``se`` (missing
        for "fixed"); ``tau2``; ``i2`` (a share); ``predicted_low,
        predicted_high`` for the effect in the next trial (missing for "fixed", and for two
        trials). On the scale of the effects.
    q, df, p : float
        Cochran's test that all trials have the same effect; chi-square with ``df``.
    level : float
        Confidence level of all intervals.
    """

    trials: pd.DataFrame
    models: pd.DataFrame
    q: float
    df: int
    p: float
    level: float

    def _repr_html_(self) -> str:
        return card(
            words.HEADINGS["combined"].format(n=len(self.trials)),
            [words.same_effect(self.q, self.df, self.p, self.level)],
            table(self.models),
        )


def combine_trials(
    effects: Sequence[float],
    standard_errors: Sequence[float],
    *,
    names: Sequence[str] | None = None,
    level: float = 0.95,
) -> MetaAnalysis:
    """Combine effects of trials known by their summaries.

    Parameters
    ----------
    effects : sequence of float, shape (k,)
        Logarithms of ratios, or any effects that are about normal.
    standard_errors : sequence of float, shape (k,)
        Theirs, on the same scale.
    names : sequence of str, optional
        Names of the trials; numbers from 1 by default.
    level : float
        Confidence level, above 0 and below 1.

    Returns
    -------
    MetaAnalysis

    Raises
    ------
    DesignError
        For fewer than two trials, missing values, standard errors that are not above zero, or
        lengths that differ.
    """
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, not {level!r}.")
    y = np.asarray(effects, dtype=float)
    se = np.asarray(standard_errors, dtype=float)
    k = len(y)
    labels = [str(i + 1) for i in range(k)] if names is None else [str(n) for n in names]
    if not k == len(se) == len(labels):
        raise DesignError(
            f"There are {k} effects, {len(se)} standard errors and {len(labels)} names; give one "
            "of each for every trial."
        )
    if k < 2:
        raise DesignError("Combining needs the effects of at least two trials.")
    good = np.isfinite(y) & np.isfinite(se) & (se > 0)
    if not good.all():
        bad = ", ".join(np.array(labels)[~good])
        raise DesignError(
            f"Every trial needs an effect and a standard error above zero; see {bad}. Leave such "
            "a trial out, or find its standard error from its interval."
        )
    v = se**2
    rows, weights = {}, {}
    solved = {"reml": _reml, "paule-mandel": _paule_mandel}
    for name in MODELS:
        # Where tau2 solves an equation the library is given the root and takes no steps of its own.
        given = {"tau2_start": solved[name](y, v), "maxiter": 0} if name in solved else {}
        with np.errstate(invalid="ignore"):  # a negative moment estimate
            found = combine_effects(y, v, method_re="pm" if given else "dl", **given)
        tau2 = 0.0 if name == "fixed" else max(float(found.tau2), 0.0)
        # Without variance between trials both models are one.
        part = "re" if tau2 > 0 else "fe"
        rows[name] = _row(found, part, v, tau2, name != "fixed", level)
        share = getattr(found, f"weights_rel_{part}")
        weights[f"weight_{name.replace('-', '_')}"] = 100.0 * share
    half = stats.norm.ppf(0.5 + level / 2) * se
    trials = pd.DataFrame(
        {"effect": y, "se": se, "low": y - half, "high": y + half, **weights},
        index=pd.Index(labels, name="trial"),
    )
    test = found.test_homogeneity()
    models = pd.DataFrame.from_dict(rows, orient="index").rename_axis("model")
    q = max(float(test.statistic), 0.0)  # effects that are all one leave a rounding error
    return MetaAnalysis(trials, models, q, k - 1, float(test.pvalue), level)


def _paule_mandel(y: np.ndarray, v: np.ndarray) -> float:
    """The root of Q(tau2) = k - 1, zero where Q(0) is less."""

    def excess(tau2: float) -> float:
        w = 1.0 / (v + tau2)
        return float(w @ (y - w @ y / w.sum()) ** 2) - (len(y) - 1)

    if excess(0.0) <= 0.0:
        return 0.0
    # Q is at most k range^2 / tau2.
    most = len(y) * float(np.ptp(y)) ** 2
    return float(optimize.brentq(excess, 0.0, most, xtol=1e-14 * most, rtol=1e-13))


def _reml(y: np.ndarray, v: np.ndarray) -> float:
    """Where the restricted likelihood is largest: the best of a grid, then its slope's root."""

    def parts(tau2: np.ndarray | float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        w = 1.0 / (v + np.asarray(tau2)[..., None])
        total = w.sum(axis=-1)
        return w, total, (y - (w @ y / total)[..., None]) ** 2

    def slope(tau2: float) -> float:
        w, total, square = parts(tau2)
        return float(-total + (w**2).sum() / total + (w**2 * square).sum())

    most = len(y) * float(np.ptp(y)) ** 2
    grid = np.r_[0.0, most * np.geomspace(1e-10, 1.0, 400)]
    w, total, square = parts(grid)
    value = np.log(w).sum(axis=-1) - np.log(total) - (w * square).sum(axis=-1)
    best = int(np.argmax(value))
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    if slope(low) <= 0.0 or slope(high) >= 0.0:
        return float(grid[best])
    return float(optimize.brentq(slope, low, high, xtol=1e-14 * high, rtol=1e-13))


def _row(
    found: CombineResults, part: str, v: np.ndarray, tau2: float, between: bool, level: float
) -> dict[str, float]:
    k = len(v)
    mu, se = (float(getattr(found, f"{name}_{part}")) for name in ("mean_effect", "sd_eff_w"))
    half = stats.norm.ppf(0.5 + level / 2) * se
    w = 1.0 / v
    typical = (k - 1) * w.sum() / (w.sum() ** 2 - (w**2).sum())
    out = {"estimate": mu, "se": se, "low": mu - half, "high": mu + half}
    hk = np.nan
    if between:
        hk = max(float(np.sqrt(getattr(found, f"var_hksj_{part}"))), se)
    wide = stats.t.ppf(0.5 + level / 2, k - 1) * hk
    out |= {"hk_se": hk, "hk_low": mu - wide, "hk_high": mu + wide}
    next_half = np.nan
    if between and k > 2:
        next_half = stats.t.ppf(0.5 + level / 2, k - 2) * np.sqrt(tau2 + se**2)
    return {
        **out,
        "tau2": tau2,
        "i2": tau2 / (tau2 + typical),
        "predicted_low": mu - next_half,
        "predicted_high": mu + next_half,
    }
