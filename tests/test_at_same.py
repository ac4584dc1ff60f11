"""The whole effect of a setup, and the second answer at the same speed: known truth, rules."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from frozen_trials import frozen_dir
from mediated_trial import CONFIG, TOTAL, mediated
from scipy import stats

from trialkit.analysis import analyse
from trialkit.analysis.design import read_design
from trialkit.analysis.questions import at_same
from trialkit.analysis.questions.speed import speed_means
from trialkit.analysis.responses import analyse_response
from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.errors import ModelError
from trialkit.intake.config import ModelConfig
from trialkit.trial import Trial, load_trial
from trialkit.words import said


def header(trial: Trial):
    return analyse_response(SPECIFICATIONS["header_loss"], trial, trial.losses(), 0.95)


def asking(trial: Trial, *names: str) -> Trial:
    model = ModelConfig(adjust_for=names)
    return replace(trial, config=replace(trial.config, model=model))


def test_the_comparison_is_the_whole_effect_and_the_second_answer_what_speed_leaves() -> None:
    results = [header(mediated(seed)) for seed in range(24)]
    assert all(r.formula == "chain" for r in results)
    first = pd.concat([r.contrasts for r in results])
    second = pd.concat([r.at_same.contrasts for r in results if r.at_same is not None])
    assert len(second) >= 16
    for rows, truth in ((first, TOTAL), (second, 1.0)):
        away = np.log(rows["ratio"]) - np.log(truth)
        # Five-sigma bounds on the mean over seeds.
        assert abs(away.mean()) < 5 * away.std(ddof=1) / np.sqrt(len(away))
        # 95 % intervals: at least what a true 95 % would miss once in ten thousand such tests.
        held = rows["ratio_low"].le(truth) & rows["ratio_high"].ge(truth)
        assert held.sum() >= stats.binom.ppf(1e-4, len(rows), 0.95)
    # The median of 24 varies by 2.8 % (their own spread, computed): over three times that.
    assert first["ratio"].median() == pytest.approx(TOTAL, rel=0.1)
    # Adjusted for speed, the total effect would have been missed: this test can tell the two.
    held = second["ratio_low"].le(TOTAL) & second["ratio_high"].ge(TOTAL)
    assert held.sum() < stats.binom.ppf(1e-4, len(second), 0.95)


def test_the_second_answer_is_the_model_with_the_covariate() -> None:
    """Asked for in the settings, the same model comes by the first path, from its own start."""
    trial = load_trial(frozen_dir("gap_fields"))
    result, told = header(trial), header(asking(trial, "speed", "moisture"))
    second = result.at_same
    assert second is result.at_same and second.what == "ground speed"
    assert "not the effect of choosing a setup" in second.words
    assert told.formula == "gap + speed_centred + moisture_centred" and told.at_same is None
    columns = ["ratio", "ratio_low", "ratio_high", "difference", "df", "p_adjusted"]
    assert (second.contrasts[columns] != result.contrasts[columns]).any(axis=None)
    np.testing.assert_allclose(second.contrasts[columns], told.contrasts[columns], rtol=1e-3)
    np.testing.assert_allclose(second.means["estimate"], told.means["estimate"], rtol=1e-4)
    assert "settings ask that comparisons be adjusted for ground speed and grain moisture" in (
        " ".join(said(told.notes))
    )
    assert "not the whole effect of choosing a setup" in told.why
    held = {"p_classical", "df_classical", "classical", "p_classical_adjusted", "primary"}
    assert set(result.contrasts.columns) - set(second.contrasts.columns) <= held


def test_curve_and_speeds_take_speed_in_where_the_comparison_does_not() -> None:
    """The same refits, whether the response's own model holds speed or not."""
    trial = load_trial(frozen_dir("gap_fields"))
    one, other = header(trial), header(asking(trial, "speed", "moisture"))
    curves = [r.effect_along("speed_measured", points=5) for r in (one, other)]
    assert "speed_centred" in curves[0].fit.fixed_effects.index
    columns = ["x", "ratio", "ratio_low_all", "difference_high"]
    np.testing.assert_allclose(*(c.table[columns] for c in curves), rtol=1e-3)
    speeds = [speed_means(r) for r in (one, other)]
    np.testing.assert_allclose(*(s.log_mean for s in speeds), rtol=1e-4)
    np.testing.assert_allclose(*(s.covariance for s in speeds), rtol=1e-3)


def test_a_second_answer_that_cannot_be_fitted_says_so(monkeypatch) -> None:
    def fails(*_args: object, **_columns: object) -> None:
        raise ModelError("no optimum was found")

    result = header(mediated(0))
    monkeypatch.setattr(at_same, "refit", fails)
    assert result.at_same.fit is None and result.at_same.contrasts.empty
    words = "At the same ground speed setups cannot be compared: No optimum was found."
    assert result.at_same.words == words
    assert words in result._repr_html_()


