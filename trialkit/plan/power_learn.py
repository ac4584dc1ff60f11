"""Levels of loss and variances by level, learned from past trials.

Every trial is analysed by its own model. Its variances by restricted maximum likelihood are pooled
as mean squares are, weighted by degrees of freedom: units of a level less the units they lie in
and, for strips, less the setups compared. A small trial's estimate cannot fall below zero, so the
pooled variance of a level that hardly varies comes out somewhat too large: plans are then a little
on the safe side. The level of loss is that of the reference setup: the mean under the reference of
one factor, less what the others' references differ by from their means (effects multiply).

The analysis sees all kernels behind the header, those lost before harvest too. With ``s`` the
header's share of them, a variance ``v`` of their logarithm is to first order::

    v = s^2 v_header + (1 - s)^2 v_preharvest

which is solved for that of the header's own loss. So solved, its error is ``1 / s^2`` times that
of ``v``; trials are weighted by degrees of freedom times ``s^4``, inversely to the variance of an
estimate, and what is below zero in one trial counts so until all are pooled. The basis gives the
degrees of freedom of equal trials that would weigh as much (Kish's effective number).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from trialkit.analysis import ResponseAnalysis, analyse
from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.errors import DesignError, ModelError, TrialError
from trialkit.facts import Note
from trialkit.many.sources import Source, source_of
from trialkit.many.trial_rows import no_rows, unreadable
from trialkit.plan.power_expected import DEFAULT, LARGEST_SD, Expected
from trialkit.trial import Trial
from trialkit.words import expected as words
from trialkit.words.many import same_files

# Fewer degrees of freedom tell a standard deviation to no better than a factor of about 1.4 either
# way (95 % limits of a variance with 10 df: 0.49 to 3.1 times; chi-square), fewer are not used.
LEAST_DF = 10
_NAMES = {"header_loss": "sd", "preharvest_loss": "preharvest_sd", "kernel_damage": "damage_sd"}


@dataclass(slots=True)
class _Pool:
    """Variances, their degrees of freedom and weights for each of them, by level; means."""

    found: dict[str, list[tuple[float, float, float]]] = field(default_factory=dict)
    means: list[float] = field(default_factory=list)

    def add(self, level: str, variance: float, df: float, weight: float = 1.0) -> None:
        if df > 0 and weight > 0 and np.isfinite(variance):
            self.found.setdefault(level, []).append((variance, df, weight))

    def variance(self, level: str) -> tuple[float, float]:
        """Pooled variance, not below zero, and its effective degrees of freedom."""
        if level not in self.found:
            return np.nan, 0.0
        variance, df, weight = np.array(self.found[level]).T
        pooled = max(float(np.average(variance, weights=df * weight)), 0.0)
        return pooled, float((df * weight).sum() ** 2 / (df * weight**2).sum())


def learn(folder: str | Path, progress: Callable[[str], None] | None = None) -> Expected:
    """What to expect of the next trial, from every trial under a folder.

    Parameters
    ----------
    folder : path
        Trial folders and workbooks at any depth.
    progress : callable, optional
        Told in words what is being done; no name is among them.

    Returns
    -------
    Expected
        Its ``basis`` tells what each number rests on; what the trials cannot tell (fewer than 10
        degrees of freedom) stays at the usual value and stands in ``notes``.

    Raises
    ------
    TrialError
        When there is no such folder, or no trial in it.
    DesignError
        When none of them can be analysed for header loss.
    """
    tell = progress or (lambda text: None)
    source = source_of(folder)
    pools = {name: _Pool() for name in _NAMES}
    reasons = [f"{name}: {reason}" for name, _, reason in source.skipped]
    used = 0
    for name, trial in _each(source, tell):
        try:
            if isinstance(trial, str):
                raise DesignError(trial)
            done = analyse(trial, responses=_NAMES)
        except (DesignError, ModelError, TrialError) as error:
            reasons.append(f"{name}: {error}")
            continue
        if "header_loss" not in done.responses:
            reasons.append(f"{name}: {done.skipped.get('header_loss', 'no header loss')}")
            continue
        used += 1
        before = done.responses.get("preharvest_loss")
        _add_header(pools, done["header_loss"], before)
        if "kernel_damage" in done.responses:
            damage = done["kernel_damage"]
            pools["kernel_damage"].means.append(at_reference(damage) / 100)
            for level, (variance, df) in variances(damage).items():
                pools["kernel_damage"].add(level, variance, df)
    if not used:
        raise DesignError(
            f"None of the trials in {folder} can be analysed for header loss, so there is nothing "
            f"to learn. {' '.join(reasons[:3])}".strip()
        )
    return _expected(pools, used, len(reasons))


def _each(
    source: Source, tell: Callable[[str], None]
) -> Iterator[tuple[str, Trial | str]]:
    """Every trial's name and the trial, or why nothing can be learned from it; one at a time."""
    seen: dict[str, str] = {}
    parts = source.parts()
    for i, part in enumerate(parts, start=1):
        tell(f"Learning from trial {i} of {len(parts)}")
        for name, found in part.trials():
            try:
                if isinstance(found, Exception):
                    raise found
                first = seen.setdefault(found.data_hash(), name)
                reason = same_files(first) if first != name else ""
                reason = reason or no_rows(found.used, SPECIFICATIONS["header_loss"])
                usable = reason or found.used
            except Exception as error:  # one trial costs only itself
                usable = unreadable(error)
            yield name, usable


