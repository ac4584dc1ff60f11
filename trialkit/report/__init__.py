"""Reports: notebooks run on a trial and printed as one self-contained HTML page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.report.field_day import FieldDayPage
from trialkit.report.researcher import ResearcherPage
from trialkit.report.resources import demo_dir, notebooks_dir

if TYPE_CHECKING:
    from trialkit.report.rendering import render

__all__ = ["FieldDayPage", "ResearcherPage", "demo_dir", "notebooks_dir", "render"]


def __getattr__(name: str) -> Any:
    # The notebook's own process needs the page, not the machinery that runs notebooks.
    if name == "render":
        from importlib import import_module

        return import_module("trialkit.report.rendering").render
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
