"""Does the answer hold where a trend runs along the field, or neighbouring strips are alike?

Blocks take up what is common to strips near one another, and setups are drawn at random within
them, so that a trend or likeness of neighbours biases no comparison; what is left of it may widen
or narrow the intervals. Three things are looked at, and none is the report's model:

* The response's own model with a straight line over the places of every field.
* Whether next neighbours are more alike than their blocks make them: the lag-1 correlation of the
  strips' residuals (value on the scale of `refits.effect_name` less setups and fields, blocks left
  in), with p from permutations that the blocks allow: blocks of one size change places within their
  field, strips within their block (main strips in between). For pairs that is a test of neighbours
  on either side of a border between pairs.
* Strip values by restricted maximum likelihood with the design's random effects, with independent
  errors and with a first-order autocorrelation between places (`serial`); on the reported answer's
  degrees of freedom. Every strip counts alike there, whatever was counted on it.

Simulated by hand (``tests/calibration/neighbours.py``: one field of 10 pairs, sd 1 of strips and
0.5 of pairs; 200 trials, so a share of 5 % is known to 3 points): with nothing along the field a
line is found in 4 %, likeness in 3.5 % of trials. A line that rises by 3 from first strip to last
is found in 85 %, an autocorrelation of 0.6 in 21 %: so few pairs seldom show it beyond blocks.
Intervals of strips with neighbours alike are 5 to 10 % narrower than those of the mixed model and
cover the truth in 88 % of trials without anything (the mixed model's in 90.5 %), 87 % with the line
(90.5 %), 93.5 % with the autocorrelation (93 %): what is told apart by them alone is no finding.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from formulaic import Formula
from scipy import stats

from trialkit.analysis.comparisons import refit
from trialkit.analysis.estimates import estimate_factors, holm
from trialkit.analysis.noted import Noted
from trialkit.analysis.questions.apart import side
from trialkit.analysis.questions.exchange import Exchange
from trialkit.analysis.questions.refits import effect_name, strip_values
from trialkit.analysis.questions.serial import SerialFit, fit_serial, independent
from trialkit.analysis.result import ResponseResult
from trialkit.display import card, table
from trialkit.errors import DesignError, ModelError
from trialkit.facts import Note
from trialkit.words import neighbours as words

DRAWS = 1999  # permutations
LEAST = 4  # pairs of neighbours that a correlation needs
REPORTED, TREND, APART, ALIKE = "reported", "trend", "apart", "alike"
"""Models, in the order of the table."""
_KEYS = ["factor", "level", "reference", "label"]
_FAILED = (ModelError, DesignError, np.linalg.LinAlgError)


@dataclass(frozen=True, slots=True)
class Neighbours(Noted):
    """What trend and likeness of neighbours do to the answer.

    Attributes
    ----------
    title, unit : str
        Of the response.
    effect : str
        Scale of the strips' comparisons, `refits.effect_name`: "ratio", "odds ratio", "difference"
        (`unit`) or "share".
    strips : DataFrame
        Strips whose place is known: ``strip, field, run, place, at, value, residual``; `at` in m
        across the field, `place` the strip's number in its run of strips; value and residual on the
        scale of `effect`, of ratios their logarithm.
    unplaced : int
        Strips of the analysis without a place.
    trends : DataFrame
        ``field, change, low, high, p``: of the response's model from a field's first place to its
        last; of counts and shares the factor of the mean (odds).
    correlation, p : float
        Lag-1 correlation of next neighbours' residuals, and p of its permutation test; missing
        with fewer than `LEAST` pairs of neighbours.
    phi : float
        Autocorrelation between next neighbours by the model of the strips; missing where it could
        not be fitted.
    answers : DataFrame
        A row per model and contrast: ``model`` ("reported", "trend", "apart", "alike": the last
        two of strip values, errors independent or autocorrelated), ``factor, level, reference,
        label, scale, effect, low, high, p, p_adjusted`` (Holm, within the factor), ``reason`` where
        there is no answer.
    notes : tuple of Note
        What it comes to (`sentences` in words).
    level : float
    """

    title: str
    unit: str
    effect: str
    strips: pd.DataFrame
    unplaced: int
    trends: pd.DataFrame
    correlation: float
    p: float
    phi: float
    answers: pd.DataFrame
    notes: tuple[Note, ...]
    level: float

    def _repr_html_(self) -> str:
        shown = self.answers.drop(columns=["factor", "level", "reference"])
        shown["model"] = shown["model"].map(words.MODELS)
        return card(words.heading(self.title), self.sentences, table(shown),
                    table(self.trends, words.trends_caption()))  # fmt: skip


def neighbours(
    result: ResponseResult, positions: pd.DataFrame, seed: int = 1, level: float = 0.95
) -> Neighbours:
    """Ask a response whether its answer holds with a trend and with neighbours alike.

    Parameters
    ----------
    result : ResponseAnalysis
    positions : DataFrame
        ``strip`` and ``at``, its middle in m across its field; ``lane`` where strips lie end to
        end: only those of one lane are neighbours. A plan has it (`trialkit.plan.PlannedTrial`).
    seed : int
        Of the permutations.
    level : float
        Confidence level of the intervals.

    Raises
    ------
    DesignError
        Where fewer than two strips of any field have a place.
    """
    strips = _placed(result, positions)
    unplaced = len(result.design.strips) - len(strips)
    own = _Strips(result, strips)
    strips = strips.assign(value=own.y, residual=own.residual)
    correlation, p = _correlation(result, strips, seed)
    trends, tables = _with_trend(result, strips, level)
    alike = own.fitted(True)
    answers = pd.concat(
        [_reported(result, result.contrasts, REPORTED), *tables, own.answers(APART, level),
         own.answers(ALIKE, level)], ignore_index=True,
    )  # fmt: skip
    groups = answers.groupby(["model", "factor"])["p"]
    answers.insert(
        answers.columns.get_loc("p") + 1, "p_adjusted",
        groups.transform(lambda one: holm(one.to_numpy()) if one.notna().all() else np.nan),
    )  # fmt: skip
    phi = alike.phi if isinstance(alike, SerialFit) else np.nan
    notes = _findings(result, answers, trends, (correlation, p, phi), unplaced, level)
    return Neighbours(
        result.title, result.unit, effect_name(result), strips.reset_index(drop=True), unplaced,
        trends, correlation, p, phi, answers, notes, level,
    )  # fmt: skip


# ---------------------------------------------------------------- places
def _placed(result: ResponseResult, positions: pd.DataFrame) -> pd.DataFrame:
    """Strips of the analysis with run and place, in that order."""
    known = positions.assign(strip=positions["strip"].astype(str)).drop_duplicates("strip")
    known = known.set_index("strip")
    strips = result.design.categories(result.design.strips).reset_index(drop=True)
    names = strips["strip"].astype(str)
    strips["at"] = names.map(known["at"]).astype(float)
    lane = names.map(known["lane"]) if "lane" in known else pd.Series(0, strips.index)
    strips = strips.assign(lane=lane.astype(str))[strips["at"].notna()]
    if strips.empty or strips["field"].value_counts().max() < 2:
        raise DesignError(words.no_places())
    strips["run"] = strips.groupby(["field", "lane"], sort=False).ngroup()
    strips = strips.sort_values(["run", "at"], kind="stable")
    steps = strips.groupby("run")["at"].diff()
    strips["place"] = 0
    for _, at in strips.groupby("run")["at"]:
        # The usual distance of strips; borders and strips left out leave wider ones.
        usual = float(steps[steps > 0].median()) if (steps > 0).any() else 1.0
        strips.loc[at.index, "place"] = np.round((at - at.iloc[0]) / usual).astype(int)
    return strips


# ---------------------------------------------------------------- a trend
def _with_trend(
    result: ResponseResult, strips: pd.DataFrame, level: float
) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    """Lines of the fields by the response's own model, and its contrasts beside them."""
    columns = ["field", "change", "low", "high", "p"]
    own = {}
    for field, rows in strips.groupby("field", sort=False, observed=True):
        if rows["at"].nunique() > 2:  # else a place is its pair's or its setup's
            own[str(field)] = (rows["at"] - rows["at"].mean()) / np.ptp(rows["at"])
    missing = len(strips) < len(result.design.strips)
    if not own or missing:
        reason = words.trend_needs_places() if missing else words.trend_needs_strips()
        return pd.DataFrame(columns=columns), [_reported(result, None, TREND, reason)]
    names = {field: f"along_{i}" for i, field in enumerate(own)}
    by_strip = pd.DataFrame(
        {names[f]: x for f, x in own.items()}, index=strips.index
    ).fillna(0.0).set_axis(strips["strip"].astype(str))  # fmt: skip
    data = result.data.dropna(subset=[c for c in result.fit.model.columns if c in result.data])
    rows = {n: data["strip"].astype(str).map(by_strip[n]).to_numpy() for n in by_strip}
    design = result.design
    at_zero = design.with_parts(
        covariates=(*design.covariates, *rows),
        strips=design.strips.assign(**{n: design.strips["strip"].astype(str).map(by_strip[n])
                                       for n in by_strip}),
    )  # fmt: skip
    try:
        fit = refit(result, " + ".join([result.formula, *rows]), **rows)
        _, contrasts, _ = estimate_factors(fit, at_zero, result.reading, level)
        lines = fit.coefficients.loc[list(rows)]
    except (*_FAILED, KeyError) as error:
        return pd.DataFrame(columns=columns), [_reported(result, None, TREND, str(error))]
    t = stats.t.ppf(0.5 + level / 2, lines["df"])
    ends = [lines["estimate"] + by * t * lines["se"] for by in (0, -1, 1)]
    if fit.family.link != "identity" or result.reading.log:
        ends = [np.exp(end) for end in ends]
    p = 2 * stats.t.sf(np.abs(lines["estimate"] / lines["se"]), lines["df"])
    found = pd.DataFrame(dict(zip(columns, (list(names), *map(np.asarray, ends), p), strict=True)))
    return found, [_reported(result, contrasts, TREND)]


