"""Many trials: read, matched, compared in one table and one model, or combined by summaries."""

from __future__ import annotations

from trialkit.many.comparing import compare
from trialkit.many.meta import MetaAnalysis, combine_trials
from trialkit.many.result import TrialsCompared

__all__ = ["MetaAnalysis", "TrialsCompared", "combine_trials", "compare"]
