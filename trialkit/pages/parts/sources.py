"""Loss before harvest, at the header, in threshing and cleaning."""

from __future__ import annotations

import math
from collections.abc import Iterable

import pandas as pd

from trialkit import plots
from trialkit.pages.context import Context
from trialkit.pages.elements import Element, Sentence, figure, folded, table
from trialkit.pages.needs import counted
from trialkit.pages.registry import part
from trialkit.plots.sources import BEFORE
from trialkit.quantities import lower_first, number, scales
from trialkit.responses.behind_machine import cobs_left_out, width_assumed
from trialkit.words import sources as words


@part("sources", words.title(), [counted])
def sources(page: Context) -> Iterable[Element]:
    """Loss before harvest, at the header, in threshing and cleaning."""
    losses, factors = plots.pooled_losses(page.analysis)
    known = losses[losses["kg_ha"].notna()]
    told = plots.sources_of(losses)
    missing = [text for source, (text, _) in told.items() if source not in set(known["source"])]
    yield Sentence(words.whose_doing())
    if {"kernels", "ears"} <= set(known["kind"]):
        yield Sentence(words.ears_swing())
    if len(page.setups) > 1:
        pooled = [lower_first(f.label) for f in page.setups if f not in factors]
        yield Sentence(words.rows_pooled(pooled))
    if (losses.loc[losses["kind"] == "all", "kg_ha"] < 0).any():
        yield Sentence(words.below_zero())
    if missing:
        yield Sentence(words.not_measured(missing))
    trial = page.used
    assumed = width_assumed(trial.frames, trial.strips, page.config)
    yield from (Sentence(text) for text in (assumed, cobs_left_out(trial.frames)) if text)
    if len(missing) == len(told):
        return
    kinds = words.kinds(on_cobs="threshing" in told)
    measured = [text for kind, text in kinds.items() if kind in set(known["kind"])]
    picture = figure(plots.loss_by_source(page.analysis), words.plain_means(measured))
    yield folded("Picture and numbers", picture, *_numbers(page, losses))


def _numbers(page: Context, losses: pd.DataFrame) -> Iterable[Element]:
    """The bars as numbers, in the trial's own units, and the share of the yield."""
    own = scales("kg/ha", page.config.units)[0]
    rows = []
    places = plots.loss_places(losses, own)
    told = {s: w for s, (w, _) in plots.sources_of(losses).items() if s != BEFORE}
    columns = {(source, "all"): text for source, text in told.items()}
    if "ears" in set(losses.loc[losses["kg_ha"].notna(), "kind"]):
        del columns["header", "all"]
        columns = {("header", kind): head for kind, head in words.at_the_header().items()} | columns
    for setup, group in losses.groupby("setup", sort=False):
        cell = group.set_index(["source", "kind"])
        whole = cell.reindex([(source, "all") for source in told])
        kg = [*(cell["kg_ha"].get(at, math.nan) for at in columns), whole["kg_ha"].sum()]
        cells = ["" if pd.isna(v) else number(float(v) * own.factor, places) for v in kg]
        share = float(whole["percent_of_yield"].sum(min_count=1))
        cells.append(f"{number(share, 1)}\N{NO-BREAK SPACE}%" if math.isfinite(share) else "")
        rows.append([str(setup), *cells])
    head = ["setup", *columns.values(), "by the machine", "of yield"]
    strips = page.analysis.losses.strips
    lay = strips.loc[strips["source"].eq(BEFORE) & strips["kind"].eq("all"), "kg_ha"].mean()
    if not pd.isna(lay):
        amount = f"{number(float(lay) * own.factor, places)} {own.unit}"
        yield Sentence(words.already_there(amount))
    yield table(f"Loss by source, {own.unit}", head, rows)