def _reported(
    result: ResponseResult, contrasts: pd.DataFrame | None, model: str, reason: str = ""
) -> pd.DataFrame:
    """Contrasts of the response's own model or one like it: ratios where they have a meaning."""
    out = result.contrasts[_KEYS].reset_index(drop=True)
    out.insert(0, "model", model)
    own = result.contrasts if contrasts is None else contrasts
    scale = "difference" if result.contrasts["ratio"].isna().any() else "ratio"
    values = {"effect": scale, "low": f"{scale}_low", "high": f"{scale}_high", "p": "p"}
    out["scale"] = scale
    for name, column in values.items():
        out[name] = np.nan if contrasts is None else own[column].to_numpy(float)
    return out.assign(reason=reason)


# ---------------------------------------------------------------- strips
class _Strips:
    """Strip values with the design's fixed and random parts, fields fixed."""

    def __init__(self, result: ResponseResult, strips: pd.DataFrame) -> None:
        self.result, self.design = result, result.design
        value = strip_values(result)
        value.index = value.index.astype(str)
        self.y = strips["strip"].astype(str).map(value).to_numpy(float)
        self.known = np.isfinite(self.y)
        self.strips = strips[self.known]
        self.kept: dict[bool, SerialFit | str] = {}
        made = Formula(self.design.formula).get_model_matrix(self.strips)
        self.spec = made.model_spec
        fields = pd.get_dummies(self.strips["field"].astype(str)).to_numpy(float)[:, 1:]
        both = np.hstack([np.asarray(made, dtype=float), fields])
        self.columns = independent(both)
        self.x = both[:, self.columns]
        self.fields = fields.shape[1]
        self.groups = self._groups()

    def _groups(self) -> list[np.ndarray]:
        out, keys = [], ["field"]
        for name in ("pair", "main_strip"):
            keys = [*keys, name]
            if name in self.design.nested:
                out.append(self._columns(keys))
        return out + [self._columns(["field", name]) for name in self.design.slope_factors]

    def _columns(self, keys: list[str]) -> np.ndarray:
        group = self.strips.groupby(keys, sort=False, observed=True).ngroup()
        return pd.get_dummies(group).to_numpy(float)

    def fitted(self, alike: bool) -> SerialFit | str:
        """The fit, or why there is none."""
        if alike not in self.kept:
            try:
                self.kept[alike] = fit_serial(
                    self.y[self.known], self.x, self.groups, self.strips["run"].to_numpy(),
                    self.strips["place"].to_numpy(), alike=alike,
                )  # fmt: skip
            except _FAILED as error:
                self.kept[alike] = str(error)
        return self.kept[alike]

    @property
    def residual(self) -> np.ndarray:
        """Values less setups, covariates and fields; blocks are left in."""
        out = np.full(len(self.y), np.nan)
        fit = self.fitted(False)
        if isinstance(fit, SerialFit):
            out[self.known] = self.y[self.known] - self.x @ fit.estimate
        return out

    def answers(self, model: str, level: float) -> pd.DataFrame:
        """Contrasts on the scale of `effect_name`."""
        what, fit = effect_name(self.result), self.fitted(model == ALIKE)
        out = self.result.contrasts[[*_KEYS, "df"]].reset_index(drop=True)
        out.insert(0, "model", model)
        out["scale"] = what
        out[["effect", "low", "high", "p"]] = np.nan
        df = out.pop("df").to_numpy(float)
        if isinstance(fit, str):
            return out.assign(reason=fit)
        for i, row in out.iterrows():
            weights = self._weights(row["factor"], row["level"], row["reference"])
            estimate = float(weights @ fit.estimate)
            se = float(np.sqrt(weights @ fit.covariance @ weights))
            t = stats.t.ppf(0.5 + level / 2, df[i])
            ends = estimate + np.array([0.0, -t, t]) * se
            ends = np.exp(ends) if what in ("ratio", "odds ratio") else ends
            out.loc[i, ["effect", "low", "high"]] = ends
            out.loc[i, "p"] = 2 * stats.t.sf(abs(estimate) / se, df[i])
        return out.assign(reason="")

    def _weights(self, factor: str, name: str, reference: str) -> np.ndarray:
        """Of the fixed effects: a level less its reference, other factors balanced."""
        levels = {**self.design.levels}
        grid = pd.MultiIndex.from_product(
            [[name, reference] if n == factor else list(levels[n]) for n in levels], names=[*levels]
        ).to_frame(index=False)
        grid = self.design.categories(grid).assign(**dict.fromkeys(self.design.covariates, 0.0))
        rows = np.asarray(self.spec.get_model_matrix(grid), dtype=float)
        sign = np.where(grid[factor].astype(str) == name, 1.0, -1.0)
        weights = (sign[:, None] * rows).sum(axis=0) / (len(grid) / 2)
        return np.concatenate([weights, np.zeros(self.fields)])[self.columns]


