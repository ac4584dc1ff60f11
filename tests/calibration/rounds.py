"""One round of the calibration, many rounds, and their rates.

A round draws one trial, fits its model by restricted likelihood, and takes the p value of no
difference and of the true effect by every method. With no effect a share of 5 % should lie below
0.05; with one, the p of the true effect is not below in a share of 95 % (coverage), and that of no
difference in as many as possible (power).

Every round draws from a seed sequence of its own, so results do not depend on batches or jobs.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache, partial
from typing import Any

import numpy as np
import pandas as pd
from scipy import special
from statsmodels.stats.proportion import proportion_confint
from trial_settings import EFFECT, Effect, Setting, setting

from trialkit import __version__
from trialkit.analysis.judges import PRIOR
from trialkit.errors import ModelError
from trialkit.mixed import MixedFit, fit_mixed
from trialkit.mixed.hypotheses import term_rows
from trialkit.mixed.inference import inference_by
from trialkit.mixed.integrated import Integrated, integrate, parameter_of, weak_prior
from trialkit.mixed.parallel import Progress, in_batches, stop_run_off
from trialkit.mixed.smallsample import KenwardRoger

REPORTED, NARROWER = "reported", "reported, a narrower prior"
LAYOUT = "kenward-roger, df of the layout"
BEFORE = "kenward-roger without zero variances, df of pooled units"
CLASSICAL, NORMAL = "classical test of the stratum", "normal approximation"
METHODS = (REPORTED, NARROWER, LAYOUT, BEFORE, CLASSICAL, NORMAL)
NARROW = 0.5  # times the scale of the prior
LEVEL = 0.05
Answer = tuple[float, float, float]
Gaps = tuple[np.ndarray, np.ndarray]


def _root(name: str, spread: float, effect: float, seed: int) -> tuple[int, ...]:
    return (seed, zlib.crc32(name.encode()), round(1000 * spread), int(effect != 0.0))


@lru_cache(maxsize=4)
def prepared(name: str, seed: int) -> tuple[Setting, MixedFit, dict[str, np.ndarray]]:
    """A setting, its model fitted to a first trial, and the rows of every effect."""
    case = setting(name)
    y = case.draw(np.random.default_rng(_root(name, 0.2, EFFECT, seed)), 0.2, EFFECT)
    fit = fit_mixed(case.frame.assign(y=y), "y", **case.model)
    return case, fit, {e.name: term_rows(fit.fixed_part, e.factor) for e in case.effects}


def one_round(
    name: str, spread: float, effect: float, seed: int, number: int
) -> list[dict[str, Any]]:
    """Records of one trial: effect, method, p of no difference and of the truth, half width."""
    case, first, rows_of = prepared(name, seed)
    # The sequence that spawn gives the round, however many rounds are asked for.
    root = np.random.SeedSequence(_root(name, spread, effect, seed), spawn_key=(number,))
    y = case.draw(np.random.default_rng(root), spread, effect)
    out = []
    try:
        fit = first.refit(y)
        stop_run_off(first, fit)
        answers = _answers(case, fit, y, rows_of, effect)
    except (ModelError, np.linalg.LinAlgError) as error:
        reason = str(error) or type(error).__name__
        answers = [(e.name, m, (np.nan,) * 3, False, reason) for e in case.effects for m in METHODS]
    for which, method, (p, p_true, half), zero, reason in answers:
        out.append({"round": number, "effect": which, "method": method, "p": p, "p_true": p_true,
                    "half": half, "zero": zero, "reason": reason})  # fmt: skip
    return out


def _answers(
    case: Setting, fit: MixedFit, y: np.ndarray, rows_of: dict[str, np.ndarray], effect: float
) -> list[tuple[str, str, Answer, bool, str]]:
    """Effect, method, answer, whether the error's variance is zero, and no reason to fail."""
    beta = fit.fixed_effects.to_numpy()
    every = some = inference_by(fit, "kenward-roger")
    if fit.singular:
        some = inference_by(fit, "kenward-roger-nonzero")
    out = []
    for which in case.effects:
        rows = rows_of[which.name]
        true = np.zeros(len(rows))
        if which is case.effects[0]:
            true[-1] = effect
        gaps = rows @ beta, rows @ beta - true
        zero = fit.found.point.theta[parameter_of(fit, which.level, which.slope)] == 0.0
        answers = {LAYOUT: _by_f(every, rows, gaps, which.df)}
        if case.family == "gaussian":
            answers[REPORTED] = answers[LAYOUT]
        else:
            scale = PRIOR[fit.family.link]
            found = integrate(fit, which.level, which.slope, scale)
            shape = weak_prior(found.sd, NARROW * scale) / weak_prior(found.sd, scale)
            narrow = replace(found, weight=found.weight * shape / (found.weight @ shape))
            answers[REPORTED] = _by_integral(found, rows, gaps)
            answers[NARROWER] = _by_integral(narrow, rows, gaps)
        answers |= {
            BEFORE: _by_f(some, rows, gaps, which.pooled_df),
            CLASSICAL: _classical(case, which, y, true),
            NORMAL: _normal(every, rows, gaps),
        }
        out += [(which.name, m, answers[m], bool(zero), "") for m in METHODS if m in answers]
    return out


def _p(f: float, q: int, df: float) -> float:
    return float(special.chdtrc(q, f * q) if np.isinf(df) else special.fdtrc(q, df, f))


def _half(se: float, df: float) -> float:
    return float(se * special.stdtrit(df, 1 - LEVEL / 2))


def _by_integral(found: Integrated, rows: np.ndarray, gaps: Gaps) -> Answer:
    tests = [found.f_test(rows, gap) for gap in gaps]
    _, se, df = found.compare(rows[-1:])
    return (*(_p(f, len(rows), own) for f, own in tests), _half(se[0], df[0]))