def _add_header(
    pools: dict[str, _Pool], loss: ResponseAnalysis, before: ResponseAnalysis | None
) -> None:
    """Header loss and what lay there before, each on its own scale."""
    mean = at_reference(loss)
    lying = loss.offset.value if loss.offset is not None else 0.0
    typical = float(loss.means["estimate"].mean())
    share = typical / (typical + lying) if typical > 0 else 0.0
    ahead = {} if before is None else variances(before)
    pools["header_loss"].means.append(mean)
    pools["preharvest_loss"].means.append(lying)
    for level, (variance, df) in ahead.items():
        if level not in ("setup_by_field", "main_strip"):
            pools["preharvest_loss"].add(level, variance, df)
    for level, (variance, df) in variances(loss).items():
        own = variance - (1 - share) ** 2 * ahead.get(level, (0.0, 0.0))[0]
        if share > 0:
            pools["header_loss"].add(level, own / share**2, df, share**4)


def at_reference(result: ResponseAnalysis) -> float:
    """Mean where every factor is at its reference, from the means of each."""
    means, out = result.means, 1.0
    for i, factor in enumerate(result.design.names):
        own = means[means["factor"].eq(factor)]
        first = float(own.loc[own["level"].eq(result.design.levels[factor][0]), "estimate"].iloc[0])
        out *= first / float(own["estimate"].mean()) if i else first
    return out


def variances(result: ResponseAnalysis) -> dict[str, tuple[float, float]]:
    """Variance and its degrees of freedom by level, of a response's own model.

    Levels are ``field``, ``setup_by_field``, ``pair``, ``main_strip``, ``strip`` and the row's.
    """
    design, strips = result.design, result.design.strips
    compared = sum(len(design.levels[name]) - 1 for name in design.names)
    keys = {"field": ["field"], "pair": ["field", "pair"],
            "main_strip": ["field", "pair", "main_strip"], "strip": ["strip"]}  # fmt: skip
    table = result.variances
    out: dict[str, tuple[float, float]] = {}
    parents = 1
    for level in result.fit.model.chain.names[::-1]:
        units = len(result.data)
        if level in keys:
            units = strips.groupby(keys[level]).ngroups
        own = table[table["level"].eq(level)]
        df = units - parents - (compared if level == "strip" else 0)
        intercept = own.loc[own["term"].eq("Intercept"), "variance"]
        if len(intercept):
            out[level] = float(intercept.iloc[0]), max(float(df), 0.0)
        slopes = own.loc[own["term"].ne("Intercept"), "variance"]
        if level == "field" and len(slopes):
            own_df = (units - 1) * sum(len(design.levels[n]) - 1 for n in design.slope_factors)
            out["setup_by_field"] = float(slopes.mean()), float(own_df)
        parents = units
    return out


def _expected(pools: dict[str, _Pool], used: int, left: int) -> Expected:
    basis: dict[str, str] = {}
    sds: dict[str, dict[str, float]] = {}
    kept: list[str] = []
    for response, name in _NAMES.items():
        pool = pools[response]
        sds[name] = dict(getattr(DEFAULT, name))
        for level in [*sds[name], *(v for v in pool.found if v not in sds[name])]:
            key = f"{name} {level}"
            variance, df = pool.variance(level)
            if df >= LEAST_DF:
                sd = float(np.sqrt(variance))
                sds[name][level] = min(sd, LARGEST_SD)
                basis[key] = words.pooled(used, df)
            elif level in sds[name]:
                kept.append(f"{level.replace('_', ' ')} ({_WORDS[name]})")
    levels: dict[str, float] = {}
    for response, name in (("header_loss", "loss"), ("preharvest_loss", "preharvest"),
                           ("kernel_damage", "damage")):  # fmt: skip
        values = [v for v in pools[response].means if v > 0]
        if values:
            levels[name] = float(np.mean(values))
            basis[name] = words.mean_of(len(values), used)
        else:
            kept.append(name)
    notes = [Note("power.learned", {"trials": used, "left": left})]
    if kept:
        notes.append(Note("power.too_little", {"least_df": LEAST_DF, "kept": tuple(kept)}))
    usual = {name: getattr(DEFAULT, name) for name in ("loss", "preharvest", "damage")}
    levels = usual | levels
    return Expected(
        levels["loss"], levels["preharvest"], levels["damage"], sds["sd"], sds["preharvest_sd"],
        sds["damage_sd"], basis, used, tuple(notes),
    )  # fmt: skip


_WORDS = {"sd": "header", "preharvest_sd": "preharvest", "damage_sd": "damage"}