# ---------------------------------------------------------------- likeness of neighbours
def _correlation(result: ResponseResult, strips: pd.DataFrame, seed: int) -> tuple[float, float]:
    """Lag-1 correlation of residuals and its p by permutations that the blocks allow."""
    own = strips[strips["residual"].notna()]
    r = own["residual"].to_numpy(float)
    run, place = own["run"].to_numpy(), own["place"].to_numpy()
    next_to = np.flatnonzero((np.diff(run) == 0) & (np.diff(place) == 1))
    if len(next_to) < LEAST or not (r**2).sum() > 0:
        return np.nan, np.nan
    nested = [name for name in ("pair", "main_strip") if name in result.design.nested]
    labels = own[["field", *nested]].astype(str).to_numpy()
    exchange, rng = Exchange(labels), np.random.default_rng(seed)

    def alike(values: np.ndarray) -> float:
        return float(values[next_to] @ values[next_to + 1]) / len(next_to) / float((r**2).mean())

    found = alike(r)
    drawn = np.array([alike(r[exchange.draw(rng)]) for _ in range(DRAWS)])
    tails = [1 + (drawn >= found - 1e-12).sum(), 1 + (drawn <= found + 1e-12).sum()]
    return found, min(1.0, 2 * min(tails) / (DRAWS + 1))


