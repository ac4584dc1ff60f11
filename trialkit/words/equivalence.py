"""A setup held against a margin: no more than it, within it, beyond it, or not shown."""

from __future__ import annotations

import math

from trialkit.display import significant
from trialkit.quantities import difference_unit, scales

WITHIN, OPEN = "within the margin", "not shown"
ABOVE, BELOW = "above the margin", "below the margin"


def _one_sided(low: float, scale: str) -> bool:
    return low == 0 if scale == "ratio" else not math.isfinite(low)


def against_margin(
    title: str, label: str, reference: str, verdict: str, scale: str, margin: tuple[float, float],
    estimate: float, low: float, high: float, unit: str, system: str, confidence: float,
) -> str:  # fmt: skip
    """What was shown of a setup.

    Parameters
    ----------
    verdict : str
        `WITHIN`, `OPEN`, `ABOVE` or `BELOW`.
    scale : {"ratio", "difference"}
        What margin, estimate and interval are of; a difference is in `unit`.
    confidence : float
        One less the size of each test.
    """
    own = scales(unit, system)[0]
    factor = 1.0 if scale == "ratio" else own.factor
    one_sided = _one_sided(margin[0], scale)
    if factor != 1.0:  # a margin given in SI is seldom round in another unit
        margin = (float(f"{margin[0] * factor:.3g}"), float(f"{margin[1] * factor:.3g}"))
    found, least, most = (significant(factor * v) for v in (estimate, low, high))
    if scale == "ratio":
        lower, upper = (significant(v) for v in margin)
        band = f"within {lower} to {upper} times {reference}"
        over = f"{upper} times {reference}"
        shown = f"ratio {found}, {least} to {most}"
    else:
        words = difference_unit(own.unit)
        lower = "no limit" if one_sided else f"{margin[0]:g}".replace("-", "\N{MINUS SIGN}")
        band = f"within {lower} to {margin[1]:+g} {words} of {reference}"
        over = f"{reference} by more than {margin[1]:g} {words}"
        shown = f"difference {found} {words}, {least} to {most}"
    said = {
        WITHIN: f"is shown {f'not to exceed {over}' if one_sided else f'to lie {band}'}",
        ABOVE: f"is shown to {f'exceed {over}' if one_sided else f'lie above, not {band}'}",
        BELOW: f"is shown to lie below, not {band}",
        OPEN: (
            f"is neither shown to exceed {over} nor shown not to"
            if one_sided
            else f"is neither shown to lie {band} nor beyond that"
        ),
    }[verdict]
    return f"{title}: {label} {said} ({shown}, {100 * (2 * confidence - 1):g} % interval)."


def heading(title: str, scale: str, margin: tuple[float, float], unit: str) -> str:
    """The question, in the result's unit."""
    low, high = margin
    what = "" if scale == "ratio" else f" {unit}"
    asked = f"within {low:.4g} to {high:.4g}{what}"
    if _one_sided(low, scale):
        asked = f"no more than {high:.4g}{what}"
    return f"{title}: {scale} {asked}?"


def in_brackets(confidence: float) -> str:
    return f"{100 * (2 * confidence - 1):g} % intervals in brackets."
