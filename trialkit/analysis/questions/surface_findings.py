"""What a response surface shows, none of it stronger than its interval."""

from __future__ import annotations

from typing import Any

import pandas as pd

from trialkit.analysis.questions.surface_model import StationaryPoint, SurfaceModel
from trialkit.facts import Note


def shown(
    surface: SurfaceModel, grid: pd.DataFrame, best: pd.Series, better: str, margin: float,
    confidence: float, place: StationaryPoint | None,
) -> tuple[Note, ...]:  # fmt: skip
    """Best setting, settings near it, and the stationary point."""
    one, two = surface.settings
    system = {"system": surface.result.design.units}
    own: dict[str, Any] = {"unit": surface.result.unit, "confidence": confidence, **system}

    def at(values: tuple[float, float]) -> dict[str, Any]:
        named = ((one.label, values[0], one.unit), (two.label, values[1], two.unit))
        return {"settings": named, **system}

    found = {name: float(best[name]) for name in ("estimate", "low", "high")}
    where = at((float(best[one.name]), float(best[two.name])))
    out = [Note("surface.best", {**where, **found, **own, "better": better})]
    inner, near = grid[~grid["edge"]], grid[grid["near_best"]]
    by = {"margin": margin, "better": better, **own}
    if grid["near_best"].all():
        out.append(Note("surface.all_near", by))
    else:
        spans = tuple(
            (s.label, float(near[s.name].min()), float(near[s.name].max()), s.unit)
            for s in (one, two)
        )
        share = float(inner["near_best"].mean())
        out.append(Note("surface.near", {**by, "spans": spans, "share": share}))
    if within := float(inner["within"].mean()):
        out.append(Note("surface.within", {"share": within, "margin": margin, **own}))
    if surface.reading.zones:
        return (*out, Note("surface.zones_apart"))
    if place is None:
        return (*out, Note("surface.not_second_order"))
    level = {**at(place.at), "kind": place.kind}
    if not place.inside:
        return (*out, Note("surface.level_outside", level))
    return (*out, Note("surface.level_inside", {**level, "bounded": place.bounded}))
