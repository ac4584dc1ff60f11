"""Counts on the ground to grain loss by source: per frame, per strip and per setup.

Zones are counted behind and ahead of a stopped combine, and every source of loss is a weighted sum
of what lies in them (`trialkit.responses.zones`, `trialkit.responses.sources`).

A count times the thousand-kernel mass at base moisture is already grain at base moisture and is
never shrunk a second time. Ears weighed at harvest are brought to base moisture by dry matter. A
difference is reported as measured, negative when sampling makes it so, with the variance of all
terms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.display import card, decimals, number, table
from trialkit.responses import SOURCES, ZONES
from trialkit.responses.behind_machine import (
    cobs_counted,
    cobs_left_out,
    discharge_width,
    width_assumed,
)
from trialkit.responses.ear_mass import ear_table
from trialkit.responses.zone_means import lying_before, zone_means
from trialkit.words import losses as words
from trialkit.words.grain import kernel_mass_taken

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig
    from trialkit.responses import Source

KINDS = ("kernels", "ears", "all")


@dataclass(frozen=True, slots=True)
class Losses:
    """Losses of one trial, tidy, at base moisture.

    Attributes
    ----------
    frames : DataFrame
        One row per frame: ``frame, strip, field, pair``, the setup factors, ``zone``, ``area``
        (m2), ``loose_kernels``, ``kernels_on_cobs``, and of both together ``kernels_per_m2``,
        ``kg_ha``, ``bu_ac``; nothing taken off.
    strips : DataFrame
        One row per strip, ``source`` (of `trialkit.responses.SOURCES`; threshing and separation
        where they were counted apart, beside processing, their sum) and ``kind`` (kernels,
        ears, all): ``kg_ha, se_kg_ha, bu_ac, se_bu_ac``; ``percent_of_yield`` (of the grain
        harvested from the strip); ``n_frames`` (frames or ear searches in the source's own zone);
        ``counted`` (what an ``all`` row adds up: ``kernels``, ``ears`` or ``kernels+ears``);
        ``se_from`` (``between``: spread of the frames in the strip; ``count``: Poisson standard
        error of a single frame) and ``preharvest_from`` (``strip``, ``pair``, ``field`` or
        ``none``: whose preharvest counts were taken off).
    setups : DataFrame
        The same per setup combination: mean over strips, standard error between strips (the
        strip's own where there is one strip), ``n_strips``.
    notes : tuple of str
        What had to be assumed, in sentences.
    """

    frames: pd.DataFrame
    strips: pd.DataFrame
    setups: pd.DataFrame
    notes: tuple[str, ...]

    def _repr_html_(self) -> str:
        return card(
            words.HEADING,
            [words.KEY, *self.notes],
            table(_by_source(self.setups, "bu_ac"), "bu/ac", rows=len(self.setups)),
            table(_by_source(self.setups, "kg_ha"), "kg/ha", rows=len(self.setups)),
        )  # fmt: skip


def losses(
    frames: pd.DataFrame,
    ears: pd.DataFrame,
    strips: pd.DataFrame,
    fields: pd.DataFrame,
    config: TrialConfig,
) -> Losses:
    """Turn counts into losses by source with their standard errors.

    Parameters
    ----------
    frames, ears, strips, fields : DataFrame
        Tables of a trial in SI units, as `trialkit.responses` describes them; ``ears`` and
        ``fields`` may be empty. ``fields`` is accepted so that all tables can be passed alike;
        every quantity needed here stands in ``strips``.
    config : TrialConfig
        Supplies header and discharge width (m), thousand-kernel mass (g) and base moisture (%).

    Returns
    -------
    Losses

    Notes
    -----
    A strip's zone density is total count over total area; its standard error is the between-frame
    error of that ratio (for equal areas the usual standard error of a mean). A single frame
    has the Poisson standard error of its count, counted as at least one kernel or ear. A strip
    without preharvest counts borrows those of its pair, else of its field; a field with none has
    its header loss left with the preharvest loss inside, and `notes` says so.
    """
    del fields
    notes: list[str] = []
    notes += filter(None, (width_assumed(frames, strips, config), cobs_left_out(frames)))
    if not config.kernel_mass_stated and (len(frames) or ears["kernels_per_ear"].notna().any()):
        notes.append(kernel_mass_taken())
    setup_columns = [factor.name for factor in config.setups]
    design = strips[["strip", "field", "pair", *setup_columns]]
    frame_table = _frame_table(frames, design, config)
    parts = []
    if len(frame_table):
        kernels = frame_table[["strip", "field", "pair", "zone", "area", "kg_ha"]].copy()
        kernels["one"] = _count_se(frame_table["kernels"], frame_table["area"], config)
        by_column = None
        if cobs_counted(frames):
            by_column = {
                source.column: zone_means(_alone(frame_table, source.column, config), ["strip"])
                for source in SOURCES.values() if source.column
            }  # fmt: skip
        parts.append(_sources(kernels, strips, config, notes, "kernels", by_column))
    if len(ears):
        found = _sources(ear_table(ears, strips, config, notes), strips, config, notes, "ears")
        if cobs_counted(frames):  # whole ears behind, beyond the header's, were not threshed
            whole = [found[found["source"].eq(source.part_of)].assign(source=source.name)
                     for source in SOURCES.values() if source.ears_as_whole]  # fmt: skip
            found = pd.concat([found, *whole])
        parts.append(found)
    frame_table = frame_table.drop(columns="kernels")
    if parts:
        parts.append(_all_kinds(parts, notes))
    by_strip = _strip_table(parts, strips, setup_columns)
    return Losses(frame_table, by_strip, setup_table(by_strip, config), tuple(notes))


def loss_by_strip(
    frames: pd.DataFrame, ears: pd.DataFrame, strips: pd.DataFrame, config: TrialConfig,
    source: str, kind: str,
) -> pd.DataFrame:  # fmt: skip
    """One source and kind (kernels, ears) of `Losses.strips` alone, which costs far less than all.

    Parameters as of `losses`; the source is none that is told of a single column of counts.

    Returns
    -------
    DataFrame
        ``kg_ha, se_kg_ha`` by strip.
    """
    own = SOURCES[source]
    assert not own.column
    if kind == "ears":
        table = ear_table(ears, strips, config, [])
    else:
        place = strips[["strip", "field", "pair"]]
        table = _alone(_counted(frames), "kernels", config).merge(place, on="strip")
    if table.empty:
        return pd.DataFrame({"kg_ha": [], "se_kg_ha": []}, dtype=float)
    found = _sources(table, strips, config, [], kind, only=own).set_index("strip")
    return found[["kg_ha"]].assign(se_kg_ha=np.sqrt(found["var"]))


def _counted(frames: pd.DataFrame) -> pd.DataFrame:
    """Frames with ``kernels``, all that count, loose and on cobs."""
    kernels = frames["loose_kernels"].astype(float)
    if cobs_counted(frames):
        kernels = kernels + frames["kernels_on_cobs"].fillna(0.0)
    return frames.assign(kernels=kernels)


def _frame_table(frames: pd.DataFrame, design: pd.DataFrame, config: TrialConfig) -> pd.DataFrame:
    """Frames with their place; ``kernels`` are all that count, loose and on cobs."""
    cobs = frames.get("kernels_on_cobs", np.nan)
    columns = ["frame", "strip", "zone", "area", "loose_kernels", "kernels"]
    table = _counted(frames)[columns].assign(kernels_on_cobs=cobs)
    table = table.merge(design, on="strip", how="inner", validate="many_to_one")
    density = table["kernels"] / table["area"]
    table["kernels_per_m2"] = density
    table["kg_ha"] = units.kernels_per_m2_to_kg_ha(density, config.thousand_kernel_mass)
    table["bu_ac"] = units.kg_ha_to_bu_ac(table["kg_ha"])
    order = ["frame", *design.columns, "zone", "area", "loose_kernels", "kernels_on_cobs"]
    return table[[*order, "kernels_per_m2", "kg_ha", "bu_ac", "kernels"]]


def _alone(frames: pd.DataFrame, column: str, config: TrialConfig) -> pd.DataFrame:
    """Frames with the loss (kg/ha) one column of counts stands for."""
    count, area = frames[column].astype(float), frames["area"]
    kg_ha = units.kernels_per_m2_to_kg_ha(count / area, config.thousand_kernel_mass)
    return frames[["strip", "zone", "area"]].assign(
        kg_ha=kg_ha, one=_count_se(count, area, config)
    )


def _count_se(count: pd.Series, area: pd.Series, config: TrialConfig) -> pd.Series:
    """Poisson standard error (kg/ha) of one frame; a count of zero is taken as one."""
    density = np.sqrt(count.astype(float).clip(lower=1.0)) / area
    return units.kernels_per_m2_to_kg_ha(density, config.thousand_kernel_mass)


def _sources(
    table: pd.DataFrame,
    strips: pd.DataFrame,
    config: TrialConfig,
    notes: list[str],
    kind: str,
    by_column: dict[str, pd.DataFrame] | None = None,
    only: Source | None = None,
) -> pd.DataFrame:
    """Loss by source (or of one alone) for every strip counted: mean, variance and origin.

    `by_column` are the zones' means of single columns of counts, for sources told of these; None
    where they were not counted apart.
    """
    zones = zone_means(table, ["strip"])
    place = strips.set_index("strip").loc[zones.index, ["field", "pair"]]
    before = {n: lying_before(table, zones, place, n) for n, zone in ZONES.items() if zone.before}
    origin = next(iter(before.values()))["origin"]
    if (n_borrowed := int(origin.isin(["pair", "field"]).sum())) > 0:
        notes.append(words.preharvest_borrowed(n_borrowed, kind))
    if bare := sorted(place["field"][origin.eq("none")].unique()):
        notes.append(words.preharvest_inside(bare, kind))
    fell_on = discharge_width(strips, config).set_axis(strips["strip"]).loc[zones.index]
    spread = config.header.width / fell_on
    parts = []
    for source in [only] if only else SOURCES.values():
        found = zones
        if source.column:
            if by_column is None:
                continue
            found = by_column[source.column].reindex(zones.index)
        mean, var, n = _weighted(source, found, before, spread, kind)
        taken = any(name in before and weight < 0 for name, weight in source.zones.items())
        parts.append(
            pd.DataFrame(
                {
                    "source": source.name,
                    "kg_ha": mean,
                    "var": var,
                    "n_frames": n,
                    "preharvest_from": origin if taken else "",
                },
                index=zones.index,
            )
        )
    out = pd.concat(parts).dropna(subset=["kg_ha"]).reset_index().assign(kind=kind)
    out["n_frames"] = out["n_frames"].astype(int)
    out["se_from"] = np.where(out["n_frames"] > 1, "between", "count")
    return out.assign(counted=kind)


def _weighted(
    source: Source, zones: pd.DataFrame, before: dict[str, pd.DataFrame], spread: pd.Series,
    kind: str,
) -> tuple[pd.Series, pd.Series, pd.Series]:  # fmt: skip
    """Mean, variance and number of frames of a source: the weighted sum over its zones.

    A zone of weight zero takes no part, counted or not: where residue fell on the header's whole
    width, what lies behind the machine is all of the loss.
    """
    weights = {name: pd.Series(w, index=zones.index) for name, w in source.zones.items()}
    for name, weight in source.spread.items():
        weights[name] = weights.get(name, 0.0) + weight / spread
    mean, var = pd.Series(0.0, index=zones.index), pd.Series(0.0, index=zones.index)
    n = zones["n", source.own]
    for name, weight in weights.items():
        own, own_var = zones["mean", name], zones["var", name]
        if kind == "ears" and (other := source.ears_at.get(name)):
            own, own_var = own.fillna(zones["mean", other]), own_var.fillna(zones["var", other])
            n = n.fillna(zones["n", other]) if name == source.own else n
        if name in before and (weight < 0).all():
            own, own_var = before[name]["mean"].fillna(0.0), before[name]["var"].fillna(0.0)
        mean += (weight * own).where(weight.ne(0), 0.0)
        var += (weight**2 * own_var).where(weight.ne(0), 0.0)
    return mean, var, n


def _all_kinds(parts: list[pd.DataFrame], notes: list[str]) -> pd.DataFrame:
    """Kernels and ears together; what was not searched for adds nothing, and is said."""
    table = pd.concat(parts, ignore_index=True)
    groups = table.groupby(["strip", "source"], sort=False)
    out = groups.agg(
        kg_ha=("kg_ha", "sum"),
        var=("var", "sum"),
        n_frames=("n_frames", "first"),
        preharvest_from=("preharvest_from", "first"),
        se_from=("se_from", "first"),
        counted=("kind", "+".join),
    ).reset_index()
    header = out.loc[out["source"].eq("header"), "counted"]
    for lacking, other in (("ears", "kernels"), ("kernels", "ears")):
        if len(header) and (count := int(header.eq(other).sum())):
            if lacking == "ears" and words.no_ear_mass() in notes:  # searched for all the same
                notes.append(words.kernels_alone())
                continue
            strips = None if count == len(header) else count
            notes.append(words.kind_lacking(lacking, other, strips))
    return out.assign(kind="all")


def _strip_table(
    parts: list[pd.DataFrame], strips: pd.DataFrame, setup_columns: list[str]
) -> pd.DataFrame:
    columns = [
        "strip", "field", "pair", *setup_columns, "source", "kind", "kg_ha", "se_kg_ha", "bu_ac",
        "se_bu_ac", "percent_of_yield", "n_frames", "counted", "se_from", "preharvest_from",
    ]  # fmt: skip
    if not parts:
        return pd.DataFrame(columns=columns)
    table = pd.concat(parts, ignore_index=True).merge(
        strips[["strip", "field", "pair", *setup_columns, "yield"]], on="strip", how="left"
    )
    table["se_kg_ha"] = np.sqrt(table["var"])
    table["bu_ac"] = units.kg_ha_to_bu_ac(table["kg_ha"])
    table["se_bu_ac"] = units.kg_ha_to_bu_ac(table["se_kg_ha"])
    harvested = table["yield"].astype(float)
    table["percent_of_yield"] = 100.0 * table["kg_ha"] / harvested.where(harvested > 0)
    rank = {word: i for i, word in enumerate((*SOURCES, *KINDS))}
    place = {strip: i for i, strip in enumerate(strips["strip"])}
    order = pd.DataFrame(
        {
            "strip": table["strip"].map(place),
            "source": table["source"].map(rank),
            "kind": table["kind"].map(rank),
        }
    ).sort_values(["strip", "source", "kind"])
    return table.loc[order.index, columns].reset_index(drop=True)


def setup_table(
    by_strip: pd.DataFrame, config: TrialConfig, names: Sequence[str] | None = None
) -> pd.DataFrame:
    """Means of `Losses.strips` per combination of the setup factors `names`, by default of all;
    columns as `Losses.setups`."""
    names = [factor.name for factor in config.setups] if names is None else list(names)
    keys = [*names, "source", "kind"]
    columns = [*keys, "kg_ha", "se_kg_ha", "bu_ac", "se_bu_ac", "percent_of_yield", "n_strips"]
    if by_strip.empty:
        return pd.DataFrame(columns=columns)
    order = {f.name: {level: i for i, level in enumerate(f.levels)} for f in config.setups}
    order |= {
        "source": {word: i for i, word in enumerate(SOURCES)},
        "kind": {word: i for i, word in enumerate(KINDS)},
    }
    out = (
        by_strip.groupby(keys, sort=False)
        .agg(
            kg_ha=("kg_ha", "mean"),
            sd=("kg_ha", "std"),
            own=("se_kg_ha", "mean"),
            percent_of_yield=("percent_of_yield", "mean"),
            n_strips=("strip", "size"),
        )
        .reset_index()
        .sort_values(keys, key=lambda c: c.map(order[c.name]), ignore_index=True)
    )
    out["se_kg_ha"] = (out["sd"] / np.sqrt(out["n_strips"])).where(out["n_strips"] > 1, out["own"])
    out["bu_ac"] = units.kg_ha_to_bu_ac(out["kg_ha"])
    out["se_bu_ac"] = units.kg_ha_to_bu_ac(out["se_kg_ha"])
    return out[columns]


def _by_source(setups: pd.DataFrame, unit: str) -> pd.DataFrame:
    """Setups in rows, sources in columns, as text: loss in `unit` and its standard error."""
    factors = list(setups.columns[: setups.columns.get_loc("source")])
    rows: dict[tuple[str, ...], dict[str, str]] = {}
    for row in setups[setups["kind"] == "all"].to_dict("records"):
        value, se = row[unit], row[f"se_{unit}"]
        key = tuple(str(row[factor]) for factor in factors)
        cells = rows.setdefault(key, dict(zip(factors, key, strict=True)))
        places = decimals(se)
        both = f"{number(value, places)} \N{PLUS-MINUS SIGN} {number(se, places)}"
        cells[row["source"]] = both if se == se else number(value, 2)
    return pd.DataFrame(list(rows.values()))