# ---------------------------------------------------------------- what it comes to
def _findings(
    result: ResponseResult, answers: pd.DataFrame, trends: pd.DataFrame,
    likeness: tuple[float, float, float], unplaced: int, level: float,
) -> tuple[Note, ...]:  # fmt: skip
    notes = [Note("neighbours.unplaced", {"strips": unplaced})] if unplaced else []
    for against, model in ((REPORTED, TREND), (APART, ALIKE)):
        one, other = (answers[answers["model"] == name] for name in (against, model))
        reasons = dict.fromkeys(r for r in (*one["reason"], *other["reason"]) if r)
        if reasons:
            notes.append(Note(f"neighbours.no_{model}", {"reason": next(iter(reasons))}))
            continue
        changed = _changed(result, one, other, level)
        values: dict[str, Any] = {"changed": changed, "of": len(one)}
        if model == TREND:
            least = trends["p"].min() * len(trends)
            values |= {"p": float(min(least, 1.0)), "fields": len(trends)}
        else:
            values |= dict(zip(("correlation", "p", "phi"), likeness, strict=True))
        values |= {"widest": _widest(one, other)}
        notes.append(Note(f"neighbours.{model}", values))
    return tuple(notes)


def _changed(
    result: ResponseResult, one: pd.DataFrame, other: pd.DataFrame, level: float
) -> tuple[Mapping[str, str], ...]:
    """Contrasts that are told apart by the one model alone."""
    labels = {name: result.design.labels(name) for name in result.design.names}
    out = []
    for (_, a), (_, b) in zip(one.iterrows(), other.iterrows(), strict=True):
        sides = [side(_signed(row), level) for row in (a, b)]
        if sides[0] != sides[1]:
            out.append({
                "label": a["label"], "reference": labels[a["factor"]][a["reference"]],
                "apart": "without" if sides[0] else "with",
            })  # fmt: skip
    return tuple(out)


def _signed(row: pd.Series) -> pd.Series:
    null = 1.0 if row["scale"] in ("ratio", "odds ratio") else 0.0
    return pd.Series({"difference": row["effect"] - null, "p_adjusted": row["p_adjusted"]})


def _widest(one: pd.DataFrame, other: pd.DataFrame) -> float:
    """How many times as wide the interval becomes, of the contrast where it widens most."""
    ends = [table[["low", "high"]].to_numpy(float) for table in (one, other)]
    if one["scale"].isin(["ratio", "odds ratio"]).all():
        ends = [np.log(each) for each in ends]
    before, after = (np.ptp(each, axis=1) for each in ends)
    return float(np.max(after / before))
