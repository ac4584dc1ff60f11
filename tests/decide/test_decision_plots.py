"""Figures of the decisions: data in, marks out."""

from __future__ import annotations

import warnings
from dataclasses import replace
from xml.etree import ElementTree

import matplotlib as mpl
import matplotlib.colors as colors
import numpy as np
import pytest

from trialkit import plots
from trialkit.decide import Budget, LossCurve, best_speed, sensitivity
from trialkit.plots.sensitivity import HIGH, LOW

ACRE = 0.40468564224
# 1 bu/ac at 4.00 on 600 ac, 894.18 a year.
BASE = Budget(62.76779, 157.473044, 600 * ACRE, 6000, 10, 0.08)
RANGES = {
    "interest": (0.02, 0.12),
    "saved": (-20.0, 150.0),
    "price": (120.0, 200.0),
    "time_cost": (-1.0, 3.0),
}


@pytest.fixture(scope="module")
def choice():
    curve = LossCurve.through([4, 6, 8, 10], [60, 70, 110, 190], [8, 8, 10, 20], df=20)
    money = {"price_per_t": 157.0, "cost_per_hour": 60, "width": 6.1, "efficiency": 0.7}
    return best_speed(curve, **money, within=1.0, n=1000)


@pytest.mark.parametrize("system", ["US", "SI"])
def test_bars_run_from_the_base_to_each_end_widest_first(system):
    result = sensitivity(BASE, RANGES, currency="EUR", system=system)
    figure = plots.sensitivity_bars(result)
    ax = figure.axes[0]
    rows = {}
    for bar in ax.patches:
        rows.setdefault(round(bar.get_y() + bar.get_height() / 2), {})[bar.get_gid()] = bar
    assert sorted(rows) == list(range(len(RANGES)))
    for y, row in enumerate(result.table.itertuples()):
        for word in ("low", "high"):
            bar = rows[y][word]
            assert bar.get_x() == pytest.approx(result.net)
            assert bar.get_x() + bar.get_width() == pytest.approx(getattr(row, f"net_{word}"))
    spans = [abs(r["low"].get_width() - r["high"].get_width()) for _, r in sorted(rows.items())]
    assert spans == sorted(spans, reverse=True) and ax.yaxis_inverted()
    marks = {c.get_gid(): [s[0, 0] for s in c.get_segments()] for c in ax.collections}
    assert marks["zero"] == [0.0] * len(RANGES)
    assert marks["base"] == pytest.approx([result.net] * len(RANGES))
    unit = "bu/ac" if system == "US" else "kg/ha"
    assert (
        unit in figure.alt_text and "EUR" in figure.alt_text and "\N{MINUS SIGN}" in figure.alt_text
    )
    assert result.sentences[0] == figure.summary


@pytest.mark.parametrize("system", ["US", "SI"])
def test_speed_figure_draws_the_table(choice, system):
    figure = plots.cost_by_speed(replace(choice, system=system))
    ax = figure.axes[0]
    size, mph = (ACRE, 1 / 1.609344) if system == "US" else (1.0, 1.0)
    drawn = {line.get_gid(): line for line in ax.lines}
    for column in ("total", "loss_cost", "time_cost"):
        assert drawn[column].get_ydata() == pytest.approx(choice.table[column].to_numpy() * size)
        assert drawn[column].get_xdata() == pytest.approx(choice.table["speed"].to_numpy() * mph)
    assert len({drawn[c].get_linestyle() for c in ("total", "loss_cost")}) == 2
    assert drawn["best"].get_xdata()[0] == pytest.approx(choice.best * mph)
    (flat,) = [p for p in ax.patches if p.get_gid() == "flat"]
    assert flat.get_x() == pytest.approx(choice.flat_low * mph)
    assert flat.get_x() + flat.get_width() == pytest.approx(choice.flat_high * mph)
    assert ("mph" if system == "US" else "km/h") in figure.alt_text


def test_figures_leave_no_trace_and_read_in_greyscale(choice):
    settings = dict(mpl.rcParams)

    def draw():
        return [
            plots.sensitivity_bars(sensitivity(BASE, RANGES, currency="$<b>")),
            plots.cost_by_speed(choice),
        ]

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        svgs = [figure.svg() for figure in draw()]
        assert svgs == [figure.svg() for figure in draw()]
    assert dict(mpl.rcParams) == settings
    for svg in svgs:
        ElementTree.fromstring(svg)
    assert "$<b>" in " ".join("".join(ElementTree.fromstring(svgs[0]).itertext()).split())
    grey = [float(np.dot(colors.to_rgb(c), (0.2126, 0.7152, 0.0722))) for c in (HIGH, LOW)]
    assert np.diff(grey).min() > 0.2
