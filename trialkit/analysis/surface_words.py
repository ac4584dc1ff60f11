"""What a response surface says, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trialkit.analysis.reading import unit_words

if TYPE_CHECKING:
    from trialkit.analysis.surface import ResponseSurface


def describe(surface: ResponseSurface) -> tuple[str, ...]:
    """Best setting, settings near it, and the stationary point, none stronger than its interval."""
    return (_best(surface), *_near(surface), _stationary(surface))


def extreme(surface: ResponseSurface) -> str:
    """What the best estimate is: "lowest" or "highest"."""
    return "lowest" if surface.better == "lower" else "highest"


def _at(surface: ResponseSurface, values: tuple[float, float]) -> str:
    return " and ".join(
        f"{s.label} {v:.1f} {s.unit}".rstrip()
        for s, v in zip(surface.settings, values, strict=True)
    )


def _places(half_width: float) -> int:
    """Decimals that leave about two digits of a half width."""
    return max(0, 1 - int(np.floor(np.log10(half_width)))) if half_width > 0 else 1


def _best(surface: ResponseSurface) -> str:
    best = surface.best
    d = _places((best["high"] - best["low"]) / 2)
    where = _at(surface, tuple(best[s.name] for s in surface.settings))
    percent = f"{100 * surface.confidence:g} %"
    return (
        f"Among the settings run the {extreme(surface)} estimate is at {where}: "
        f"{best['estimate']:.{d}f} {surface.result.unit} ({percent} interval {best['low']:.{d}f} "
        f"to {best['high']:.{d}f}); where exactly the best lies is not known, see the settings "
        "near it."
    )


def _near(surface: ResponseSurface) -> list[str]:
    grid, unit = surface.grid, unit_words(surface.result.unit)
    side = "above" if surface.better == "lower" else "below"
    near = grid[grid["near_best"]]
    inner = grid[~grid["edge"]]
    share = float(inner["near_best"].mean())
    percent = f"{100 * surface.confidence:g} %"
    margin = f"{surface.margin:g} {unit}"
    if grid["near_best"].all():
        out = [
            f"No setting run is shown to lie more than {margin} {side} the best ({percent} for "
            "each setting)."
        ]
    else:
        spans = " and ".join(
            f"{s.label} {near[s.name].min():.1f} to {near[s.name].max():.1f} {s.unit}".rstrip()
            for s in surface.settings
        )
        out = [
            f"Settings not shown to lie more than {margin} {side} the best ({percent} for "
            f"each setting) are {_share(share)} of those run, within {spans}; not every "
            "combination in those spans is among them."
        ]
    within = float(inner["within"].mean())
    if within:
        out.append(
            f"{_share(within).capitalize()} of them are shown to lie within {margin} of it "
            f"({percent} for each setting)."
        )
    return out


def _share(part: float) -> str:
    return f"{100 * part:.0f} %" if part >= 0.005 else "under 1 %"


def _stationary(surface: ResponseSurface) -> str:
    place = surface.stationary
    if surface.result.reading.zones:
        return (
            "Each zone has a surface of its own; their difference is not of second order, so no "
            "stationary point is looked for."
        )
    if place is None:
        return (
            "The settings run do not identify a full second-order surface, so no stationary point "
            "is looked for: the best estimate lies where the settings end in at least one "
            "direction or along a ridge."
        )
    where = _at(surface, place.at)
    if not place.inside:
        return (
            f"The surface is level at {where}, outside the settings run, a {place.kind}; the "
            "best of those run is at their edge."
        )
    region = (
        "its confidence region ends inside the settings run"
        if place.bounded
        else "its confidence region reaches the edge of the settings run, so it may lie beyond"
    )
    return f"The surface is level at {where}, a {place.kind}; {region}."
