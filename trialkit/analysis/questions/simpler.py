"""Simpler analyses of a trial's contrasts: strip totals on the log scale, paired t, sign flips.

Ratios. The log-Gaussian model is turned into the reported ratio (averaged over random effects,
offset taken off) like the models of counts. For paired strips with values ``b`` and ``a`` the
ratio of means ``r`` is the solution of ``mean(b - r a) = 0`` and its interval all ``r`` at which
the paired t of ``b - r a`` is not rejected (Fieller 1954, J. R. Stat. Soc. B 16:175-185), so it
leaves out 1 just when the t-test rejects. The sign-flip interval inverts the exact test in the
same way: the values at which it changes are the means (or ratios of sums) over all non-empty
subsets of pairs, and each gap between them has probability ``2^-n`` (Hartigan 1969, J. Am. Stat.
Assoc. 64:1303-1317).

The paired t itself is that of pingouin, with Cohen's d (the mean difference over the root mean
square of the two standard deviations, without sign) and the Bayes factor of a difference against
none (Rouder et al. 2009, Psychon. Bull. Rev. 16:225-237, Cauchy scale 0.707). Its power of the
difference found says nothing that p does not and is not told.

A paired test speaks for the fields at hand and adjusts for no covariate; where a factor meets a
level several times in a block, the mean of those strips is taken. Of a loss that is one zone less
another, a strip's value is the difference of its densities.
"""

from __future__ import annotations

import dataclasses
import functools
import warnings
from collections.abc import Callable
from functools import partial
from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import expit

from trialkit.analysis.estimates import estimate_factors, holm
from trialkit.analysis.questions.refits import fit_again, strip_values
from trialkit.analysis.result import ResponseResult
from trialkit.errors import DesignError
from trialkit.mixed import MixedFit
from trialkit.randomisation import EXACT_PAIRS, paired_randomisation_test
from trialkit.words import alternatives as words

ANSWER = [
    "ratio", "ratio_low", "ratio_high", "difference", "difference_low", "difference_high",
    "df", "p",
]  # fmt: skip
SEED = 1  # of the random sign patterns
Answer = dict[str, Any]
"""The columns of `ANSWER`, ``remark``, and ``unable``: whether a test of so few pairs could not
have told the two apart whatever was found."""
# Of a factor, level, reference and confidence level: a contrast's answer.
Compute = Callable[[str, str, str, float], Answer]


def analyses(result: ResponseResult) -> dict[str, Compute]:
    """The simpler analyses of a response by name, each to be called for a contrast."""
    spec = result.specification
    paired = partial(_paired, result, paired_t)
    flips = partial(_flips, result)
    if spec.family == "binomial":
        return {
            words.paired_t("logit shares"): partial(_logit_t, result),
            words.sign_flips("strip shares"): flips,
        }
    found: dict[str, Compute] = {
        words.paired_t("strip means"): paired, words.sign_flips("strip means"): flips,
    }  # fmt: skip
    if spec.ordinal:
        return found | {words.sign_flips("ranks"): partial(_ranks, result)}
    if spec.compared_zones:
        what = "strip differences"
        return {words.paired_t(what): paired, words.sign_flips(what): flips}
    if spec.family == "poisson":
        return {words.log_gaussian("densities"): _LogStrips(result), **found}
    # Where a strip is one value the chosen model is that of strips already.
    if spec.family == "lognormal" and len(result.data) > result.data["strip"].nunique():
        return {words.log_gaussian("shares"): _LogStrips(result), **found}
    return found


class _LogStrips:
    """Gaussian REML model of the log of pooled strips; fitted once, asked for every contrast."""

    def __init__(self, result: ResponseResult) -> None:
        self.result = result
        self.fit: MixedFit | None = None

    def __call__(self, factor: str, name: str, reference: str, level: float) -> Answer:
        result = self.result
        if self.fit is None:
            self.fit = self._fitted()
        reading = dataclasses.replace(result.reading, log=True)
        table = estimate_factors(self.fit, result.design, reading, level)[1]
        row = table[(table["factor"] == factor) & (table["level"] == name)].iloc[0]
        return {key: float(row[key]) for key in ANSWER}

    def _fitted(self) -> MixedFit:
        data, design = self.result.data, self.result.design
        spec = self.result.specification
        sums = data.groupby("strip")[[spec.response, str(spec.size)]].sum()
        strips = design.categories(design.strips)
        strips["pooled"] = strips["strip"].map(sums[spec.response] / sums[spec.size])
        empty = strips.loc[strips["pooled"] == 0, "strip"].astype(str)
        if len(empty):
            raise DesignError(
                f"No {spec.thing} was found on strip {', '.join(empty)}: it has no logarithm."
            )
        strips["log_pooled"] = np.log(strips["pooled"])
        nested = [name for name in design.nested if name != "strip"]
        return fit_again(
            self.result, nested, family="gaussian", response="log_pooled", fixed=design.formula,
            data=strips,
        )  # fmt: skip


