"""Numbers as cells of a table."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from trialkit.display import p_text as p_value
from trialkit.quantities import Scale, Span, number, span

__all__ = ["figures", "p_value", "ratio_of", "span_of", "with_interval"]


def with_interval(s: Span) -> str:
    """ "4.5 (4.3 to 4.7)", the value alone where an end is not known."""
    if "not known" in (s.low, s.high):
        return s.value
    return f"{s.value} ({s.interval})"


def span_of(row: Any, name: str, scale: Scale) -> Span:
    """A row's estimate of this name with its ends."""
    value, low, high = (float(row[f"{name}{end}"]) for end in ("", "_low", "_high"))
    return span(value, low, high, scale)


def ratio_of(row: Any) -> str:
    """ "0.59 (0.45 to 0.79)"; "" where there is none."""
    value, low, high = (float(row[f"ratio{end}"]) for end in ("", "_low", "_high"))
    if not math.isfinite(value):
        return ""
    if not math.isfinite(low):
        return number(value, 2)
    return f"{number(value, 2)} ({number(low, 2)} to {number(high, 2)})"


def figures(value: float, n: int = 3) -> str:
    """A number to three figures, "" where it is missing."""
    value = float(value)
    if not math.isfinite(value):
        return ""
    if value == 0:
        return "0"
    return number(value, max(n - 1 - int(np.floor(np.log10(abs(value)))), 0))
