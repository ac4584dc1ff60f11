"""Many trials side by side: every trial under a folder, one tidy table, one model.

Growers', fields' and trials' own names stand in these tables as they were read. Whatever leaves the
researcher's hands must put letters in their place unless the growers agreed
(`trials.growers_agreed`): that is for reports to do (`trialkit.report.letters`), which stand above
this room. The HTML view here names nobody.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from trialkit import schema
from trialkit.analysis.across import across_trials
from trialkit.analysis.matching import Candidate, match_setups, normalised
from trialkit.errors import DesignError, TrialError, TrialkitError
from trialkit.losses import losses
from trialkit.trial import Trial, load_trial

__all__ = ["Comparison", "compare"]

_SEPARATOR = " / "


@dataclass(frozen=True, slots=True)
class Comparison:
    """Many trials in one table and one model; effects are logarithms of ratios.

    Attributes
    ----------
    trials : DataFrame
        One row per trial used: ``trial`` (path below the folder), ``title, season, n_fields,
        n_strips, n_frames`` (in the model), ``rows_refused, growers_agreed, note``.
    skipped : DataFrame
        One row per trial not used: ``trial, kind`` ("unreadable", "repeated", "no counts",
        "setups"), ``reason``.
    factors : dict of str to tuple of str
        The setup factors compared, by common name, with their levels, reference first.
    strips : DataFrame
        One row per strip in the model: ``trial, grower, field, season, hybrid, pair, strip``, the
        factors (common level names), ``moisture`` (%), ``speed_measured`` (km/h), ``n_frames,
        area`` (m2), ``loose_kernels, kernels_per_m2``, and ``header_loss, header_loss_se`` (kg/ha,
        loss before harvest taken off).
    side_by_side : DataFrame
        One row per field: ``trial, grower, season, field`` and the mean header loss (kg/ha) of
        every setup.
    effects : DataFrame
        One row per level against its reference: ``factor, level, reference, estimate, se, df, low,
        high`` (mean over trials), ``sd_trial, sd_field`` (of the effect between trials, and between
        the fields of a trial), ``same_direction`` (share of fields), ``predicted_low,
        predicted_high`` (a field of the next trial), ``n_trials``.
    by_field : DataFrame
        The effect in every field: ``trial, grower, season, field, factor, level, reference``;
        ``raw, raw_se, raw_low, raw_high, n_pairs`` from its own pairs; ``shrunken, se, low, high``
        by the model, where units of trial or field are in it.
    growers : DataFrame
        Every grower's own fields less all others' fields, by the model: ``grower, factor`` ("loss"
        for the loss itself over setups), ``level, n_fields, n_other_fields, difference, se, low,
        high`` (normal interval, variances taken as known). Shrunken towards no difference. Empty
        where fewer than two growers are named.
    explained : DataFrame
        What moisture, speed and hybrid take away of the spread between trials and fields:
        ``variable, part`` ("loss" or the setup's "effect"), ``n_strips, statistic, df, p, null``
        (likelihood ratio), ``sd_before, sd_after, reduction`` (share of the variance; may be below
        zero).
    variances : DataFrame
        Variance components of the model.
    notes : tuple of str
    level : float
    """

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
        head = (
            f"{len(self.trials)} trials, {len(fields)} fields, {len(self.strips)} strips compared "
            f"by {', '.join(self.factors)}; left out: {left_out} (see skipped)"
        )
        tables = [("Effects, log ratios", self.effects), ("Variances", self.variances)]
        if len(self.explained):
            tables.append(("What explains the spread", self.explained))
        parts = [f"<p>{html.escape(head)}.</p>"]
        for title, table in tables:
            parts.append(f"<h4>{html.escape(title)}</h4>")
            parts.append(table.to_html(index=False, float_format="{:.3g}".format, na_rep=""))
        return "".join(parts)


def compare(
    folder: str | Path,
    *,
    factors: Sequence[str] | None = None,
    aliases: Mapping[str, str] | None = None,
    level: float = 0.95,
    progress: Callable[[str], None] | None = None,
) -> Comparison:
    """Compare header loss over every trial under a folder.

    Parameters
    ----------
    folder : path
        Trial folders and workbooks (.xlsx) at any depth.
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
        When fewer than two trials can be compared; the message gives the reasons.
    ModelError
        When the counts cannot carry the model, such as a setup without a single kernel.
    """
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, not {level!r}.")
    root = Path(folder)
    tell = progress or (lambda text: None)
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
        if first != name:
            skipped.append((name, "repeated", f"The same files as {first}."))
        elif not trial.frames["zone"].eq("header").any():
            skipped.append((name, "no counts", "It has no frames from the header zone."))
        else:
            candidates.append(Candidate(name, trial))
    tell("Matching setups")
    common = {normalised(k, {}): normalised(v, {}) for k, v in (aliases or {}).items()}
    matched, levels, unmatched = match_setups(candidates, factors, common)
    skipped += [(name, "setups", reason) for name, reason in unmatched]
    table = pd.DataFrame(skipped, columns=["trial", "kind", "reason"])
    if len(matched) < 2:
        reasons = " ".join(f"{name}: {reason}" for name, _, reason in skipped[:5])
        raise DesignError(
            f"A comparison needs two trials at least that vary the same setups; of {len(paths)} "
            f"found, {len(matched)} can be used. {reasons}".strip()
        )
    frames = pd.concat([_frames(name, trial, strips, list(levels))
                        for name, trial, strips, _ in matched], ignore_index=True)  # fmt: skip
    found = across_trials(frames, levels, level, tell)
    strips = _strips(frames, [trial for _, trial, _, _ in matched], list(levels))
    counted = frames.groupby("trial")
    trials = pd.DataFrame(
        [
            {"trial": name, "title": trial.config.title, "season": trial.config.season,
             "n_fields": strips.loc[strips["trial"] == name, "field"].nunique(),
             "n_strips": int((strips["trial"] == name).sum()),
             "n_frames": len(counted.get_group(name)),
             "rows_refused": int(trial.read["rows_refused"].sum()),
             "growers_agreed": trial.config.growers_agreed, "note": note}
            for name, trial, _, note in matched
        ]
    )  # fmt: skip
    notes = list(found.notes)
    if unnamed := int(
        strips.loc[strips["grower"].isna(), ["trial", "field"]].drop_duplicates().shape[0]
    ):
        notes.append(f"{unnamed} fields name no grower and take no part in comparing growers.")
    return Comparison(
        trials, table, levels, strips, _side_by_side(strips, list(levels)), found.effects,
        found.by_field, found.growers, found.explained, found.fit.variances, tuple(notes), level,
    )  # fmt: skip


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


def _frames(name: str, trial: Trial, strips: pd.DataFrame, factors: list[str]) -> pd.DataFrame:
    """Header-zone frames of the strips used, with all the model asks for; labels made unique."""
    columns = ["strip", "field", "pair", "moisture", "speed_measured", *factors]
    header = trial.frames[trial.frames["zone"].eq("header")]
    out = header[["strip", "area", "loose_kernels"]].merge(strips[columns], on="strip")
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


def _strips(frames: pd.DataFrame, trials: list[Trial], factors: list[str]) -> pd.DataFrame:
    """One row per strip, with the measured header loss."""
    keep = ["trial", "grower", "place", "season", "hybrid", "own_pair", "own_strip", *factors,
            "moisture", "speed_measured"]  # fmt: skip
    groups = frames.groupby("strip", sort=False)
    out = groups[keep].first()
    out["n_frames"], out["area"] = groups.size(), groups["area"].sum()
    out["loose_kernels"] = groups["loose_kernels"].sum()
    out["kernels_per_m2"] = out["loose_kernels"] / out["area"]
    names = list(dict.fromkeys(frames["trial"]))
    loss = _header_losses(dict(zip(names, trials, strict=True))).reindex(out.index)
    out["header_loss"], out["header_loss_se"] = loss["kg_ha"], loss["se_kg_ha"]
    names_of = {"place": "field", "own_pair": "pair", "own_strip": "strip"}
    out = out.reset_index(drop=True).rename(columns=names_of)
    order = ["trial", "grower", "field", "season", "hybrid", "pair", "strip"]
    return out[[*order, *(c for c in out.columns if c not in order)]]


def _header_losses(trials: Mapping[str, Trial]) -> pd.DataFrame:
    """Header loss by strip, kernels alone; trials of one kernel mass in one go."""
    parts = []
    masses: dict[float, list[str]] = {}
    for name, trial in trials.items():
        masses.setdefault(trial.config.thousand_kernel_mass, []).append(name)
    for names in masses.values():
        tables: dict[str, list[pd.DataFrame]] = {"frames": [], "strips": []}
        for name in names:
            trial = trials[name]
            tables["frames"].append(
                trial.frames.assign(strip=name + _SEPARATOR + trial.frames["strip"])
            )
            strips = trial.strips[["strip", "field", "pair", "moisture", "yield"]]
            for column in ("strip", "field"):
                strips = strips.assign(**{column: name + _SEPARATOR + strips[column]})
            tables["strips"].append(strips)
        frames, strips = (pd.concat(t, ignore_index=True) for t in tables.values())
        config = replace(trials[names[0]].config, setups=())
        found = losses(frames, schema.empty("ears"), strips, schema.empty("fields"), config).strips
        parts.append(found.query("source == 'header' and kind == 'kernels'"))
    return pd.concat(parts).set_index("strip")[["kg_ha", "se_kg_ha"]]


def _side_by_side(strips: pd.DataFrame, factors: list[str]) -> pd.DataFrame:
    """Mean header loss of every setup in every field."""
    setup = strips[factors].astype(str).agg(", ".join, axis=1)
    keys = ["trial", "grower", "season", "field"]
    grouped = strips.assign(setup=setup).groupby([*keys, "setup"], dropna=False, sort=False)
    return grouped["header_loss"].mean().unstack("setup").reset_index().rename_axis(columns=None)