def blocks(result: ResponseResult, factor: str, name: str, reference: str) -> pd.DataFrame:
    """Mean strip value of a level and its reference in every block that holds both.

    Returns
    -------
    DataFrame by (field, pair): ``b`` (the level) and ``a`` (the reference), in the result's unit.

    Raises
    ------
    DesignError
        If fewer than two blocks hold both.
    """
    return _wide(result.by_strip, factor, name, reference)


def _wide(strips: pd.DataFrame, factor: str, name: str, reference: str) -> pd.DataFrame:
    wide = strips.pivot_table(
        index=["field", "pair"], columns=factor, values="value", observed=True, sort=False
    )
    if name not in wide or reference not in wide:
        raise DesignError("One of the two was measured on no strip.")
    both = wide[[name, reference]].dropna().set_axis(["b", "a"], axis=1)
    if len(both) < 2:
        raise DesignError("Fewer than two pairs (blocks) hold both setups.")
    return both


def _paired(
    result: ResponseResult, test: Callable[..., Answer], factor: str, name: str,
    reference: str, level: float,
) -> Answer:  # fmt: skip
    both = blocks(result, factor, name, reference)
    return test(both["b"].to_numpy(), both["a"].to_numpy(), level)


def _flips(
    result: ResponseResult, factor: str, name: str, reference: str, level: float
) -> Answer:
    answer = _paired(result, sign_flip, factor, name, reference, level)
    few = _too_few(result, factor, name, level)
    unable = bool(few) or bool(answer.get("unable"))
    return answer | {"remark": answer["remark"] + few, "unable": unable}


def paired_t(b: np.ndarray, a: np.ndarray, level: float) -> Answer:
    """Paired t-test of ``b - a`` by pingouin, Fieller's interval for the ratio of means.

    Parameters
    ----------
    b, a : ndarray, shape (pairs,), any unit.
    level : float
        Confidence level.

    Raises
    ------
    DesignError
        If all differences are alike.
    """
    n = len(b)
    # Differences that are equal on paper may differ in the last bits.
    if np.ptp(b - a) <= 1e-12 * max(np.abs(a).max(), np.abs(b).max()):
        raise DesignError("All pairs differ by the same amount: there is no spread to judge by.")
    test = _pingouin_t(b, a, level)
    low, high = fieller(b, a, float(stats.t.ppf(0.5 + level / 2, n - 1)))
    ends = np.asarray(test["ci"], dtype=float)
    return dict(
        zip(
            ANSWER,
            (b.mean() / a.mean() if np.isfinite(high) else np.nan, low, high, (b - a).mean(),
             ends[0], ends[1], float(test["dof"]), float(test["pval"])),
            strict=True,
        ),
        remark=words.paired_t_remark(n, float(test["cohend"]), float(test["bf10"])),
    )  # fmt: skip


def _pingouin_t(b: np.ndarray, a: np.ndarray, level: float) -> dict[str, Any]:
    """Its one row, unrounded, by names that its versions share: dof, pval, ci, cohend, bf10."""
    pingouin = _pingouin()
    kept = dict(pingouin.options)
    try:
        # By default ends are rounded to two decimals and the Bayes factor is text.
        for option in [name for name in kept if name.startswith("round")]:
            pingouin.options[option] = None
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of the power for few pairs, which is not used
            table = pingouin.ttest(b, a, paired=True, confidence=level)
    finally:
        pingouin.options.update(kept)
    # "p-val" and "CI95%" up to version 0.5, "p_val" and "CI95" since.
    row = {"".join(c for c in str(k) if c.isalnum()).lower(): v for k, v in table.iloc[0].items()}
    row["ci"] = next(value for name, value in row.items() if name.startswith("ci"))
    return row


