"""Many trials side by side: every trial under a folder, one tidy table, one model.

Growers', fields' and trials' own names stand in these tables as they were read. Whatever leaves the
researcher's hands must put letters in their place unless the growers agreed
(`trials.growers_agreed`): that is for reports to do (`trialkit.report.letters`), which stand above
this room. The HTML view here names nobody.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from trialkit import schema
from trialkit.analysis.across import across_trials
from trialkit.analysis.estimates import holm
from trialkit.analysis.fields import SAME
from trialkit.analysis.grades import grade
from trialkit.analysis.matching import Candidate, Matched, match_setups, normalised
from trialkit.analysis.specifications import SPECIFICATIONS, Specification
from trialkit.analysis.zeros import log_shares
from trialkit.display import card, folded, paragraphs, table
from trialkit.errors import DesignError, TrialError, TrialkitError
from trialkit.intake import Prior
from trialkit.intake.config import LEAST_TIMES
from trialkit.losses import losses
from trialkit.quantities import kernel_mass_taken, lower_first
from trialkit.trial import Trial, load_trial

__all__ = ["Comparison", "compare"]

_SEPARATOR = " / "


@dataclass(frozen=True, slots=True)
class Comparison:
    """Many trials in one table and one model.

    Effects stand on the model's scale, `link`: logarithms of ratios ("log"), of odds ratios
    ("logit"), or differences in `unit` ("identity").

    Attributes
    ----------
    response, title, unit, link : str
    trials : DataFrame
        One row per trial used: ``trial`` (path below the folder), ``title, season, n_fields,
        n_strips, n_rows`` (measurements in the model), ``rows_refused, growers_agreed, note``.
    skipped : DataFrame
        One row per trial not used: ``trial, kind`` ("unreadable", "repeated", "no data",
        "setups"), ``reason``.
    factors : dict of str to tuple of str
        The setup factors compared, by common name, with their levels, reference first.
    strips : DataFrame
        One row per strip in the model: ``trial, grower, field, season, hybrid, pair, strip``, the
        factors (common level names), ``moisture`` (%), ``speed_measured`` (km/h), ``n_rows``;
        ``amount, size``, totals of what was counted or weighed and of the area (m2), number
        examined or mass (g) it was found in; ``value, value_se``, measured (unit; the loss before
        harvest taken off where the response is defined so).
    side_by_side : DataFrame
        One row per field: ``trial, grower, season, field`` and the mean value of every setup.
    effects : DataFrame
        One row per level against its reference: ``factor, level, reference, estimate, se, df, low,
        high`` (mean over trials, Kenward-Roger), ``sd_trial, sd_field`` (of the effect between
        trials, and between the fields of a trial), ``same_direction`` (expected share of fields)
        with its ``_low`` and ``_high``, ``predicted_low, predicted_high`` (a field of the next
        trial), ``n_trials, n_fields``; ``p, p_adjusted`` (Holm, within a factor) of no effect and
        ``evidence``, the grade of `trialkit.analysis.grades` in a word.
    by_field : DataFrame
        The effect in every field: ``trial, grower, season, field, factor, level, reference``;
        ``raw, raw_se, raw_low, raw_high, n_pairs`` from its own pairs; ``shrunken, se, low, high``
        by the model, where units of trial or field are in it.
    growers : DataFrame
        Every grower's own fields less all others' fields, by the model: ``grower, factor`` ("mean"
        for the response itself over setups), ``level, n_fields, n_other_fields, difference, se,
        low, high``. Shrunken towards no difference. Empty where fewer than two growers are named.
    explained : DataFrame
        What moisture, speed and hybrid take away of the spread between trials and fields:
        ``variable, part`` ("mean" or the setup's "effect"), ``n_strips``; ``slope, slope_low,
        slope_high`` (per unit of the variable; of the effect where there is one); ``statistic, df,
        den_df, p, test`` (Kenward-Roger F for moisture and speed, restricted likelihood ratio for
        hybrid); ``sd_before, sd_after, reduction`` (share of the variance; may be below zero).
    variances : DataFrame
        Variance components of the model.
    notes : tuple of str
    level : float

    Notes
    -----
    Measured by ``tests/calibration/across_trials.py``, in percent (standard errors up to 2.5):
    8 trials on 12 fields of 4 growers, 360 rounds, and 30 trials on 45 fields of 10 growers, 134
    rounds, the effect's standard deviation 0.1 between trials and 0.1 between fields. Coverage of
    95 % intervals: a field's effect 97 and 94; a grower's own fields less the others', effect 97
    and 94 (74 and 85 with variances taken as known and normal quantiles), mean 96 and 95; a field
    of the next trial 99 and 95 (91 and 91 by t with trials - 2 df); the mean effect 97 and 91. With
    standard deviations 0.3 and 0.2 the 8 trials cover 93 to 96 (176 rounds); with none at all the
    intervals of effects are too wide: 98 to 100. Tests at 5 % reject a true null of moisture in 5
    and 3 (mean), 3 and 4 (effect), of speed in 5 and 3, 8 and 5, of hybrid in 7 and 7, 1 and 2.
    """

    response: str
    title: str
    unit: str
    link: str
    trials: pd.DataFrame
    skipped: pd.DataFrame
    factors: dict[str, tuple[str, ...]]
    strips: pd.DataFrame
    side_by_side: pd.DataFrame
    effects: pd.DataFrame
    by_field: pd.DataFrame
    growers: pd.DataFrame
    explained: pd.DataFrame
    variances: pd.DataFrame
    notes: tuple[str, ...]
    level: float

    def _repr_html_(self) -> str:
        kinds = self.skipped["kind"].value_counts()
        left_out = ", ".join(f"{n} {kind}" for kind, n in kinds.items()) or "none"
        fields = self.strips[["trial", "field"]].drop_duplicates()
        names = {"next": "in the next field", "same direction": "share of fields in that direction",
                 "n trials": "trials", "n fields": "fields"}  # fmt: skip
        more = [table(self.variances, "Variances")]
        if len(self.explained):
            more.append(table(self.explained, "What explains the spread"))
        return card(
            f"{self.title} over {len(self.trials)} trials",
            [
                f"{len(fields)} fields and {len(self.strips)} strips compared by "
                f"{', '.join(self.factors)}; left out: {left_out} (see skipped).",
                f"{self.words} in brackets.",
            ],
            table(self.told(), names=names, rows=len(self.effects)),
            folded("Variances, and what explains the spread", *more, paragraphs(self.notes)),
            paragraphs([self.prior_words]),
        )

    @property
    def prior(self) -> Prior | None:
        """A sceptical prior for the next trial of such an option: no effect, give or take.

        Normal on the logarithm of the ratio about 0, its standard deviation the root mean square
        of the effects of single trials, ``sqrt(estimate^2 + sd_trial^2)``, over all levels: the
        spread of effects between trials about no effect. None for another response than header
        loss, which alone bears money, and where the effects come to nothing.
        """
        if self.response != "header_loss":
            return None
        squares = self.effects["estimate"] ** 2 + self.effects["sd_trial"] ** 2
        prior = Prior.of_sd(float(np.sqrt(squares.mean())))
        return prior if prior.times >= LEAST_TIMES else None

    @property
    def prior_words(self) -> str:
        """`prior` as it may be written into trial.toml, and what it is; "" where there is none."""
        if self.prior is None:
            return ""
        return (
            "A sceptical prior for the next trial (what is held likely before it is counted): most "
            f"likely no difference, 19 times in 20 by less than {self.prior.times:.3g} times "
            f"either way, as wide as the ratios of these trials{self.of_all}; under [model] of its "
            f"trial.toml: {self.prior.line}"
        )

    @property
    def words(self) -> str:
        """What `told` holds: ratios, odds ratios or differences, and at which level."""
        what = {"log": "Ratio to the reference", "logit": "Odds ratio to the reference",
                "identity": f"Difference from the reference, {self.unit}"}[self.link]  # fmt: skip
        what += self.of_all
        return f"{what}, {100 * self.level:g} % intervals"

    @property
    def of_all(self) -> str:
        """What ratios are of where the loss before harvest is in the counts, else nothing."""
        spec = SPECIFICATIONS[self.response]
        if not spec.offset:
            return ""
        return (
            f" of all {spec.thing.split()[-1]}s on the ground where the header passed, those lost "
            "before harvest included"
        )

    def told(self) -> pd.DataFrame:
        """Mean effects as people read them: ratios (or differences) instead of logarithms.

        Returns
        -------
        DataFrame
            ``factor, level, reference, effect, low, high`` (mean over trials), ``next_low,
            next_high`` (a field of the next trial), ``same_direction`` with its ``_low`` and
            ``_high``, ``n_trials, n_fields``.
        """
        table = self.effects.rename(
            columns={"estimate": "effect", "predicted_low": "next_low",
                     "predicted_high": "next_high"}
        )  # fmt: skip
        columns = ["effect", "low", "high", "next_low", "next_high"]
        if self.link != "identity":
            table[columns] = np.exp(table[columns])
        return table[["factor", "level", "reference", *columns, *SAME, "n_trials",
                      "n_fields"]]  # fmt: skip


def compare(
    folder: str | Path,
    *,
    response: str = "header_loss",
    factors: Sequence[str] | None = None,
    aliases: Mapping[str, str] | None = None,
    level: float = 0.95,
    progress: Callable[[str], None] | None = None,
) -> Comparison:
    """Compare a response over every trial under a folder.

    Parameters
    ----------
    folder : path
        Trial folders and workbooks (.xlsx) at any depth.
    response : str
        Any response of `analyse` that one model of counts, shares or values carries: not a
        difference between zones, nor a score.
    factors : sequence of str, optional
        Setup factors to compare by; by default the set that most trials varied. Of trials that
        varied others too, the strips at the reference of those others are used.
    aliases : mapping of str to str, optional
        Names of factors and levels that mean the same, to the common name. Case, spaces, hyphens
        and underscores make no difference, nor does the way a number is written.
    level : float
        Confidence level, above 0 and below 1.
    progress : callable, optional
        Told in words what is being done; no name is among them.

    Returns
    -------
    Comparison
        Trials that cannot be read, or whose setups do not match, stand in ``skipped``. Names are
        those of the files; reports put letters in their place (see the module).

    Raises
    ------
    TrialError
        When there is no such folder, or no trial in it.
    DesignError
        When the response cannot be compared so, or fewer than two trials can be; the message
        gives the reasons.
    ModelError
        When the data cannot carry the model, such as a setup without a single kernel.
    """
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, not {level!r}.")
    spec = _specification(response)
    root = Path(folder)
    tell = progress or (lambda text: None)
    candidates, skipped, n_found = _candidates(root, spec, tell)
    tell("Matching setups")
    common = {normalised(k, {}): normalised(v, {}) for k, v in (aliases or {}).items()}
    matched, levels, unmatched = match_setups(candidates, factors, common)
    skipped += [(name, "setups", reason) for name, reason in unmatched]
    table = pd.DataFrame(skipped, columns=["trial", "kind", "reason"])
    if len(matched) < 2:
        reasons = " ".join(f"{name}: {reason}" for name, _, reason in skipped[:5])
        raise DesignError(
            f"A comparison needs two trials at least that vary the same setups; of {n_found} "
            f"found, {len(matched)} can be used. {reasons}".strip()
        )
    measured = {c.name: c.rows for c in candidates}
    rows = pd.concat([_rows(spec, measured[name], name, trial, strips, list(levels))
                      for name, trial, strips, _ in matched], ignore_index=True)  # fmt: skip
    notes: list[str] = []
    if spec.family == "lognormal":
        rows["value"], words = log_shares(rows, spec)
        notes += words
    found = across_trials(rows, spec, levels, level, tell)
    strips, unit, words = _strips(rows, spec, matched, measured, list(levels))
    notes += [*words, *found.notes]
    trials = _trials(rows, strips, matched)
    unnamed = strips.loc[strips["grower"].isna(), ["trial", "field"]].drop_duplicates()
    if len(unnamed):
        notes.append(f"{len(unnamed)} fields name no grower and take no part in comparing growers.")
    return Comparison(
        spec.name, spec.title, unit, spec.link, trials, table, levels, strips,
        _side_by_side(strips, list(levels)), _graded(found.effects), found.by_field, found.growers,
        found.explained, found.fit.variances, tuple(notes), level,
    )  # fmt: skip


def _graded(effects: pd.DataFrame) -> pd.DataFrame:
    """Mean effects with p of no effect, by Holm within a factor, and how far the evidence goes."""
    out = effects.copy()
    out["p"] = 2 * stats.t.sf((out["estimate"] / out["se"]).abs(), out["df"])
    out["p_adjusted"] = out.groupby("factor")["p"].transform(lambda p: holm(p.to_numpy()))
    ends = out[["p_adjusted", "low", "high"]].itertuples(index=False)
    out["evidence"] = [grade(*map(float, row)).word for row in ends]
    return out


def _specification(response: str) -> Specification:
    """The response's entry, where one model over trials can carry it."""
    able = [name for name, s in SPECIFICATIONS.items() if not (s.compared_zones or s.ordinal)]
    if response in able:
        return SPECIFICATIONS[response]
    why = f"There is no response {response!r}"
    if response in SPECIFICATIONS:
        title = SPECIFICATIONS[response].title
        what = "an order, not a quantity"
        if SPECIFICATIONS[response].compared_zones:
            what = "a difference between zones, a model of its own in every trial"
        why = f"{title} is {what}, and is not compared over trials"
    raise DesignError(f"{why}; choose one of {', '.join(able)}.")


def _candidates(
    root: Path, spec: Specification, tell: Callable[[str], None]
) -> tuple[list[Candidate], list[tuple[str, str, str]], int]:
    """Trials with data of the response; the others, with reasons; how many were found."""
    paths = _trial_paths(root)
    candidates: list[Candidate] = []
    skipped: list[tuple[str, str, str]] = []
    seen: dict[str, str] = {}
    for i, path in enumerate(paths, start=1):
        tell(f"Reading trial {i} of {len(paths)}")
        name = path.relative_to(root).as_posix() if path != root else root.resolve().name
        try:
            trial = load_trial(path)
        except TrialkitError as error:
            skipped.append((name, "unreadable", str(error)))
            continue
        first = seen.setdefault(trial.data_hash(), name)
        rows = spec.rows(trial)
        if first != name:
            skipped.append((name, "repeated", f"The same files as {first}."))
        elif rows.empty:
            reason = f"It holds no data on {spec.title.lower()}."
            given = spec.expected or spec.given(trial)
            reason = spec.absent if given and spec.absent else reason
            skipped.append((name, "no data", f"{reason} {trial.to_fill}".rstrip()))
        else:
            candidates.append(Candidate(name, trial, rows))
    return candidates, skipped, len(paths)


def _trial_paths(root: Path) -> list[Path]:
    """Folders that hold settings or a strips table, and workbooks outside such folders."""
    if not root.is_dir():
        raise TrialError(f"{root} is no folder; give the folder that holds the trials.")
    files = [
        p
        for p in sorted(root.rglob("*"))
        if p.is_file()
        and not any(part.startswith((".", "~")) for part in p.relative_to(root).parts)
    ]
    marks = ("trial.toml", "strips.csv")
    folders = {p.parent for p in files if p.name.casefold() in marks}
    books = [p for p in files if p.suffix.casefold() in (".xlsx", ".xlsm")
             and p.parent not in folders]  # fmt: skip
    if not folders and not books:
        raise TrialError(
            f"{root} holds no trial: no folder with a trial.toml, and no workbook (.xlsx)."
        )
    return sorted([*folders, *books])


def _rows(
    spec: Specification, measured: pd.DataFrame, name: str, trial: Trial, strips: pd.DataFrame,
    factors: list[str],
) -> pd.DataFrame:  # fmt: skip
    """Measurements of the strips used, with all the model asks for; labels made unique."""
    columns = ["strip", "field", "pair", "moisture", "speed_measured", *factors]
    if spec.table == "strips":
        measured = measured[["strip"]].assign(value=measured[spec.response].astype(float))
    else:
        sizes = [spec.size] if spec.size else []
        measured = measured[["strip", spec.response, *sizes]]
        if spec.family == "binomial":
            measured = measured.astype({spec.response: int, str(spec.size): int})
    out = measured.merge(strips[columns], on="strip")
    fields = trial.fields.set_index("field")
    for column in ("grower", "hybrid"):
        known = fields[column] if len(fields) else pd.Series(dtype=object)
        out[column] = out["field"].map(known).astype(object)
    out["trial"], out["season"] = name, trial.config.season
    out["place"], out["own_pair"], out["own_strip"] = out["field"], out["pair"], out["strip"]
    out["field"] = name + _SEPARATOR + out["place"].astype(str)
    out["pair"] = out["field"] + _SEPARATOR + out["own_pair"].astype(str)
    out["strip"] = name + _SEPARATOR + out["own_strip"].astype(str)
    return out


def _trials(rows: pd.DataFrame, strips: pd.DataFrame, matched: Sequence[Matched]) -> pd.DataFrame:
    """One row per trial used."""
    measured = rows.groupby("trial").size()
    own = strips.groupby("trial")
    n_fields, n_strips = own["field"].nunique(), own.size()
    return pd.DataFrame(
        [
            {"trial": name, "title": trial.config.title, "season": trial.config.season,
             "n_fields": int(n_fields[name]), "n_strips": int(n_strips[name]),
             "n_rows": int(measured[name]),
             "rows_refused": int(trial.read["rows_refused"].sum()),
             "growers_agreed": trial.config.growers_agreed, "note": note}
            for name, trial, _, note in matched
        ]
    )  # fmt: skip


def _strips(
    rows: pd.DataFrame,
    spec: Specification,
    matched: Sequence[Matched],
    measured: Mapping[str, pd.DataFrame],
    factors: list[str],
) -> tuple[pd.DataFrame, str, list[str]]:
    """One row per strip with its measured value, the unit of that, and what to note of it."""
    keep = ["trial", "grower", "place", "season", "hybrid", "own_pair", "own_strip", *factors,
            "moisture", "speed_measured"]  # fmt: skip
    groups = rows.groupby("strip", sort=False)
    out = groups[keep].first()
    out["n_rows"] = groups.size()
    trials = {name: trial for name, trial, _, _ in matched}
    scales = {n: spec.scale(t, measured[n]) for n, t in trials.items()}
    units = pd.Series({name: scale.unit for name, scale in scales.items()})
    unit = str(units.mode().iloc[0])
    factor = out["trial"].map({n: s.value for n, s in scales.items() if s.unit == unit})
    if spec.size is None:
        out["value"], out["value_se"] = factor * groups["value"].mean(), np.nan
    else:
        out["amount"], out["size"] = groups[spec.response].sum(), groups[spec.size].sum()
        out["value"], out["value_se"] = factor * out["amount"] / out["size"], np.nan
    if spec.source and unit == "kg/ha":
        found = _losses(trials, spec.source).reindex(out.index)
        out["value"], out["value_se"] = found["kg_ha"], found["se_kg_ha"]
    other = int(units.ne(unit).sum())
    notes = [f"{other} trials have no measured values in {unit}."] if other else []
    taken = [name for name, trial in trials.items() if not trial.config.kernel_mass_stated]
    if taken and spec.table == "frames":
        notes.append(f"{', '.join(taken)}: {lower_first(kernel_mass_taken())}")
    names_of = {"place": "field", "own_pair": "pair", "own_strip": "strip"}
    out = out.reset_index(drop=True).rename(columns=names_of)
    order = ["trial", "grower", "field", "season", "hybrid", "pair", "strip"]
    return out[[*order, *(c for c in out.columns if c not in order)]], unit, notes


def _losses(trials: Mapping[str, Trial], source: tuple[str, str]) -> pd.DataFrame:
    """Loss of a source and kind by strip; trials of one kernel mass in one go."""
    parts = []
    masses: dict[float, list[str]] = {}
    for name, trial in trials.items():
        masses.setdefault(trial.config.thousand_kernel_mass, []).append(name)
    for names in masses.values():
        tables: dict[str, list[pd.DataFrame]] = {"frames": [], "ears": [], "strips": []}
        for name in names:
            trial = trials[name]
            for kind in ("frames", "ears"):
                own = getattr(trial, kind)
                tables[kind].append(own.assign(strip=name + _SEPARATOR + own["strip"]))
            strips = trial.strips[["strip", "field", "pair", "moisture", "yield"]]
            for column in ("strip", "field"):
                strips = strips.assign(**{column: name + _SEPARATOR + strips[column]})
            tables["strips"].append(strips)
        frames, ears, strips = (pd.concat(t, ignore_index=True) for t in tables.values())
        config = replace(trials[names[0]].config, setups=())
        found = losses(frames, ears, strips, schema.empty("fields"), config).strips
        parts.append(found[found["source"].eq(source[0]) & found["kind"].eq(source[1])])
    return pd.concat(parts).set_index("strip")[["kg_ha", "se_kg_ha"]]


def _side_by_side(strips: pd.DataFrame, factors: list[str]) -> pd.DataFrame:
    """Mean value of every setup in every field."""
    setup = strips[factors].astype(str).agg(", ".join, axis=1)
    keys = ["trial", "grower", "season", "field"]
    grouped = strips.assign(setup=setup).groupby([*keys, "setup"], dropna=False, sort=False)
    return grouped["value"].mean().unstack("setup").reset_index().rename_axis(columns=None)
