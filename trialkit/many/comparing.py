"""Many trials side by side: every trial under a folder, one tidy table, one model.

Growers', fields' and trials' own names stand in these tables as they were read. Whatever leaves the
researcher's hands must put letters in their place unless the growers agreed
(`trials.growers_agreed`): that is for reports to do (`trialkit.pages.letters`), which stand above
this room. The HTML view here names nobody.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.analysis.estimates import holm
from trialkit.analysis.specifications import SPECIFICATIONS, Specification
from trialkit.analysis.zeros import log_shares
from trialkit.errors import DesignError, TrialError, TrialkitError
from trialkit.facts import grade
from trialkit.intake.reading import refuse_outside
from trialkit.losses import losses
from trialkit.many.across import across_trials
from trialkit.many.matching import Candidate, Matched, match_setups, normalised
from trialkit.many.result import TrialsCompared
from trialkit.quantities import lower_first
from trialkit.responses import schema
from trialkit.trial import Trial, load_trial
from trialkit.words import many as words
from trialkit.words import said
from trialkit.words.grain import kernel_mass_taken

__all__ = ["compare"]

_SEPARATOR = " / "


def compare(
    folder: str | Path,
    *,
    response: str = "header_loss",
    factors: Sequence[str] | None = None,
    aliases: Mapping[str, str] | None = None,
    level: float = 0.95,
    progress: Callable[[str], None] | None = None,
) -> TrialsCompared:
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
    TrialsCompared
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
    candidates, skipped, n_found = candidates_in(root, spec, tell)
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
        rows["value"], replaced = log_shares(rows, spec)
        notes += said(replaced)
    found = across_trials(rows, spec, levels, level, tell)
    strips, unit, noted = _strips(rows, spec, matched, measured, list(levels))
    notes += [*noted, *found.notes]
    trials = _trials(rows, strips, matched)
    unnamed = strips.loc[strips["grower"].isna(), ["trial", "field"]].drop_duplicates()
    if len(unnamed):
        notes.append(words.without_grower(len(unnamed)))
    return TrialsCompared(
        spec.name, spec.title, unit, spec.link, trials, table, levels, strips,
        _side_by_side(strips, list(levels)), _graded(found.effects), _alone(found.by_trial),
        found.by_field, found.growers, found.explained, found.fit.variances, tuple(notes), level,
    )  # fmt: skip


def _graded(effects: pd.DataFrame) -> pd.DataFrame:
    """Mean effects with p of no effect, by Holm within a factor, and how far the evidence goes."""
    out = effects.copy()
    out["p"] = 2 * stats.t.sf((out["estimate"] / out["se"]).abs(), out["df"])
    out["p_adjusted"] = out.groupby("factor")["p"].transform(lambda p: holm(p.to_numpy()))
    ends = out[["p_adjusted", "low", "high"]].itertuples(index=False)
    out["evidence"] = [grade(*map(float, row)).word for row in ends]
    return out


def _alone(by_trial: pd.DataFrame) -> pd.DataFrame:
    """Every trial's own effects with the t test of its pairs, and how far that evidence goes."""
    out = by_trial.copy()
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (out["raw"] / out["raw_se"]).abs()
    out["p"] = 2 * stats.t.sf(t, (out["n_pairs"] - 1).where(out["n_pairs"] > 1))
    rows = out[["p", "raw_low", "raw_high"]].itertuples(index=False)
    out["evidence"] = [grade(*map(float, row)).word for row in rows]
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


def candidates_in(
    root: Path, spec: Specification, tell: Callable[[str], None]
) -> tuple[list[Candidate], list[tuple[str, str, str]], int]:
    """Trials with data of the response; the others, with reasons; how many were found.

    Whatever one of them provokes is caught and named, so that it costs only itself.
    """
    paths, skipped = _trial_paths(root)
    candidates: list[Candidate] = []
    seen: dict[str, str] = {}
    for i, path in enumerate(paths, start=1):
        tell(f"Reading trial {i} of {len(paths)}")
        name = _name(path, root)
        try:
            found = _candidate(path, name, root, spec, seen)
        except TrialkitError as error:
            found = (name, "unreadable", str(error))
        except Exception as error:
            found = (name, "unreadable", words.unexpected(type(error).__name__, str(error)))
        if isinstance(found, Candidate):
            candidates.append(found)
        else:
            skipped.append(found)
    return candidates, skipped, len(paths)


def _name(path: Path, root: Path) -> str:
    return path.relative_to(root).as_posix() if path != root else root.resolve().name


def _candidate(
    path: Path, name: str, root: Path, spec: Specification, seen: dict[str, str]
) -> Candidate | tuple[str, str, str]:
    """The trial with its rows, or why it has none; `seen` is names of trials by their files."""
    refuse_outside(path, root)
    trial = load_trial(path).used
    first = seen.setdefault(trial.data_hash(), name)
    rows = spec.rows(trial.tables)
    if first != name:
        return name, "repeated", words.same_files(first)
    if rows.empty:
        reason = words.no_data(spec.title)
        given = spec.expected or spec.given(trial.tables)
        reason = spec.absent if given and spec.absent else reason
        return name, "no data", f"{reason} {trial.to_fill}".rstrip()
    return Candidate(name, trial, rows)


def _trial_paths(root: Path) -> tuple[list[Path], list[tuple[str, str, str]]]:
    """Folders that hold settings or a strips table, and workbooks outside such folders; and
    folders that cannot be looked into. Links to folders are not followed: they could go in rings.
    """
    if not root.is_dir():
        raise TrialError(f"{root} is no folder; give the folder that holds the trials.")
    paths: list[Path] = []
    closed: list[OSError] = []
    for place, below, names in os.walk(root, onerror=closed.append):
        below[:] = [name for name in below if not name.startswith((".", "~"))]
        names = [name for name in names if not name.startswith((".", "~"))]
        if {name.casefold() for name in names} & {"trial.toml", "strips.csv"}:
            paths.append(Path(place))
        else:
            books = (n for n in names if Path(n).suffix.casefold() in (".xlsx", ".xlsm"))
            paths += [Path(place) / name for name in books]
    skipped = [
        (_name(Path(error.filename), root), "unreadable", words.closed_folder(str(error.strerror)))
        for error in closed
    ]
    if not paths:
        shut = f" {skipped[0][0]}: {skipped[0][2]}" if skipped else ""
        raise TrialError(
            f"{root} holds no trial: no folder with a trial.toml, and no workbook (.xlsx).{shut}"
        )
    return sorted(paths), skipped


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
    scales = {n: spec.scale(measured[n], t.tables, t.config) for n, t in trials.items()}
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
    notes = [words.other_unit(other, unit)] if other else []
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
                own = trial.tables[kind]
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
