"""Does the model hold, and does one pair or field decide the result?

Shape. Residuals, unit effects, dispersion and zeros are compared with those of data simulated
from the model (`trialkit.mixed.residual_shape`, `MixedFit.dispersion_check`, `zero_check`), and
each block's own ratio with those of the other blocks (`refits.block_outliers`). The p-values of
the simulated checks are adjusted together by Holm's method, and so are those of the blocks, which
keeps either kind from speaking against a sound model in more than about one trial of twenty: in
119 simulated trials of six pairs the simulated checks did so once, the blocks' own ratios nine
times. Counts that vary more than chance go into the frame (sample) effect, so the dispersion check
sees only what that effect cannot take up.

Influence. The answer is worked out again without each pair and without each field. That the
answer changes without a pair is no fault of the model: it says how little the result rests on.

Grades of a finding: "quiet"; "note", an adjusted p below 0.05 or an answer that one unit changes;
"doubt", an adjusted p below 0.02. The cuts are this project's choice.
"""

from __future__ import annotations

import html
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.estimates import estimate_factors, holm
from trialkit.analysis.refits import block_outliers, counted, leave_out
from trialkit.analysis.result import ResponseAnalysis
from trialkit.mixed.goodness import Check
from trialkit.mixed.residual_shape import residual_shape

