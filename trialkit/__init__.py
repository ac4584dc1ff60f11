"""trialkit: plan, check, analyse and report on-farm strip trials of corn-header setups."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.version import __version__

# Heavy rooms (compiled engine, plots) are imported on first use.
_PUBLIC = {
    "load_trial": "trialkit.trial",
    "Trial": "trialkit.trial",
    "add": "trialkit.intake.adding",
    "analyse": "trialkit.analysis",
    "TrialAnalysis": "trialkit.analysis",
    "check_header": "trialkit.header",
    "compare": "trialkit.many",
    "gather": "trialkit.many",
    "TrialsCompared": "trialkit.many",
}
_ROOMS = {
    "analysis", "decide", "header", "losses", "many", "mixed", "pages", "plan", "plots", "simulate",
    "units",
}  # fmt: skip

__all__ = [
    "Trial",
    "TrialAnalysis",
    "TrialsCompared",
    "__version__",
    "add",
    "analyse",
    "analysis",
    "check_header",
    "compare",
    "decide",
    "gather",
    "header",
    "load_trial",
    "losses",
    "many",
    "mixed",
    "pages",
    "plan",
    "plots",
    "simulate",
    "units",
]

if TYPE_CHECKING:
    from trialkit import (
        analysis,
        decide,
        header,
        losses,
        many,
        mixed,
        pages,
        plan,
        plots,
        simulate,
        units,
    )
    from trialkit.analysis import TrialAnalysis, analyse
    from trialkit.header import check_header
    from trialkit.intake.adding import add
    from trialkit.many import TrialsCompared, compare, gather
    from trialkit.trial import Trial, load_trial


# A type checker knows the names above and refuses any other.
if not TYPE_CHECKING:

    def __getattr__(name: str) -> Any:
        from importlib import import_module

        if name in _PUBLIC:
            return getattr(import_module(_PUBLIC[name]), name)
        if name in _ROOMS:
            return import_module(f"trialkit.{name}")
        raise AttributeError(f"module 'trialkit' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *_PUBLIC, *_ROOMS})
