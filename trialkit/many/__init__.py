"""Many trials: read, matched, compared in one table and one model, or combined by summaries."""

from __future__ import annotations

from trialkit.many.comparing import compare
from trialkit.many.gathering import Gathered, gather
from trialkit.many.meta import MetaAnalysis, combine_trials
from trialkit.many.result import TrialsCompared
from trialkit.many.sources import FolderSource, Source, source_of
from trialkit.many.store_source import StoreSource

__all__ = [
    "FolderSource", "Gathered", "MetaAnalysis", "Source", "StoreSource", "TrialsCompared",
    "combine_trials", "compare", "gather", "source_of",
]  # fmt: skip
