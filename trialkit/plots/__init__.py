"""Every figure of trialkit, one function each.

Each function returns a :class:`Plot`: a matplotlib Figure that also carries a description in
words (`alt_text`), made from the same numbers as the marks. No function touches pyplot or leaves
matplotlib's settings changed. Shape and position carry the meaning; colour only repeats it, and
the colours keep their order of lightness in greyscale. Figures are drawn about as wide as a
phone shows them, so that their text stays readable there.

Loss is drawn in the trial's own units with the other system on the opposite axis.
"""

from __future__ import annotations

from trialkit.plots.canvas import Plot, sources_of
from trialkit.plots.checks import influence, residual_quantiles
from trialkit.plots.curves import effect_along
from trialkit.plots.effects import effect_quantiles
from trialkit.plots.effort import effort
from trialkit.plots.forest import field_forest
from trialkit.plots.header import header_parts, header_rows
from trialkit.plots.header_plan import header_plan
from trialkit.plots.layout import strip_map
from trialkit.plots.money import money_by_area
from trialkit.plots.neighbours import residuals_by_place
from trialkit.plots.own_fields import own_fields, setups_by_field
from trialkit.plots.pairs import paired_strips
from trialkit.plots.pass_map import pass_map
from trialkit.plots.row_unit import (
    guides_and_chains,
    plate_section,
    roll_wear,
    row_unit,
    stalk_and_butt,
)
from trialkit.plots.scores import score_shares
from trialkit.plots.seasons import field_map, season_forest
from trialkit.plots.sensitivity import sensitivity_bars
from trialkit.plots.setups import damage_by_setup, loss_by_setup, means_by_setup
from trialkit.plots.sources import loss_by_source, loss_places, pooled_losses
from trialkit.plots.speed import cost_by_speed
from trialkit.plots.surface import loss_surface
from trialkit.plots.zones import count_zones

__all__ = [
    "Plot",
    "cost_by_speed",
    "count_zones",
    "damage_by_setup",
    "effect_along",
    "effect_quantiles",
    "effort",
    "field_forest",
    "field_map",
    "guides_and_chains",
    "header_parts",
    "header_plan",
    "header_rows",
    "influence",
    "loss_by_setup",
    "loss_by_source",
    "loss_places",
    "loss_surface",
    "means_by_setup",
    "money_by_area",
    "own_fields",
    "paired_strips",
    "pass_map",
    "plate_section",
    "pooled_losses",
    "residual_quantiles",
    "residuals_by_place",
    "roll_wear",
    "row_unit",
    "score_shares",
    "season_forest",
    "sensitivity_bars",
    "setups_by_field",
    "sources_of",
    "stalk_and_butt",
    "strip_map",
]
