"""What a response surface says, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trialkit.analysis.reading import unit_words
from trialkit.quantities import scales
from trialkit.units import convert

if TYPE_CHECKING:
    from trialkit.analysis.surface import ResponseSurface


# Settings as a trial in US units reads them: unit, decimals.
_US = {"mm": ("in", 2), "km/h": ("mph", 1)}


def describe(surface: ResponseSurface, system: str = "SI") -> tuple[str, ...]:
    """Best setting, settings near it, and the stationary point, none stronger than its interval;
    in the units of a system, "SI" or "US"."""
    return (_best(surface, system), *_near(surface, system), _stationary(surface, system))


def extreme(surface: ResponseSurface) -> str:
    """What the best estimate is: "lowest" or "highest"."""
    return "lowest" if surface.better == "lower" else "highest"


def _at(surface: ResponseSurface, values: tuple[float, float], system: str) -> str:
    return " and ".join(
        f"{s.label} {_setting((v,), s.unit, system)}"
        for s, v in zip(surface.settings, values, strict=True)
    )


def _setting(values: tuple[float, ...], unit: str, system: str) -> str:
    """Values of a setting, "to" between them, with their unit."""
    own, places = _US.get(unit, (unit, 1)) if system == "US" else (unit, 1)
    shown = [v if own == unit else float(convert(v, unit, own)) for v in values]
    return f"{' to '.join(f'{v:.{places}f}' for v in shown)} {own}".rstrip()


def _places(half_width: float) -> int:
    """Decimals that leave about two digits of a half width."""
    return max(0, 1 - int(np.floor(np.log10(half_width)))) if half_width > 0 else 1


def _best(surface: ResponseSurface, system: str) -> str:
    best, own = surface.best, scales(surface.result.unit, system)[0]
    value, low, high = (own.factor * best[name] for name in ("estimate", "low", "high"))
    d = _places((high - low) / 2)
    where = _at(surface, tuple(best[s.name] for s in surface.settings), system)
    percent = f"{100 * surface.confidence:g} %"
    return (
        f"Among the settings run the {extreme(surface)} estimate is at {where}: "
        f"{value:.{d}f} {own.unit} ({percent} interval {low:.{d}f} "
        f"to {high:.{d}f}); where exactly the best lies is not known, see the settings "
        "near it."
    )


def _near(surface: ResponseSurface, system: str) -> list[str]:
    grid, own = surface.grid, scales(surface.result.unit, system)[0]
    side = "above" if surface.better == "lower" else "below"
    near = grid[grid["near_best"]]
    inner = grid[~grid["edge"]]
    share = float(inner["near_best"].mean())
    percent = f"{100 * surface.confidence:g} %"
    margin = f"{own.factor * surface.margin:.3g} {unit_words(own.unit)}"
    if grid["near_best"].all():
        out = [
            f"No setting run is shown to lie more than {margin} {side} the best ({percent} for "
            "each setting)."
        ]
    else:
        spans = " and ".join(
            f"{s.label} {_setting((near[s.name].min(), near[s.name].max()), s.unit, system)}"
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


def _stationary(surface: ResponseSurface, system: str) -> str:
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
    where = _at(surface, place.at, system)
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
