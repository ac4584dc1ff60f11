"""trialkit: plan, check, analyse and report on-farm strip trials of corn-header setups."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

# Heavy rooms (compiled engine, plots) are imported on first use.
_PUBLIC = {
    "load_trial": "trialkit.trial",
    "Trial": "trialkit.trial",
    "analyse": "trialkit.analysis",
    "TrialAnalysis": "trialkit.analysis",
    "check_header": "trialkit.header",
    "compare": "trialkit.comparison",
    "Comparison": "trialkit.comparison",
}
_ROOMS = {"plots", "decide", "simulate", "mixed", "losses", "units", "report", "header", "plan"}

__all__ = [
    "Comparison",
    "Trial",
    "TrialAnalysis",
    "__version__",
    "analyse",
    "check_header",
    "compare",
    "load_trial",
]

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis, analyse
    from trialkit.comparison import Comparison, compare
    from trialkit.header import check_header
    from trialkit.trial import Trial, load_trial


def __getattr__(name: str) -> Any:
    from importlib import import_module

    if name in _PUBLIC:
        return getattr(import_module(_PUBLIC[name]), name)
    if name in _ROOMS:
        return import_module(f"trialkit.{name}")
    raise AttributeError(f"module 'trialkit' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *_PUBLIC, *_ROOMS})
