"""Adjusted means and contrasts with the other factors weighted as observed.

emmeans' values (``weights = "proportional"``) stand in ``tests/reference/inference.json``, made
with its versions by ``make_inference.R`` beside it.
"""

from __future__ import annotations

import json
import sys
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trialkit.errors import ModelError
from trialkit.mixed import MixedFit, fit_mixed

REFERENCE = Path(__file__).parents[1] / "reference"
sys.path.insert(0, str(REFERENCE))
from cases import DATA  # noqa: E402

with open(REFERENCE / "inference.json") as stream:
    EMMEANS: dict[str, Any] = json.load(stream)["proportional"]

MODELS = {
    "oats_gaps": ("yield", "Variety * nitrogen", ["Block", "Variety"]),
    "dietox": ("Weight", "Cu * Evit + Time", ["Litter", "Pig"]),
}
# Both optimisers stop at a flat likelihood, see test_references.py.
ESTIMATE = 1e-5  # of a standard error
SE = 1e-5
DF = 1e-4  # relative


@cache
def fitted(name: str) -> MixedFit:
    response, fixed, nested = MODELS[name]
    return fit_mixed(DATA[name](), response, fixed, nested=nested)


@pytest.mark.parametrize(
    ("name", "by"), [(name, by) for name, factors in EMMEANS.items() for by in factors]
)
def test_as_emmeans(name: str, by: str) -> None:
    expected = EMMEANS[name][by]
    means = fitted(name).adjusted_means(by, weights="observed").set_index(by)
    for row in expected["means"]:
        ours = means.loc[row["level"]]
        assert abs(ours["estimate"] - row["estimate"]) <= ESTIMATE * row["se"]
        np.testing.assert_allclose(ours["se"], row["se"], rtol=SE)
        np.testing.assert_allclose(ours["df"], row["df"], rtol=DF)
    table = fitted(name).contrasts(by, weights="observed").set_index(["level", "reference"])
    assert len(table) == len(expected["pairs"])
    for row in expected["pairs"]:
        # Levels that look like numbers carry the factor's name there.
        sides = row["contrast"].split(" - ")
        pair = tuple(s if s in means.index else s.removeprefix(by) for s in sides)
        ours = table.loc[pair]
        se = row["estimate"] / row["t"]
        assert abs(ours["estimate"] - row["estimate"]) <= ESTIMATE * se
        np.testing.assert_allclose([ours["se"], ours["df"]], [se, row["df"]], rtol=DF)


def test_weights_follow_the_rows_with_held_factors_and_skip_empty_cells() -> None:
    """Means of the cells, weighted by hand; the cell (a2, c3) has no rows with b1 and no mean."""
    rng = np.random.default_rng(5)
    frame = pd.DataFrame(
        {"a": rng.choice(["a1", "a2"], 90), "b": rng.choice(["b1", "b2"], 90, p=[0.3, 0.7]),
         "c": rng.choice(["c1", "c2", "c3"], 90, p=[0.6, 0.3, 0.1]), "t": rng.normal(size=90)}
    )  # fmt: skip
    frame = frame[(frame["c"] != "c3") | (frame["b"] != "b1")].reset_index(drop=True)
    frame["y"] = rng.normal(size=len(frame)) + (frame["a"] == "a1") * (frame["c"] == "c2")
    fit = fit_mixed(frame, "y", "b * c + a * c + t")
    at = {"b": "b1", "t": 0.5}
    cells = fit.adjusted_means(["a", "c"], at=at).set_index(["a", "c"])["estimate"]
    assert cells.unstack().isna().to_numpy().tolist() == [[False, False, True]] * 2
    count = frame.loc[frame["b"] == "b1", "c"].value_counts()
    ours = fit.adjusted_means("a", at=at, weights="observed").set_index("a")["estimate"]
    for a in ("a1", "a2"):
        by_hand = sum(cells[a, c] * n for c, n in count.items()) / count.sum()
        np.testing.assert_allclose(ours[a], by_hand, rtol=1e-12)
    difference = fit.contrasts("a", at=at, weights="observed")["estimate"].item()
    np.testing.assert_allclose(difference, ours["a2"] - ours["a1"], rtol=1e-12)
    # Balanced, the empty cell spoils both means.
    with pytest.raises(ModelError, match=r'no adjusted mean of a .*weights="observed"'):
        fit.adjusted_means("a", at=at)
    # Observed by c alone: the counts of b and a together, whatever a and b have in common.
    whole = fit.adjusted_means(["c", "a", "b"]).set_index(["c", "a", "b"])["estimate"]
    share = frame.groupby(["a", "b"]).size() / len(frame)
    c1 = fit.adjusted_means("c", weights="observed").set_index("c")["estimate"]["c1"]
    np.testing.assert_allclose(c1, (whole["c1"] * share).sum(), rtol=1e-12)


def test_unknown_weights_are_named() -> None:
    with pytest.raises(ModelError, match=r"weights 'cells'.*balanced.*observed"):
        fitted("oats_gaps").adjusted_means("Variety", weights="cells")
