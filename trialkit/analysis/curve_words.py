"""What a curve of a setup's effect says, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trialkit.analysis.reading import unit_words
from trialkit.display import freedom
from trialkit.quantities import Scale, scales

if TYPE_CHECKING:
    from trialkit.analysis.curves import EffectCurve

# A point of the curve is thin with fewer strips of either setup near it.
THIN = 2


def stretches(x: np.ndarray, where: np.ndarray) -> list[tuple[float, float]]:
    """First and last `x` of every run of points at which `where` holds."""
    edge = np.flatnonzero(np.diff(np.r_[False, where, False].astype(int)))
    return [(float(x[a]), float(x[b - 1])) for a, b in zip(edge[::2], edge[1::2], strict=True)]


def describe(curve: EffectCurve) -> tuple[str, ...]:
    """Where the band for all values leaves out no effect, the change per unit, thin stretches."""
    table, own = curve.table, scales(curve.along_unit, curve.result.design.units)[0]
    unit = own.unit
    x = table["x"].to_numpy() * own.factor
    level, reference = curve.name(curve.level), curve.name(curve.reference)
    percent = f"{100 * curve.confidence:g} %"
    what = f"the ratio of {level} to {reference}"
    out = []
    if table["ratio"].notna().any():
        column, none = "ratio", 1.0
    else:
        column, none = "difference", 0.0
        what = f"{level} less {reference}"
        if curve.result.reading.ratios:
            out.append("A mean is too near zero for ratios; differences stand.")
    found = False
    for side, where in (
        ("below", table[f"{column}_high_all"] < none),
        ("above", table[f"{column}_low_all"] > none),
    ):
        for low, high in stretches(x, where.to_numpy()):
            found = True
            out.append(
                f"{_reach(low, high, unit)} {curve.along_label} the {percent} band for "
                f"all values together has {what} {side} {none:g}."
            )
    if not found:
        out.append(
            f"Between {x[0]:.1f} and {x[-1]:.1f} {unit} {curve.along_label} the {percent} band "
            f"nowhere leaves out {none:g}: no effect at all is possible at every value."
        )
    out.append(_change(curve, percent, own))
    for low, high in stretches(x, table["thin"].to_numpy()):
        out.append(
            f"{_reach(low, high, unit)} fewer than {THIN} strips of a setup lie near; "
            "there the curve rests on the straight line."
        )
    return tuple(out)


def _reach(low: float, high: float, unit: str) -> str:
    """ "From 20.6 to 21.1 %", or "At 20.6 %" where both ends round to it."""
    if f"{low:.1f}" == f"{high:.1f}":
        return f"At {low:.1f} {unit}"
    return f"From {low:.1f} to {high:.1f} {unit}"


def _change(curve: EffectCurve, percent: str, own: Scale) -> str:
    """Change of the effect per unit of the covariate, and its test."""
    i, reading = curve.interaction, curve.result.reading
    test = f"F({i['num_df']:.0f}, {freedom(i['den_df'], 0)}) = {i['F']:.2f}, p = {i['p']:.2g}"
    if reading.zones:
        return f"Test of no change of the effect in any zone: {test}."
    step = "point" if own.unit == "%" else own.unit
    values = np.array([i[f"per_unit{end}"] for end in ("", "_low", "_high")], dtype=float)
    if reading.additive(curve.fit):
        shown = scales(curve.result.unit, curve.result.design.units)[0]
        one, low, high = (f"{v:+.3g}" for v in values * shown.factor / own.factor)
        changes = (
            f"difference changes by {one} {unit_words(shown.unit)} ({percent} interval "
            f"{low} to {high})"
        )
    else:
        log = reading.log or curve.fit.family.link == "log"
        changes = f"{'ratio' if log else 'ratio of odds'} changes by "
        values = values ** (1 / own.factor)
        one, low, high = (f"{v:.3g}" for v in values)
        if one == "1":
            one, low, high = (f"{100 * (v - 1):+.2g}" for v in values)
            changes += f"{one} % ({percent} interval {low} to {high} %)"
        else:
            changes += f"a factor of {one} ({percent} interval {low} to {high})"
    return f"Per {step} the {changes}; test of no change: {test}."
