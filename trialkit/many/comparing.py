"""Many trials side by side: every trial under a folder, one tidy table, one model.

Growers', fields' and trials' own names stand in these tables as they were read. Whatever leaves the
researcher's hands must put letters in their place unless the growers agreed
(`trials.growers_agreed`): that is for reports to do (`trialkit.pages.letters`), which stand above
this room. The HTML view here names nobody.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.analysis.estimates import holm
from trialkit.analysis.specifications import SPECIFICATIONS, Specification
from trialkit.analysis.zeros import log_shares
from trialkit.errors import DesignError
from trialkit.facts import Grade, grade
from trialkit.many.across import across_trials
from trialkit.many.lost import ceiling, lost_told
from trialkit.many.matching import Matched, factor_name, match_setups, normalised, unmet
from trialkit.many.result import TrialsCompared
from trialkit.many.sources import Source, source_of
from trialkit.many.trial_rows import OF_FIELD, Columns, NotUsed, read_rows
from trialkit.mapping import opened
from trialkit.quantities import lower_first
from trialkit.responses import schema
from trialkit.words import many as words
from trialkit.words import matching as match_words
from trialkit.words import said

__all__ = ["compare"]

_SEPARATOR = " / "


def compare(
    source: str | Path | Sequence[str | Path] | Source,
    *,
    response: str = "header_loss",
    factors: Sequence[str] | None = None,
    aliases: Mapping[str, str] | None = None,
    level: float = 0.95,
    progress: Callable[[str], None] | None = None,
    client: Any = None,
    jobs: int | None = None,
) -> TrialsCompared:
    """Compare a response over every trial of a folder, of several, or of another source.

    Parameters
    ----------
    source : path, sequence of path, or Source
        Folders with trial folders and workbooks (.xlsx) at any depth; with several, the names of
        trials begin with their folder's. Or a store of `gather`. Or anything that hands out parts
        (`trialkit.many.sources`).
    response : str
        Any response of `analyse` that one model of counts, shares or values carries: not a
        difference between zones, nor a score.
    factors : sequence of str, optional
        Setup factors to compare by, of trials that varied all of them; by default the set that
        most trials varied. A comparison is by one set (`TrialsCompared.varied` has what else
        could be asked for). Of trials that varied others too, the strips at the reference of those
        others are used.
    aliases : mapping of str to str, optional
        Names of factors and levels that mean the same, to the common name. Case, spaces, hyphens
        and underscores make no difference, nor does the way a number is written. Those that no
        trial uses stand in `TrialsCompared.unmet`.
    level : float
        Confidence level, above 0 and below 1.
    progress : callable, optional
        Told in words what is being done; no name is among them.
    client : None, "local", str or dask.distributed.Client, optional
        Who reads the trials: workers started on this machine, those of a scheduler's address,
        those of a client; by default this machine does. Results are the same. Workers must see
        the folders under the same path. Needs ``trialkit[cluster]``.
    jobs : int, optional
        Processes that read them here; by default this one alone for up to 50 trials, and one for
        each processor for more.

    Returns
    -------
    TrialsCompared
        Trials that cannot be read, or whose setups do not match, stand in ``skipped``. Names are
        those of the files; reports put letters in their place (see the module).

    Raises
    ------
    TrialError
        When there is no such folder, or no trial in one.
    DesignError
        When the response cannot be compared so, or fewer than two trials can be; the message
        gives the reasons.
    ModelError
        When the data cannot carry the model, such as a setup without a single kernel.
    ClusterError
        When the cluster that was asked for cannot do the work.
    """
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, not {level!r}.")
    spec = _specification(response)
    tell = progress or (lambda text: None)
    found_in = source_of(source, elsewhere=client is not None)
    with opened(client) as workers:
        read, skipped, n_found = read_rows(found_in, spec, tell, workers, jobs)
    tell("Matching setups")
    common = {normalised(k, {}): normalised(v, {}) for k, v in (aliases or {}).items()}
    matched, levels, unmatched, varied = match_setups(read, factors, common)
    met_nothing = unmet(read, aliases or {})
    by_name = {trial.name: trial for trial in read}
    skipped += [by_name[name].left("setups", reason) for name, reason in unmatched]
    if len(matched) < 2:
        # Of two trials that call things differently the one says what the other would.
        told = skipped[-1:] if len(unmatched) == n_found == 2 else [*skipped]
        told.sort(key=lambda one: one.kind != "setups")
        raise DesignError(match_words.too_few(
            n_found, len(matched), [factor_name(f, common) for f in factors or ()], varied,
            [(one.name, one.reason) for one in told], met_nothing,
        ))  # fmt: skip
    used, rows = _tables(spec, matched, list(levels))
    notes: list[str] = []
    if spec.family == "lognormal":
        rows["value"], replaced = log_shares(rows, spec)
        notes += said(replaced)
    found = across_trials(_for_model(used, rows), spec, levels, level, tell)
    strips, unit, noted = _strips(used, rows, spec, matched, list(levels))
    notes += [*noted, *found.notes]
    trials = _trials(strips, matched)
    notes += filter(None, [lost_told(trials, trials["trial"])])
    unnamed = strips.loc[strips["grower"].isna(), ["trial", "field"]].drop_duplicates()
    if len(unnamed):
        notes.append(words.without_grower(len(unnamed)))
    return TrialsCompared(
        spec.name, spec.title, unit, spec.link, trials, _skipped(skipped), levels, strips,
        _side_by_side(strips, list(levels)), _graded(found.effects, found.most, ceiling(trials)),
        _alone(found.by_trial, trials),
        found.by_field, found.growers, found.explained, found.fit.variances, tuple(notes), level,
        {trial.name: trial.config for trial, _, _ in matched}, common, varied=varied,
        unmet=met_nothing, left_places={one.name: one.places for one in skipped if one.places},
    )  # fmt: skip


def _skipped(left: Sequence[NotUsed]) -> pd.DataFrame:
    """One row per trial not used."""
    rows = [(one.name, one.kind, one.reason, one.season, len(one.places) or None, one.n_strips)
            for one in left]  # fmt: skip
    columns = ["trial", "kind", "reason", "season", "n_fields", "n_strips"]
    return pd.DataFrame(rows, columns=columns).astype(dict.fromkeys(columns[3:], "Int64"))


def _held(found: Grade, most: str) -> str:
    """A grade under a ceiling, in a word."""
    limit = Grade(most) if most else found
    return min(found, limit, key=lambda each: each.strength).word


def _graded(effects: pd.DataFrame, *ceilings: Grade | None) -> pd.DataFrame:
    """Mean effects with p of no effect, by Holm within a factor, and how far the evidence goes, no
    further than any of the ceilings."""
    out = effects.copy()
    out["p"] = 2 * stats.t.sf((out["estimate"] / out["se"]).abs(), out["df"])
    out["p_adjusted"] = out.groupby("factor")["p"].transform(lambda p: holm(p.to_numpy()))
    ends = out[["p_adjusted", "low", "high"]].itertuples(index=False)
    lowest = min(filter(None, ceilings), key=lambda each: each.strength, default=None)
    out["at_most"] = lowest.value if lowest else ""
    out["evidence"] = [
        _held(grade(*map(float, row)), at) for row, at in zip(ends, out["at_most"], strict=True)
    ]
    return out


def _alone(by_trial: pd.DataFrame, trials: pd.DataFrame) -> pd.DataFrame:
    """Every trial's own effects with the t test of its pairs, and how far that evidence goes, under
    the ceiling of what it lost."""
    out = by_trial.copy()
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (out["raw"] / out["raw_se"]).abs()
    out["p"] = 2 * stats.t.sf(t, (out["n_pairs"] - 1).where(out["n_pairs"] > 1))
    rows = out[["p", "raw_low", "raw_high"]].itertuples(index=False)
    limits = out["trial"].map(trials.set_index("trial")["at_most"]).fillna("")
    out["evidence"] = [
        _held(grade(*map(float, row)), at) for row, at in zip(rows, limits, strict=True)
    ]
    return out


def _specification(response: str) -> Specification:
    """The response's entry, where one model over trials can carry it."""
    able = [name for name, s in SPECIFICATIONS.items() if not (s.compared_zones or s.ordinal)]
    if response in able:
        return SPECIFICATIONS[response]
    why = words.no_such_response(response)
    if response in SPECIFICATIONS:
        between = bool(SPECIFICATIONS[response].compared_zones)
        why = words.not_over_trials(SPECIFICATIONS[response].title, between)
    raise DesignError(f"{why}; choose one of {', '.join(able)}.")