# ---------------------------------------------------------------- what the layout lets in
def strips(days: list[str | None] | None = None) -> pd.DataFrame:
    """Three fields of three pairs: moisture follows the field and strip, speed the strip."""
    table = pd.DataFrame(
        {"strip": [str(i) for i in range(18)], "field": np.repeat(["A", "B", "C"], 6),
         "pair": np.tile(np.repeat(["1", "2", "3"], 2), 3), "chain": ["old", "new"] * 9,
         "main_strip": np.nan, "harvested_at": pd.NaT,
         "moisture": np.repeat([16.0, 20.0, 24.0], 6) + np.resize([0.0, 0.3, 0.1], 18),
         "speed_measured": np.resize([8.0, 7.0, 9.0, 9.5, 7.5], 18)}
    )  # fmt: skip
    dates = ["2026-10-03 09:00"] * 18 if days is None else days
    return table.assign(harvested_at=pd.to_datetime(pd.Series(dates), format="mixed"))


def read(table: pd.DataFrame, *asked: str, given: bool = False):
    config = replace(CONFIG, model=ModelConfig(asked)) if given else CONFIG
    return read_design(config, table, 72)


def test_moisture_is_adjusted_for_where_pairs_were_cut_on_one_day() -> None:
    # Pairs on different days, and strips of a pair at different hours, are one day each.
    days = [f"2026-10-{3 + i // 2:02d} {9 + i % 2}:00" for i in range(18)]
    for design in (read(strips()), read(strips(days))):
        assert design.covariates == ("moisture_centred",)
        assert design.measured_after == ("speed_centred",)
        assert design.strips["moisture_centred"].mean() == pytest.approx(0, abs=1e-12)
    days[3] = "2026-10-05"
    apart = read(strips(days))
    assert apart.covariates == ()
    assert apart.measured_after == ("speed_centred", "moisture_centred")
    assert "In 1 of 9 pairs (blocks) strips were cut on different days" in " ".join(said(apart.why))
    days[3] = None
    unknown = read(strips(days))
    assert (unknown.covariates, unknown.measured_after) == ((), apart.measured_after)
    told = " ".join(said(unknown.why))
    assert "not known of 1 of 18 strips" in told and "taken to have been cut on different" in told
    # A strip alone in its pair was cut on one day, known or not.
    alone = strips(days).drop(index=2)
    assert read(alone).covariates == ("moisture_centred",)


def test_moisture_keeps_its_conditions_and_speed_that_went_with_the_setup_stays_out() -> None:
    two = read(strips().query("field != 'C'"))
    assert two.covariates == () and "on fewer than 3 fields" in " ".join(said(two.notes))
    even = read(strips().assign(moisture=18.0, speed_measured=8.0))
    assert (even.covariates, even.measured_after) == ((), ())
    table = strips()
    tied = read(table.assign(speed_measured=8.0 + 2.0 * table["chain"].eq("new")))
    assert "speed_centred" not in (*tied.covariates, *tied.measured_after)
    assert "Ground speed was set by the setups or went with them" in " ".join(said(tied.notes))


def test_the_settings_override_the_rules() -> None:
    days: list[str | None] = [None] * 18
    none = read(strips(), given=True)
    assert none.covariates == ()
    assert none.measured_after == ("speed_centred", "moisture_centred")
    assert "be adjusted for nothing that was measured." in " ".join(said(none.notes))
    own = read(strips(days), "moisture", given=True)
    assert (own.covariates, own.measured_after) == (("moisture_centred",), ("speed_centred",))
    # What the strips cannot tell is told, whatever is asked for.
    lacking = read(strips().assign(speed_measured=np.nan), "speed", "gap", given=True)
    assert lacking.covariates == ()
    notes = " ".join(said(lacking.notes))
    assert "Ground speed was not recorded, so it is not adjusted for" in notes
    assert "measured on the header is not known by header" in notes
    # Speed that went with the setup is the settings' own risk, and said to be.
    table = strips()
    tied = table.assign(speed_measured=table["speed_measured"] + 4.0 * table["chain"].eq("new"))
    asked = read(tied, "speed", given=True)
    assert asked.covariates == ("speed_centred",)
    assert "not the whole effect of choosing a setup" in " ".join(said(asked.why))


def test_planned_speeds_stay_factors_and_have_no_second_answer() -> None:
    trial = load_trial(frozen_dir("split_strips"))
    result = analyse(trial, responses=["residue_mass"])["residue_mass"]
    assert "speed" in result.design.names and result.at_same is None