NOTE, DOUBT = 0.05, 0.02
# Below this many strips a check sees gross faults only; common practice.
FEW_STRIPS = 24
# Zeros that must be there, or be expected, for their number to be checked.
ZEROS = 0.5
NAMED = 5


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing a check says: `about` ("shape" or "influence"), `grade` and a sentence."""

    about: str
    grade: str
    sentence: str


@dataclass(frozen=True, slots=True)
class ModelCheck:
    """What speaks for and against a response's model.

    Attributes
    ----------
    verdict : str
        The findings in words, no stronger than their numbers.
    findings : tuple of Finding
    checks : DataFrame
        One row per check: ``check, observed, expected, p, p_adjusted, simulations`` (the zeros only
        where there are any, or should be); observed and
        expected are the statistic and its mean under the model (for "pair apart", the largest
        studentised residual; nothing is expected of it).
    residuals : DataFrame
        One row per frame or sample by size of its residual: ``strip, field, pair, setup,
        residual`` (randomised quantile residual), ``theoretical`` (normal quantile) and the
        pointwise simulated band ``low, high``.
    effects : DataFrame
        Normal quantile data of predicted unit effects, see
        `trialkit.mixed.residual_shape.ResidualShape`; variances of zero are left out.
    influence : DataFrame
        The answer without each pair and field, see `refits.leave_out`.
    full : DataFrame
        The contrasts with everything in, at the same confidence level.
    outliers : DataFrame
        Each block's own log ratio and outlier test, see `refits.block_outliers`, with ``factor,
        level``.
    title, unit : str
    level : float
        Confidence level.
    """

    verdict: str
    findings: tuple[Finding, ...]
    checks: pd.DataFrame
    residuals: pd.DataFrame
    effects: pd.DataFrame
    influence: pd.DataFrame
    full: pd.DataFrame
    outliers: pd.DataFrame
    title: str
    unit: str
    level: float

    def _repr_html_(self) -> str:
        parts = [f"<p><b>{html.escape(self.title)}: does the model hold?</b></p>"]
        parts.append(f"<p>{html.escape(self.verdict)}</p>")
        tables = [self.checks]
        if len(self.influence):
            columns = ["unit", "field", "pair", "label", "ratio", "ratio_low", "ratio_high",
                       "difference", "difference_low", "difference_high", "p", "cooks_distance",
                       "reason"]  # fmt: skip
            tables.append(self.influence[columns])
        parts += [t.to_html(index=False, float_format="{:.3g}".format, na_rep="") for t in tables]
        return "".join(parts)


def check_model(
    result: ResponseAnalysis, seed: int | None = None, *, n: int = 500, level: float = 0.95,
    progress: Callable[[str], None] | None = None,
) -> ModelCheck:  # fmt: skip
    """Check a response's model and what its answer rests on.

    Parameters
    ----------
    result : ResponseAnalysis
    seed : int, optional
        Of residuals and simulations; the same seed gives the same check.
    n : int
        Simulated data sets per check, at least 20.
    level : float
        Confidence level: a setup is told apart where its adjusted p is below ``1 - level``.
    progress : callable, optional
        Told in words what is being done.

    Raises
    ------
    DesignError
        If the response's rows are not counts of one zone.
    ModelError
        If n is too small or the simulated data sets cannot be predicted.
    ValueError
        If the level does not lie between 0 and 1.
    """
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, not {level!r}.")
    counted(result)
    say = progress or (lambda _: None)
    seeds = np.random.SeedSequence(seed).spawn(3)
    rng = [np.random.default_rng(s) for s in seeds]
    fit = result.fit
    say("Residuals of simulated data")
    shape = residual_shape(fit, n, rng[0])
    checks: dict[str, Check] = {
        "residuals" if name == "residuals" else f"{name} effects": check
        for name, check in shape.checks.items()
    }
    say("Dispersion of simulated data")
    checks["dispersion"] = fit.dispersion_check(n, rng[1])
    if (fit.y == 0).any() or _zeros_expected(result) >= ZEROS:
        say("Zeros of simulated data")
        checks["zeros"] = fit.zero_check(n, rng[2])
    outliers = _outliers(result)
    table = _table(checks, outliers, result)
    influence = _influence(result, level, say)
    full = _full(result, level)
    rows = result.data.iloc[shape.quantiles["row"]].reset_index(drop=True)
    setup = rows["strip"].map(result.by_strip.set_index("strip")["setup"])
    residuals = pd.concat(
        [rows[["strip", "field", "pair"]].assign(setup=setup), shape.quantiles.drop(columns="row")],
        axis=1,
    )
    findings = [
        *_of_shape(table, checks, outliers, result),
        *_of_influence(influence, full, level),
    ]
    return ModelCheck(
        _verdict(findings, len(result.design.strips)), tuple(findings), table, residuals,
        shape.effects, influence, full, outliers, result.title, result.unit,
        level,
    )  # fmt: skip


# ---------------------------------------------------------------- tables
def _zeros_expected(result: ResponseAnalysis) -> float:
    mean = result.fit.predict()
    if result.fit.family.link == "log":
        return float(np.exp(-mean).sum())
    return float(((1 - mean) ** result.data[result.specification.size].to_numpy(dtype=float)).sum())


def _outliers(result: ResponseAnalysis) -> pd.DataFrame:
    tables = []
    for row in result.contrasts.itertuples():
        table = block_outliers(result, row.factor, row.level, row.reference)
        table.insert(0, "factor", row.factor)
        table.insert(1, "level", row.level)
        tables.append(table)
    return pd.concat([t for t in tables if len(t)] or tables[:1], ignore_index=True)


def _table(
    checks: dict[str, Check], outliers: pd.DataFrame, result: ResponseAnalysis
) -> pd.DataFrame:
    rows = [
        {"check": name, "observed": c.observed, "expected": c.expected, "p": c.p,
         "simulations": len(c.draws)}
        for name, c in checks.items()
    ]  # fmt: skip
    for key, blocks in outliers.groupby(["factor", "level"], sort=False):
        worst = blocks.loc[blocks["p"].idxmin()]
        rows.append(
            {"check": _apart(key, result), "observed": abs(worst["studentised"]),
             "expected": np.nan, "p": worst["p"], "simulations": 0}
        )  # fmt: skip
    table = pd.DataFrame(rows)
    simulated = table["simulations"] > 0
    adjusted = np.empty(len(table))
    for kind in (simulated, ~simulated):
        adjusted[kind] = holm(table.loc[kind, "p"].to_numpy(dtype=float))
    table.insert(4, "p_adjusted", adjusted)
    return table


def _apart(key: tuple[str, str], result: ResponseAnalysis) -> str:
    return "pair apart" if len(result.contrasts) == 1 else f"pair apart, {key[0]} {key[1]}"


def _influence(result: ResponseAnalysis, level: float, say: Callable[[str], None]) -> pd.DataFrame:
    strips = result.design.strips
    fields, blocks = strips["field"].nunique(), strips.groupby(["field", "pair"]).ngroups
    tables = []
    if blocks > fields:
        tables.append(leave_out(result, "pair", level, say))
    if fields > 1:
        tables.append(leave_out(result, "field", level, say))
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()


def _full(result: ResponseAnalysis, level: float) -> pd.DataFrame:
    return estimate_factors(result.fit, result.design, result.reading, level)[1]


# ---------------------------------------------------------------- words
def _of_shape(
    table: pd.DataFrame, checks: dict[str, Check], outliers: pd.DataFrame, result: ResponseAnalysis
) -> list[Finding]:
    p = table.set_index("check")["p_adjusted"]
    found = []
    for name, check in checks.items():
        if name == "residuals":
            text = "residuals are shaped differently from the model's"
        elif name == "dispersion":
            text = f"counts vary about their units {check.ratio:.2f} times as much as they should"
        elif name == "zeros":
            text = f"{check.observed:.0f} zeros were counted where {check.expected:.3g} fit"
        else:
            level = name.removesuffix(" effects").replace("_", " ")
            text = f"the effects of {level}s are not those of a normal law: one stands far out"
        found.append(Finding("shape", _grade(p[name]), _sentence(text, p[name])))
    labels = result.contrasts.set_index(["factor", "level"])["label"]
    for key, blocks in outliers.groupby(["factor", "level"], sort=False):
        worst = blocks.loc[blocks["p"].idxmin()]
        others = blocks.drop(index=worst.name)["log_ratio"].mean()
        what = "ratio" if result.specification.family == "poisson" else "odds ratio"
        text = (
            f"{_named(worst, outliers)} stands apart from the other pairs: {labels[key]} against "
            f"its reference has a {what} of {np.exp(worst['log_ratio']):.2f} there and of "
            f"{np.exp(others):.2f} over the others; check its count sheets"
        )
        value = p[_apart(key, result)]
        found.append(Finding("shape", _grade(value), _sentence(text, value)))
    return found


def _grade(p: float) -> str:
    return "doubt" if p < DOUBT else "note" if p < NOTE else "quiet"


def _sentence(text: str, p: float) -> str:
    shown = f"{p:.2g}" if p >= 0.001 else "below 0.001"
    return f"{text[0].upper()}{text[1:]} (p = {shown}, adjusted for the number of checks)."


def _of_influence(influence: pd.DataFrame, full: pd.DataFrame, level: float) -> list[Finding]:
    found: list[Finding] = []
    if influence.empty:
        return found
    whole = full.set_index(["factor", "level"])
    several = len(whole) > 1
    for (unit, *key), rows in influence.groupby(["unit", "factor", "level"], sort=False):
        own = whole.loc[tuple(key)]
        before = _side(own, level)
        known = rows[rows["reason"] == ""]
        changed = known[[_side(row, level) != before for _, row in known.iterrows()]]
        lead = f"{own['label']} against its reference: " if several else ""
        missing = len(rows) - len(known)
        tail = f" {missing} {unit}s cannot be left out." if missing else ""
        if known.empty:
            text, grade = f"the model cannot do without any {unit}.", "quiet"
            tail = ""
        elif changed.empty:
            span = _span(known)
            text = f"leaving out any one {unit} changes {span}, and not what is told apart."
            grade = "quiet"
        else:
            text, grade = _changed(unit, rows, known, changed, before, level), "note"
        text = f"{lead}{text}" if lead else f"{text[0].upper()}{text[1:]}"
        found.append(Finding("influence", grade, text + tail))
    return found


def _changed(
    unit: str, rows: pd.DataFrame, known: pd.DataFrame, changed: pd.DataFrame, before: int,
    level: float,
) -> str:  # fmt: skip
    apart = f"told apart at {100 * level:g} %"
    if len(changed) == 1:
        row = changed.iloc[0]
        after = "is no longer" if before else "would be"
        return (
            f"one {unit} decides the result: without {_named(row, rows)} {_answer(row)}, and the "
            f"setup {after} {apart}."
        )
    names = [_named(row, rows) for _, row in changed.iterrows()]
    shown = ", ".join(names[:NAMED]) + (
        f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    )
    after = "no longer" if before else "then"
    return (
        f"the result is on the edge: without any one of {len(changed)} of {len(known)} {unit}s "
        f"({shown}) the setup is {after} {apart}; the {unit} that moves it most gives "
        f"{_answer(changed.loc[changed['cooks_distance'].idxmax()])}."
    )


def _side(row: pd.Series, level: float) -> int:
    return int(np.sign(row["difference"])) if row["p_adjusted"] < 1 - level else 0


def _named(row: pd.Series, rows: pd.DataFrame) -> str:
    """ "pair 3", with its field where there are several."""
    if row.get("unit") == "field":
        return f"field {row['field']}"
    field = f" of field {row['field']}" if rows["field"].nunique() > 1 else ""
    return f"pair {row['pair']}{field}"


def _answer(row: pd.Series) -> str:
    name, places = ("ratio", 2) if np.isfinite(row["ratio"]) else ("difference", 1)
    value, low, high = (row[f"{name}{end}"] for end in ("", "_low", "_high"))
    adjusted = " adjusted for the number of setups" if row["p_adjusted"] != row["p"] else ""
    return (
        f"the {name} is {value:.{places}f} ({low:.{places}f} to {high:.{places}f}), "
        f"p = {row['p_adjusted']:.2g}{adjusted}"
    )


def _span(known: pd.DataFrame) -> str:
    if known["ratio"].notna().all():
        return f"the ratio to between {known['ratio'].min():.2f} and {known['ratio'].max():.2f}"
    low, high = known["difference"].min(), known["difference"].max()
    return f"the difference to between {low:.3g} and {high:.3g}"


def _verdict(findings: list[Finding], strips: int) -> str:
    loud = [f for grade in ("doubt", "note") for f in findings if f.grade == grade]
    shape = [f for f in loud if f.about == "shape"]
    if any(f.grade == "doubt" for f in shape):
        lead = "The model is doubtful."
    elif shape:
        lead = "Something leans against the model."
    else:
        lead = "Nothing speaks against the model."
    parts = [lead, *(f.sentence for f in loud)]
    if not [f for f in loud if f.about == "influence"]:
        parts += [f.sentence for f in findings if f.about == "influence"]
    if not shape and strips < FEW_STRIPS:
        parts.append(f"With {strips} strips only gross faults would show.")
    return " ".join(parts)