def _tables(
    spec: Specification, matched: Sequence[Matched], factors: list[str]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The strips used, labels unique over trials, and the response's rows on them, of which ``at``
    says the strip."""
    named = np.asarray([trial.name for trial, _, _ in matched], dtype=object)
    seasons = np.array([trial.season for trial, _, _ in matched])
    own = [table for _, table, _ in matched]
    rows = [trial.rows for trial, _, _ in matched]
    of_strip, of_row = (
        np.repeat(np.arange(len(matched)), [len(table["strip"]) for table in tables])
        for tables in (own, rows)
    )
    # Names are a strip's only within its trial.
    codes, names = pd.factorize(np.concatenate([_column(own, "strip"), _column(rows, "strip")]))
    keys = np.concatenate([of_strip, of_row]) * len(names) + codes
    at = pd.Index(keys[: len(of_strip)]).get_indexer(keys[len(of_strip) :])
    used = np.flatnonzero(at >= 0)
    place, met = pd.factorize(at[used])

    carried = ["field", "pair", "moisture", "speed_measured", *OF_FIELD, *factors]
    carried += ["kg_ha", "se_kg_ha"] if spec.source else []
    strips = {"trial": _series(named[of_strip[met]])}
    strips |= {c: _series(_column(own, c)[met], c in OF_FIELD) for c in ["strip", *carried]}
    out = pd.DataFrame(strips).assign(season=seasons[of_strip[met]])
    out["place"], out["own_pair"], out["own_strip"] = out["field"], out["pair"], out["strip"]
    out["field"] = out["trial"] + _SEPARATOR + out["place"].astype(str)
    out["pair"] = out["field"] + _SEPARATOR + out["own_pair"].astype(str)
    out["strip"] = out["trial"] + _SEPARATOR + out["own_strip"].astype(str)
    measured = {c: _column(rows, c)[used] for c in rows[0] if c != "strip"}
    return out, pd.DataFrame({"at": place, **measured})


def _column(tables: Sequence[Columns], name: str) -> np.ndarray:
    return np.concatenate([table[name] for table in tables])


def _series(values: np.ndarray, as_it_is: bool = False) -> pd.Series:
    text = values.dtype == object and not as_it_is
    return pd.Series(values, dtype=schema.TEXT if text else values.dtype)


def _for_model(strips: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """What the model is told: the rows, each with what is known of its strip. Labels, which take
    more than all else and stand in many rows, are held once each."""
    labels = strips.astype(dict.fromkeys(("trial", "field", "pair", "strip", "place"), "category"))
    known = labels.iloc[rows["at"].to_numpy()].reset_index(drop=True)
    return pd.concat([known, rows.drop(columns="at")], axis=1)


def _trials(strips: pd.DataFrame, matched: Sequence[Matched]) -> pd.DataFrame:
    """One row per trial used."""
    own = strips.groupby("trial")
    n_fields, n_strips, n_rows = own["field"].nunique(), own.size(), own["n_rows"].sum()
    return pd.DataFrame(
        [
            {"trial": t.name, "title": t.title, "season": t.season,
             "n_fields": int(n_fields[t.name]), "n_strips": int(n_strips[t.name]),
             "n_rows": int(n_rows[t.name]), "rows_refused": t.rows_refused,
             "growers_agreed": t.growers_agreed, "simulated": t.simulated,
             "n_laid": t.lost.lost.of if t.lost else len(t.strips["strip"]),
             "n_lost": t.lost.n if t.lost else 0,
             "at_most": t.lost.lost.most.value if t.lost and t.lost.lost.most else "",
             "note": " ".join(filter(None, (note, t.lost.told if t.lost else "")))}
            for t, _, note in matched
        ]
    )  # fmt: skip


def _strips(
    strips: pd.DataFrame, rows: pd.DataFrame, spec: Specification, matched: Sequence[Matched],
    factors: list[str],
) -> tuple[pd.DataFrame, str, list[str]]:  # fmt: skip
    """One row per strip with its measured value, the unit of that, and what to note of it."""
    keep = ["trial", "grower", "place", "season", "hybrid", "latitude", "longitude", "own_pair",
            "own_strip", *factors, "moisture", "speed_measured"]  # fmt: skip
    out, groups = strips[keep].copy(), rows.groupby("at")
    out["n_rows"] = groups.size()
    units = pd.Series({t.name: t.unit for t, _, _ in matched})
    unit = str(units.mode().iloc[0])
    factor = out["trial"].map({t.name: t.scale for t, _, _ in matched if t.unit == unit})
    if spec.size is None:
        out["value"], out["value_se"] = factor * groups["value"].mean(), np.nan
    else:
        out["amount"], out["size"] = groups[spec.response].sum(), groups[spec.size].sum()
        out["value"], out["value_se"] = factor * out["amount"] / out["size"], np.nan
    out["on_ground"] = out["value"]
    if spec.source and unit == "kg/ha":
        out[["value", "value_se"]] = strips[["kg_ha", "se_kg_ha"]]
    other = int(units.ne(unit).sum())
    notes = [words.other_unit(other, unit)] if other else []
    assumed: dict[str, list[str]] = {}
    for trial, _, _ in matched:
        for note in trial.notes:
            assumed.setdefault(note, []).append(trial.name)
    notes += [f"{', '.join(names)}: {lower_first(note)}" for note, names in assumed.items()]
    names_of = {"place": "field", "own_pair": "pair", "own_strip": "strip"}
    out = out.rename(columns=names_of)
    if not out[["latitude", "longitude"]].notna().any(axis=None):
        out = out.drop(columns=["latitude", "longitude"])
    order = ["trial", "grower", "field", "season", "hybrid", "pair", "strip"]
    return out[[*order, *(c for c in out.columns if c not in order)]], unit, notes


def as_measured(strips: pd.DataFrame) -> pd.Series:
    """What lay there on every strip less the loss before harvest of the whole field, so that setups
    of a field differ by what lay there with them and by nothing else, as effects do."""
    before = strips["on_ground"] - strips["value"]
    off = before.groupby([strips["trial"], strips["field"]]).transform("mean")
    return strips["on_ground"] - off


def _side_by_side(strips: pd.DataFrame, factors: list[str]) -> pd.DataFrame:
    """Mean of every setup in every field, `as_measured`."""
    setup = strips[factors].astype(str).agg(", ".join, axis=1)
    keys = ["trial", "grower", "season", "field"]
    shown = strips.assign(setup=setup, value=as_measured(strips))
    grouped = shown.groupby([*keys, "setup"], dropna=False, sort=False)
    return grouped["value"].mean().unstack("setup").reset_index().rename_axis(columns=None)