def _by_f(inference: KenwardRoger, rows: np.ndarray, gaps: Gaps, most: float) -> Answer:
    """Kenward-Roger's F, its degrees of freedom at most ``most``."""
    scale, df = inference.moments(rows)
    cov = rows @ inference.adjusted @ rows.T
    q = len(rows)
    ps = (_p(float(scale / q * g @ np.linalg.solve(cov, g)), q, min(df, most)) for g in gaps)
    one = min(float(inference.df(rows[-1:])[0]), most)
    return (*ps, _half(np.sqrt(cov[-1, -1]), one))


def _normal(inference: KenwardRoger, rows: np.ndarray, gaps: Gaps) -> Answer:
    """Wald's chi-square with the estimated variances taken as known."""
    cov = rows @ inference.phi @ rows.T
    q = len(rows)
    ps = (_p(float(g @ np.linalg.solve(cov, g)) / q, q, np.inf) for g in gaps)
    return (*ps, _half(np.sqrt(cov[-1, -1]), np.inf))


def _classical(case: Setting, which: Effect, y: np.ndarray, true: np.ndarray) -> Answer:
    """Analysis of variance of strip values of balanced units within their blocks."""
    cells = _cells(case.name, which.name)
    total = np.bincount(cells.strip, y)
    if case.family == "gaussian":
        value = total / np.bincount(cells.strip)
    elif case.family == "binomial":
        value = np.log((total + 0.5) / (cells.examined - total + 0.5))
    else:
        value = np.log(total + 0.5)
    table = np.bincount(cells.unit_of_strip, value) / np.bincount(cells.unit_of_strip)
    table = table.reshape(-1, cells.levels)  # blocks by levels
    b, k = table.shape
    means, left = table.mean(axis=0), table - table.mean(axis=1, keepdims=True)
    for group in np.unique(cells.group):  # of strips, what interacts with main strips is no error
        left[cells.group == group] -= left[cells.group == group].mean(axis=0)
    mse = float((left**2).sum()) / which.df
    if mse <= 0:
        return np.nan, np.nan, np.nan
    ps = []
    for effect in (0.0 * true, true):
        gap = means - np.r_[0.0, effect]
        f = b * float(((gap - gap.mean()) ** 2).sum()) / (k - 1) / mse
        ps.append(_p(f, k - 1, which.df))
    return (*ps, _half(np.sqrt(2 * mse / b), which.df))


class _Cells:
    """Codes of strips and of units within blocks, and the main strip's level of every block."""

    def __init__(self, case: Setting, which: Effect) -> None:
        keys = list(case.nested)
        self.strip = case.frame.groupby(keys).ngroup().to_numpy()
        self.examined = np.bincount(self.strip, case.frame["examined"])
        strips = case.frame.drop_duplicates(keys).sort_values(keys)
        block = strips.groupby(list(which.within)).ngroup().to_numpy()
        level = strips[which.factor].astype("category").cat.codes.to_numpy()
        self.levels = int(level.max()) + 1
        self.unit_of_strip = block * self.levels + level
        of_block = strips.groupby(list(which.within)).ngroups
        self.group = np.zeros(of_block, dtype=int)
        if "main" in which.within:
            mains = strips.drop_duplicates(list(which.within)).sort_values(list(which.within))
            self.group = mains["main"].astype("category").cat.codes.to_numpy()


@lru_cache(maxsize=8)
def _cells(name: str, effect: str) -> _Cells:
    case = setting(name)
    return _Cells(case, next(e for e in case.effects if e.name == effect))


def _batch(
    name: str, spread: float, effect: float, seed: int, rounds: Sequence[int]
) -> list[list[dict[str, Any]]]:
    return [one_round(name, spread, effect, seed, r) for r in rounds]


def simulate(
    name: str, spread: float, effect: float, rounds: int, seed: int, jobs: int = 1,
    progress: Progress | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Records of all rounds of one setting and spread, one row an effect and method."""
    batch = partial(_batch, name, spread, effect, seed)
    done = in_batches(batch, range(rounds), jobs, progress)
    return pd.DataFrame([record for records in done for record in records])


def rates(
    name: str, spread: float, effect: float, records: pd.DataFrame, seed: int
) -> pd.DataFrame:
    """Rates of one cell with their 95 % Monte-Carlo interval (Clopper & Pearson).

    Returns
    -------
    DataFrame: setting, spread, effect, method, quantity ("rejection" of the true null at 5 %;
    "coverage" of the 95 % interval and "power" where there is an effect, of the factor that has
    it), rate, low, high, rounds, failed, zero_share (rounds with the error's variance estimated
    zero), half_width (median, link scale), seed, version.
    """
    table = []
    for (which, method), group in records.groupby(["effect", "method"], sort=False):
        quantities = {"rejection": group["p"] < LEVEL}
        if effect:
            if which != records["effect"].iloc[0]:
                continue
            quantities = {"coverage": group["p_true"] >= LEVEL, "power": group["p"] < LEVEL}
        fitted = group["p"].notna()
        n = int(fitted.sum())
        for quantity, hit in quantities.items():
            hits = int(hit[fitted].sum())
            low, high = proportion_confint(hits, n, method="beta") if n else (np.nan, np.nan)
            table.append(
                (name, spread, which, method, quantity, hits / n if n else np.nan, low, high,
                 len(group), len(group) - n, group.loc[fitted, "zero"].mean(),
                 group["half"].median(), seed, __version__)
            )  # fmt: skip
    columns = ["setting", "spread", "effect", "method", "quantity", "rate", "low", "high",
               "rounds", "failed", "zero_share", "half_width", "seed", "version"]  # fmt: skip
    return pd.DataFrame(table, columns=columns)

