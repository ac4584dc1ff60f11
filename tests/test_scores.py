"""Scores by their order: from a trial to odds ratios, shares and a picture."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from frozen_trials import frozen_dir
from matplotlib.colors import to_rgb

import trialkit as tk
from trialkit import plots
from trialkit.analysis.questions.ordinal import ordinal_model
from trialkit.errors import DesignError
from trialkit.trial import Trial

PAIR, STRIP, PER = 0.7, 0.5, 5
THRESHOLDS = np.array([-1.5, 0.0, 1.2, 2.6])


def drawn(name: str, seed: int, shift: float, factor: str, level: str, per: int = PER) -> Trial:
    """A demo trial whose scores come from the proportional odds model itself."""
    trial = tk.load_trial(frozen_dir(name))
    rng = np.random.default_rng(seed)
    strips = trial.strips
    block = strips["field"].astype(str) + strips["pair"].astype(str)
    codes, kinds = pd.factorize(block)
    eta = PAIR * rng.standard_normal(len(kinds))[codes] + STRIP * rng.standard_normal(len(strips))
    eta += shift * (strips[factor] == level)
    latent = np.repeat(eta, per) + rng.logistic(size=len(eta) * per)
    residue = pd.DataFrame({
        "strip": np.repeat(strips["strip"], per),
        "sample": [str(i + 1) for i in range(per)] * len(eta),
        "score": (latent.to_numpy()[:, None] > THRESHOLDS).sum(axis=1).astype(float),
    })  # fmt: skip
    return Trial.from_tables(trial.config, {**trial.tables, "residue": residue})


def model(trial: Trial):
    return ordinal_model(tk.analyse(trial, responses=["residue_score"]))


@pytest.fixture(scope="module")
def pairs():
    return model(drawn("cushion_pairs", 3, -1.0, "cushion", "cushion"))


def test_truth_is_recovered() -> None:
    rows = [model(drawn("cushion_pairs", seed, -1.0, "cushion", "cushion")).table.iloc[0]
            for seed in range(20)]  # fmt: skip
    logs = np.log([row["odds_ratio"] for row in rows])
    # Maximum likelihood is a few per cent too far out with so few strips; 4 standard errors.
    assert abs(logs.mean() + 1.0) < 4 * logs.std(ddof=1) / np.sqrt(len(logs))
    inside = [row["odds_ratio_low"] < np.exp(-1.0) < row["odds_ratio_high"] for row in rows]
    # With 95 % each, fewer than 16 of 20 has probability 0.003 (computed).
    assert sum(inside) >= 16


def test_tables_are_those_of_the_fit(pairs) -> None:
    row = pairs.table.iloc[0]
    assert (row["level"], row["reference"], row["df"]) == ("cushion", "standard", 5.0)
    assert pairs.fit.model.chain.names == ("strip", "pair")
    assert row["odds_ratio"] == pytest.approx(
        np.exp(pairs.fit.coefficients()["estimate"].iloc[0]), rel=1e-9
    )
    sums = pairs.probabilities.groupby("level")[["probability", "observed"]].sum()
    assert sums.to_numpy() == pytest.approx(np.ones((2, 2)))
    shares = pairs.probabilities.assign(product=lambda t: t["score"] * t["probability"])
    implied = shares.groupby("level")["product"].sum()
    assert pairs.means.set_index("level")["mean"].to_dict() == pytest.approx(implied.to_dict())
    # What the model says of all readings together is close to what was read.
    assert pairs.means["mean"].tolist() == pytest.approx(pairs.means["observed"].tolist(), abs=0.15)
    assert 0 < row["p_rank"] <= 1
    assert f"the odds of a higher score are {row['odds_ratio']:.2g} times as high" in pairs.words[0]
    assert "odds ratio" in pairs.words[1]
    text = " ".join([*pairs.words, *pairs.sentences, pairs.model]).lower()
    assert "signific" not in text
    assert "Odds of a higher score".lower() in pairs._repr_html_().lower()


def test_effects_may_differ_between_fields() -> None:
    found = model(drawn("gap_fields", 5, 0.9, "gap", "wide"))
    assert "setup by field" in found.model
    assert (found.fit.variances["level"] == "field").sum() == 3  # intercept, two contrasts of gap
    wide = found.table.set_index("level").loc["wide"]
    assert wide["odds_ratio_low"] < np.exp(0.9) < wide["odds_ratio_high"]


def test_two_factors_and_their_interaction() -> None:
    trial = drawn("split_strips", 2, -0.8, "cushion", "cushion")
    found = model(trial)
    assert set(found.table["factor"]) == {f.name for f in trial.config.setups}
    for factor, rows in found.probabilities.groupby("factor"):
        sums = rows.groupby("level")["probability"].sum()
        assert sums.tolist() == pytest.approx([1.0] * len(sums)), factor


def test_no_overlap_ends_in_a_sentence_and_the_shares_read() -> None:
    trial = drawn("cushion_pairs", 3, -1.0, "cushion", "cushion")
    soft = trial.strips.loc[trial.strips["cushion"] == "cushion", "strip"]
    residue = trial.residue.assign(
        score=trial.residue["score"].where(~trial.residue["strip"].isin(soft), 0.0)
    )
    found = model(Trial.from_tables(trial.config, {**trial.tables, "residue": residue}))
    assert found.fit is None and found.table.empty
    assert "every 'score' is 0, the lowest, under cushion = cushion" in found.words[0]
    own = found.probabilities.set_index(["level", "score"])["observed"]
    assert own["cushion", 0.0] == 1.0
    figure = plots.score_shares(found)
    assert not [p for p in figure.axes[0].patches if p.get_gid() == "model"]


def test_only_scores_have_odds_of_a_higher_score() -> None:
    analysis = tk.analyse(tk.load_trial(frozen_dir()), responses=["header_loss"])
    with pytest.raises(DesignError, match="Header loss is not a score"):
        ordinal_model(analysis, "header_loss")
    with pytest.raises(
        DesignError, match=r"residue_score was not analysed \(analysed: header_loss"
    ):
        ordinal_model(analysis)


def test_one_reading_a_strip_has_no_strip_effect() -> None:
    found = model(drawn("cushion_pairs", 8, -1.0, "cushion", "cushion", per=1))
    assert found.fit is not None
    assert "strip" not in found.fit.model.chain.names
    assert any("the test of ranks (p_rank) is the one to read" in note for note in found.sentences)


def test_picture_shows_the_shares(pairs) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        figure = plots.score_shares(pairs)
        figure.svg()
    table = pairs.probabilities
    for gid, column in (("read", "observed"), ("model", "probability")):
        bars = [p for p in figure.axes[0].patches if p.get_gid() == gid]
        assert [b.get_width() for b in bars] == pytest.approx(table[column].tolist())
        ends = [b.get_x() + b.get_width() for b in bars][len(bars) // 2 - 1 :: len(bars) // 2]
        assert ends == pytest.approx([1.0, 1.0])
    colours = [to_rgb(p.get_facecolor()) for p in figure.axes[0].patches
               if p.get_gid() == "read"][: table["score"].nunique()]  # fmt: skip
    grey = [np.dot(c, (0.299, 0.587, 0.114)) for c in colours]
    assert (np.diff(grey) < -0.1).all()
    first = table.iloc[0]
    assert f"score {first['score']:g} {100 * first['observed']:.0f} %" in figure.alt_text
    assert "model score 0" in figure.alt_text
    assert figure.summary == pairs.words[0]
    with pytest.raises(DesignError, match="no scores by gap"):
        plots.score_shares(pairs, "gap")


def test_effects_found_to_vary_between_fields_are_judged_against_fields() -> None:
    trial = drawn("gap_fields", 5, 0.9, "gap", "wide")
    # Every second field turned round: what a wide gap does differs between fields.
    fields = sorted(trial.strips["field"].unique())
    turned = trial.strips.loc[trial.strips["field"].isin(fields[::2]), "strip"]
    residue = trial.residue.assign(
        score=lambda t: t["score"].where(~t["strip"].isin(turned), 4.0 - t["score"])
    )
    found = model(Trial.from_tables(trial.config, {**trial.tables, "residue": residue}))
    assert (found.fit.variances.query("level == 'field' and term == 'gap'")["variance"] > 0).all()
    # Fields by setups, less one for the moisture the model adjusts for.
    assert found.table["df"].tolist() == [(len(fields) - 1) * 2.0 - 1] * 2
