"""Reports: notebooks run on a trial and printed as one self-contained HTML page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.pages.resources import demo_dir, notebooks_dir

if TYPE_CHECKING:
    from trialkit.pages.field_paper import cards
    from trialkit.pages.readers import by_header, field_day, grower, header, researcher
    from trialkit.pages.rendering import render
    from trialkit.pages.seasons.readers import over_seasons
    from trialkit.pages.seasons.rendering import render_seasons

# A notebook's own process needs its page, not the machinery that runs notebooks; who renders
# starts that process before anything heavy is imported.
_LAZY = {
    "field_day": "readers",
    "grower": "readers",
    "by_header": "readers",
    "cards": "field_paper",
    "header": "readers",
    "over_seasons": "seasons.readers",
    "render_seasons": "seasons.rendering",
    "render": "rendering",
    "researcher": "readers",
}

__all__ = [
    "by_header",
    "cards",
    "demo_dir",
    "field_day",
    "grower",
    "header",
    "notebooks_dir",
    "over_seasons",
    "render",
    "render_seasons",
    "researcher",
]


def __getattr__(name: str) -> Any:
    if name in _LAZY:
        from importlib import import_module

        return getattr(import_module(f"trialkit.pages.{_LAZY[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
