"""Tables of an analysis inside the page itself, for a reader to save."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from html import escape
from typing import TYPE_CHECKING

from trialkit.quantities import number
from trialkit.report.export import csv_bytes, workbook_bytes

if TYPE_CHECKING:
    import pandas as pd

CSV = "text/csv;charset=utf-8"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

ABOUT = {
    "contrasts": "every level against its reference",
    "contrasts_at_same": "the same at one speed, or what else was measured after the setup acted",
    "means": "adjusted means",
    "by_field": "measured differences field by field",
    "by_strip": "measured values strip by strip",
    "term_tests": "F tests of the fixed terms",
    "variances": "variance components, model scale",
    "models": "the model of every response in words",
    "loss_by_strip": "losses by source, strip by strip",
    "loss_by_setup": "losses by source, setup by setup",
    "refused": "refused cells",
    "pairwise": "every two levels compared",
    "checks": "checks of the models",
    "left_out": "answers without each pair and field",
    "alternatives": "answers of other models",
}


def links(tables: Mapping[str, pd.DataFrame]) -> str:
    """A list of links to one workbook and to every table as CSV, the data inside them."""
    shown = {name: table for name, table in tables.items() if len(table)}
    book = _link("analysis.xlsx", XLSX, workbook_bytes(shown), "All tables in one workbook")
    rows = [f"<li>{book}</li>"]
    for name, table in shown.items():
        words = f"{name}.csv, {ABOUT.get(name, name)}"
        size = f"{number(len(table), 0)} {'row' if len(table) == 1 else 'rows'}"
        rows.append(f"<li>{_link(f'{name}.csv', CSV, csv_bytes(table), words)} ({size})</li>")
    return f'<ul class="downloads screen">{"".join(rows)}</ul>'


def _link(name: str, kind: str, data: bytes, words: str) -> str:
    content = base64.b64encode(data).decode()
    return f'<a download="{escape(name)}" href="data:{kind};base64,{content}">{escape(words)}</a>'