@functools.cache
def _pingouin() -> ModuleType:
    """Imported only when a paired t is asked for: it brings a second and a half of imports."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pingouin
    return pingouin


def fieller(b: np.ndarray, a: np.ndarray, quantile: float) -> tuple[float, float]:
    """All r at which the t of ``b - r a`` is within ``quantile``; missing if unbounded."""
    c = np.cov(b, a) / len(b) * quantile**2
    # mean(b - r a)^2 <= quantile^2 var(b - r a) / n, a quadratic in r.
    two, one, none = a.mean() ** 2 - c[1, 1], b.mean() * a.mean() - c[0, 1], b.mean() ** 2 - c[0, 0]
    inside = one**2 - two * none
    if two <= 0 or inside < 0 or a.mean() <= 0:
        return np.nan, np.nan
    root = np.sqrt(inside)
    return float((one - root) / two), float((one + root) / two)


def sign_flip(b: np.ndarray, a: np.ndarray, level: float) -> Answer:
    """Sign-flip test of ``b - a``; difference and ratio of means by inverting it.

    Exact up to 20 pairs; above that by random patterns, without an interval. Intervals are open
    where the pairs are too few for the level (fewer than 6 at 95 %).
    """
    n = len(b)
    test = paired_randomisation_test(b - a, seed=SEED)
    out: Answer = dict.fromkeys(ANSWER, np.nan)
    out |= {"difference": test.mean, "p": test.p}
    if (a > 0).all():
        out["ratio"] = b.mean() / a.mean()
    if not test.exact:
        return out | {"remark": words.signs_drawn(n, test.patterns)}
    sums = [np.zeros(1), np.zeros(1), np.zeros(1)]
    for each in zip(b, a, np.ones(n), strict=True):
        sums = [np.concatenate([s, s + v]) for s, v in zip(sums, each, strict=True)]
    of_b, of_a, count = sums[0][1:], sums[1][1:], sums[2][1:]
    kinds = {"difference": (of_b - of_a) / count}
    if (a > 0).all():
        kinds["ratio"] = of_b / of_a
    # The interval's ends: as many subsets beyond each as half of 1 - level allows.
    cut = int(np.floor((1 - level) / 2 * 2**n + 1e-9))
    for name, values in kinds.items():
        if cut:
            parted = np.partition(values, [cut - 1, len(values) - cut])
            out[f"{name}_low"], out[f"{name}_high"] = parted[cut - 1], parted[-cut]
    few = _fewest(n, level)
    return out | {"remark": f"{words.of_pairs(n)}{few}", "unable": bool(few)}


def _logit_t(
    result: ResponseResult, factor: str, name: str, reference: str, level: float
) -> Answer:
    """Paired t of empirical logits, told as a ratio and difference of shares.

    The odds ratio is carried to the reference's mean logit, which is taken as known.
    """
    strips = result.by_strip.assign(value=result.by_strip["strip"].map(strip_values(result)))
    both = _wide(strips, factor, name, reference)
    answer = paired_t(both["b"].to_numpy(), both["a"].to_numpy(), level)
    base = both["a"].mean()
    for end in ("", "_low", "_high"):
        share = expit(base + float(answer[f"difference{end}"]))
        answer[f"ratio{end}"] = share / expit(base)
        answer[f"difference{end}"] = result.scale * (share - expit(base))
    return answer | {"remark": words.logit_t_remark(answer["remark"])}


def _ranks(
    result: ResponseResult, factor: str, name: str, reference: str, level: float
) -> Answer:
    """The test of ranks that stands beside the means (`ranks`); the difference is of strip means.

    Raises
    ------
    DesignError
        If no block holds both setups.
    """
    own = result.contrasts
    row = own[(own["factor"] == factor) & (own["level"] == name)].iloc[0]
    n = int(row["n_blocks"])
    if not np.isfinite(row["p_rank"]):
        raise DesignError("No pair (block) holds both setups.")
    both = blocks(result, factor, name, reference)
    few = _fewest(n, level) + _too_few(result, factor, name, level)
    return {
        "difference": float((both["b"] - both["a"]).mean()), "p": float(row["p_rank"]),
        "remark": f"{words.ranks_remark(n)}{few}", "unable": bool(few),
    }  # fmt: skip


def _fewest(n: int, level: float) -> str:
    """What to say where so few pairs cannot tell anything apart, whatever was found."""
    if n > EXACT_PAIRS or 2 / 2**n < 1 - level:
        return ""
    return words.too_few_pairs(n, 2 / 2**n)


def _too_few(result: ResponseResult, factor: str, name: str, level: float) -> str:
    """The same where p could be small enough, but not once adjusted for the number of setups."""
    names, least = [], []
    for row in result.contrasts[result.contrasts["factor"] == factor].itertuples():
        try:
            n = len(blocks(result, factor, row.level, row.reference))
        except DesignError:  # no test of this setup, and no part in the adjustment
            continue
        names.append(row.level)
        least.append(2 / 2**n)
    at = names.index(name)
    adjusted = float(holm(np.array(least))[at])
    if least[at] >= 1 - level or adjusted < 1 - level:
        return ""
    return words.too_few_adjusted(adjusted)
