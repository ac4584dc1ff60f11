"""Residuals of strips by their place in the field."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from trialkit.errors import DesignError
from trialkit.plots.canvas import INK, QUIET, WIDTH, Plot, rule, style
from trialkit.units import convert
from trialkit.words import neighbours as words

if TYPE_CHECKING:
    from trialkit.analysis.questions.neighbours import Neighbours
    from trialkit.responses.schema import System

_MOST = 12  # fields drawn
_TALL = 1.25  # inches a field


def residuals_by_place(
    found: Neighbours, *, field_names: Mapping[str, str] | None = None, system: System = "US"
) -> Plot:
    """A panel a field: the strips' residuals against their place, neighbours joined.

    Parameters
    ----------
    found : Neighbours
    field_names : mapping, optional
        What fields are called.
    system : {"US", "SI"}
        Of the distances.

    Raises
    ------
    DesignError
        When no strip has a residual.
    """
    own = found.strips.dropna(subset=["residual"])
    if own.empty:
        raise DesignError(words.no_residuals())
    names = field_names or {}
    fields = list(dict.fromkeys(own["field"].astype(str)))
    drawn = fields[:_MOST]
    unit = "ft" if system == "US" else "m"
    per_metre = float(convert(1.0, "m", unit))
    reach = 1.1 * float(own["residual"].abs().max()) or 1.0
    told = []
    with style():
        figure = Plot(figsize=(WIDTH, 0.9 + _TALL * len(drawn)))
        panels = figure.subplots(len(drawn), 1, sharex=True, squeeze=False)[:, 0]
        for ax, field in zip(panels, drawn, strict=True):
            rows = own[own["field"].astype(str) == field]
            for _, run in rows.groupby("run"):
                for _, part in run.groupby((run["place"].diff() != 1).cumsum()):
                    ax.plot(part["at"] * per_metre, part["residual"], color=QUIET, lw=0.8,
                            marker="o", ms=4, mfc=INK, mec="white", mew=0.5,
                            gid="strips")  # fmt: skip
            ax.axhline(0, color=INK, lw=0.7, ls=(0, (4, 3)))
            ax.set_ylim(-reach, reach)
            ax.set_title(names.get(field, field), loc="left")
            rule(ax, "y", 0.5)
            values = rows["residual"].to_numpy(float)
            told.append((names.get(field, field), len(rows), float(values.min()),
                         float(np.max(values))))  # fmt: skip
        panels[-1].set_xlabel(words.places_axis(unit))
        figure.supylabel(words.residual_axis(found.effect, found.unit), fontsize=9.5)
    figure.summary = words.drawn(len(drawn), len(fields), sum(n for _, n, _, _ in told))
    figure.alt_text = words.drawn_alt(found.title, told)
    return figure
