"""Mixed models for nested designs: compiled elimination, exact gradients, small-sample inference.

This room knows nothing of corn: it takes a DataFrame and column names.
"""

from __future__ import annotations

from trialkit.mixed.fit import fit_mixed
from trialkit.mixed.result import MixedFit

__all__ = ["MixedFit", "fit_mixed"]
