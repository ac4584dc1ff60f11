"""Drawings of the page for a phone: inline SVG whose parts can be lit up, nothing loaded."""

from __future__ import annotations

import re

from trialkit import plots
from trialkit.display import escape
from trialkit.pages.field_paper.source import FieldTrial
from trialkit.plots.row_unit import DRAWINGS

ZONES_WIDE = 5.6  # inches: lettering that a telephone's width leaves readable
NUMBERS = 11.0  # points, of row numbers
_FOOT = 0.95  # of the drawing's metres at its foot: how far to back up, which words say

# Parts that are not called as the column measured on them.
PARTS = {
    "header_check.set_front": "gap_front", "header_check.set_rear": "gap_rear",
    "header_check.roll_left_wear_length": "wear", "header_check.roll_right_wear_length": "wear",
    "header_check.roll_left_flute": "flute", "header_check.roll_right_flute": "flute",
    "header_check.plate_edge_wear": "new edge", "header_check.flaps": "flap",
    "stalks.diameter": "stalk", "ear_butts.diameter": "butt",
}  # fmt: skip


def pictures(trial: FieldTrial) -> dict[str, str]:
    """SVG of every drawing by name; a part is found by its attribute ``data-part``."""
    zones = plots.count_zones(
        trial.config.units, rows=trial.config.header.rows, width=ZONES_WIDE,
        language=trial.language, numbers=NUMBERS,
    )  # fmt: skip
    _cut_foot(zones)
    drawn: dict[str, plots.Plot] = {"zones": zones}
    drawn |= {name: draw(language=trial.language) for name, draw in DRAWINGS.items()}
    return {name: inline(name, figure) for name, figure in drawn.items()}


def inline(name: str, figure: plots.Plot) -> str:
    """A figure to stand in a page beside others: no style of its own, no name used twice."""
    svg = figure.svg()
    svg = re.sub(r"<defs>\s*<style.*?</style>\s*</defs>", "", svg, count=1, flags=re.S)
    pointed = set(re.findall(r"url\(#([^)]+)\)", svg)) | set(re.findall(r'href="#([^"]+)"', svg))

    def renamed(match: re.Match[str]) -> str:
        own = match[1]
        return f'id="{name}-{own}"' if own in pointed else f'data-part="{own}"'

    svg = re.sub(r'\bid="([^"]*)"', renamed, svg)
    svg = re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", svg)
    svg = re.sub(r'xlink:href="#([^"]+)"', rf'href="#{name}-\1"', svg)
    head, _, rest = svg.partition(">")
    head = re.sub(r' (?:width|height)="[^"]*"| xmlns:xlink="[^"]*"', "", head)
    words = escape(figure.alt_text)
    return f'{head} stroke-linejoin="round" role="img" aria-label="{words}">{rest}'


def _cut_foot(zones: plots.Plot) -> None:
    """Leave what lies below the zones off, to spare the height of a small screen."""
    (ax,) = zones.axes
    low, high = ax.get_ylim()
    foot = low + _FOOT
    for text in [*ax.texts]:
        if text.get_position()[1] < foot:
            text.remove()
    ax.set_ylim(foot, high)
    zones.set_figheight(zones.get_figheight() * (high - foot) / (high - low))
