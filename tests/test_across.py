"""One model over many trials, held against lme4 and pbkrtest (``make_across.R``)."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.many.across import across_trials

REFERENCE = json.loads(
    (Path(__file__).parent / "reference" / "across.json").read_text(encoding="utf-8")
)


@pytest.fixture(scope="module")
def rows() -> pd.DataFrame:
    """Yields of sixteen trials, as the model takes them."""
    table = pd.DataFrame(REFERENCE["rows"])
    for unit in ("trial", "field", "pair", "hybrid"):
        table[unit] = table[unit].astype(str)
    return table.assign(place=table["field"], grower=None, season=2025, speed_measured=np.nan,
                        strip=[str(i) for i in range(len(table))])  # fmt: skip


@pytest.fixture(scope="module")
def found(rows):
    return across_trials(rows, SPECIFICATIONS["yield"], {"setup": ("old", "new")}, 0.95,
                         lambda text: None)  # fmt: skip


def test_the_mean_effect_and_its_spread_are_lme4s(found) -> None:
    row, known = found.effects.iloc[0], REFERENCE["effect"]
    for name in ("estimate", "se", "sd_trial", "sd_field"):
        # kg/ha; the spread between trials is at its bound, where lme4 stops a little short of it.
        assert row[name] == pytest.approx(known[name], rel=1e-4, abs=1e-3), name
    # pbkrtest's degrees of freedom, at lme4's own optimum.
    assert row["df"] == pytest.approx(known["df"], rel=1e-3)


def test_what_moisture_and_hybrid_explain_is_theirs(found) -> None:
    table = found.explained.set_index(["variable", "part"])
    row, known = table.loc[("moisture", "mean")], REFERENCE["moisture"]
    for name in ("slope", "statistic", "den_df", "p"):
        assert row[name] == pytest.approx(known[name], rel=2e-3), name
    statistic = table.loc[("hybrid", "mean"), "statistic"]
    assert statistic == pytest.approx(REFERENCE["hybrid"]["statistic"], abs=1e-3)


def test_many_hybrids_by_the_working_response(rows, found, monkeypatch) -> None:
    monkeypatch.setattr("trialkit.many.explained.MANY", 0)
    again = across_trials(rows, SPECIFICATIONS["yield"], {"setup": ("old", "new")}, 0.95,
                          lambda text: None)  # fmt: skip
    tables = [f.explained.query("variable == 'hybrid'") for f in (found, again)]
    # The spread within fields stands at its first estimate, which costs little of the likelihood.
    engine, ours = (t["statistic"].to_numpy() for t in tables)
    np.testing.assert_allclose(ours, engine, atol=0.02 * (1 + engine.max()))
    assert (ours <= engine + 1e-3).all()
    for name in ("sd_before", "sd_after"):
        first, second = (t[name].to_numpy() for t in tables)
        np.testing.assert_allclose(second, first, rtol=0.05, atol=5.0)  # kg/ha
    assert any("working response" in note for note in again.notes)
