"""Published figure against ours: the table every worked example ends in."""

from __future__ import annotations

from typing import NamedTuple

import pandas as pd
from IPython.display import HTML, display


class Row(NamedTuple):
    """One figure.

    ``published`` is the figure as printed, so that its decimals give the rounding. ``slack`` widens
    the comparison beyond rounding, and then ``reason`` must say why.
    """

    quantity: str
    published: str
    ours: float
    source: str
    slack: float = 0.0
    reason: str = ""


def half_unit(printed: str) -> float:
    """Half a unit in the last printed place: "20.93" gives 0.005, "2.46e-12" 0.005e-12."""
    mantissa, _, exponent = printed.lower().replace(",", "").partition("e")
    decimals = len(mantissa.partition(".")[2])
    return 0.5 * 10.0 ** (int(exponent or 0) - decimals)


def compare(*rows: Row) -> None:
    """Show the table, then fail if any of our figures does not round to the published one."""
    shown, wrong = [], []
    for row in rows:
        if row.slack and not row.reason:
            raise ValueError(f"{row.quantity}: slack needs a reason")
        rounding = half_unit(row.published)
        gap = abs(row.ours - float(row.published.replace(",", "")))
        # A trailing 5 may round either way, and a figure may be halfway but for the last bits.
        rounds = gap <= rounding * (1 + 1e-6) + 1e-12 * abs(row.ours)
        if rounds:
            verdict = "agrees"
        elif gap <= row.slack:
            verdict = f"off by {gap:.2g}: {row.reason}"
        else:
            verdict = "DIFFERS"
            wrong.append(row.quantity)
        shown.append((row.quantity, row.published, f"{row.ours:.7g}", row.source, verdict))
    table = pd.DataFrame(shown, columns=["quantity", "published", "ours", "source", "verdict"])
    with pd.option_context("display.max_colwidth", None):
        display(HTML(table.to_html(index=False, justify="left", border=0)))
    assert not wrong, f"off by more than the published rounding: {', '.join(wrong)}"
