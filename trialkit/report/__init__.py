"""Reports: notebooks run on a trial and printed as one self-contained HTML page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.report.resources import demo_dir, notebooks_dir

if TYPE_CHECKING:
    from trialkit.report.field_day import FieldDayPage
    from trialkit.report.grower import GrowerPage
    from trialkit.report.header_page import HeaderPage
    from trialkit.report.rendering import render
    from trialkit.report.researcher import ResearcherPage

# A notebook's own process needs its page, not the machinery that runs notebooks; who renders
# starts that process before anything heavy is imported.
_LAZY = {
    "FieldDayPage": "field_day",
    "GrowerPage": "grower",
    "HeaderPage": "header_page",
    "ResearcherPage": "researcher",
    "render": "rendering",
}

__all__ = [
    "FieldDayPage",
    "GrowerPage",
    "HeaderPage",
    "ResearcherPage",
    "demo_dir",
    "notebooks_dir",
    "render",
]


def __getattr__(name: str) -> Any:
    if name in _LAZY:
        from importlib import import_module

        return getattr(import_module(f"trialkit.report.{_LAZY[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
