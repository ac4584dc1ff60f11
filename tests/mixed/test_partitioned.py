"""One model over partitions: as in one process, whatever their number, whoever works on them.

The reference throughout is the fit of the same rows as one frame, by code that other tests hold
against published values and other software.
"""

from __future__ import annotations

import os
import pickle
import signal
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trialkit.errors import ClusterError, ModelError
from trialkit.mixed import MixedFit, fit_mixed

# Relative: fits of the same rows differ by where the searches stop, and by the order of sums.
SAME = 1e-8


def trials() -> pd.DataFrame:
    """30 fields of four pairs of strips, five frames each, drawn with a fixed seed."""
    rng = np.random.default_rng(3)
    frame = pd.DataFrame(
        [(f"f{f}", pair, strip, setup) for f in range(30) for pair in range(4)
         for strip, setup in enumerate(("plain", "cushion")) for _ in range(5)],
        columns=["field", "pair", "strip", "setup"],
    )  # fmt: skip
    n = len(frame)

    def drawn(by: list[str], sd: float) -> np.ndarray:
        unit = frame.groupby(by).ngroup().to_numpy()
        return rng.normal(0.0, sd, unit.max() + 1)[unit]

    frame["speed"], frame["area"] = rng.normal(5.0, 1.0, n), rng.uniform(0.5, 2.0, n)
    slope = drawn(["field"], 0.3) - 0.4
    eta = 1.0 + drawn(["field"], 0.5) + drawn(["field", "pair"], 0.4)
    eta += drawn(["field", "pair", "strip"], 0.3) + 0.1 * (frame["speed"] - 5.0)
    eta += slope * (frame["setup"] == "cushion")
    mean = np.exp(eta) * frame["area"]
    frame["mass"] = eta + rng.normal(0.0, 0.5, n)
    frame["kernels"] = rng.poisson(mean)
    frame["clumped"] = rng.poisson(mean * rng.gamma(4, 0.25, n))
    frame["ears"] = rng.integers(3, 12, n)
    frame["broken"] = rng.binomial(frame["ears"], 1.0 / (1.0 + np.exp(-eta)))
    frame.loc[[4, 900], "speed"] = np.nan
    return frame


FRAME = trials()
NESTED = ["field", "pair", "strip"]
CASES: dict[str, dict[str, Any]] = {
    "gaussian": {"response": "mass", "fixed": "setup * speed", "nested": NESTED,
                 "slopes": {"field": ["setup"]}},
    "gaussian by ml": {"response": "mass", "fixed": "setup + np.log(area)", "nested": NESTED,
                       "method": "ml"},
    "poisson": {"response": "kernels", "fixed": "setup + speed", "nested": NESTED,
                "family": "poisson", "exposure": "area"},
    "poisson by ml": {"response": "kernels", "fixed": "setup", "nested": ["field", "strip"],
                      "family": "poisson", "exposure": "area", "method": "ml"},
    "negative binomial": {"response": "clumped", "fixed": "setup + speed",
                          "nested": ["field", "pair"], "family": "negative_binomial",
                          "exposure": "area"},
    "binomial": {"response": "broken", "fixed": "setup * speed", "nested": NESTED,
                 "family": "binomial", "trials": "ears"},
}  # fmt: skip


def parted(frame: pd.DataFrame, many: int) -> list[pd.DataFrame]:
    """Whole fields, dealt out in turn."""
    own = pd.factorize(frame["field"])[0] % many
    return [frame[own == j] for j in range(many)]


def assert_same(one: MixedFit, other: MixedFit, within: float = SAME) -> None:
    np.testing.assert_allclose(other.loglik, one.loglik, rtol=within)
    # Of a coefficient as a part of its standard error, where it may be nearly zero.
    moved = other.coefficients["estimate"] - one.coefficients["estimate"]
    assert (moved.abs() <= within * one.coefficients["se"]).all()
    columns = ["se", "df"]
    np.testing.assert_allclose(
        other.coefficients[columns], one.coefficients[columns], rtol=within
    )
    pd.testing.assert_frame_equal(other.variances, one.variances, rtol=within, atol=0.0)
    np.testing.assert_allclose(other.dispersion, one.dispersion, rtol=within)


@pytest.mark.parametrize("name", CASES)
def test_as_in_one_process_whatever_the_number_of_partitions(name: str) -> None:
    whole = fit_mixed(FRAME, **CASES[name])
    for many in (1, 2, 5):
        fit = fit_mixed(parted(FRAME, many), **CASES[name])
        assert_same(whole, fit)
        assert fit.n_rows == whole.n_rows and fit.notes == whole.notes
    back = pickle.loads(pickle.dumps(fit))
    assert type(back) is type(fit)
    for ours, theirs in (
        (back.adjusted_means("setup"), whole.adjusted_means("setup")),
        (back.contrasts("setup"), whole.contrasts("setup")),
        (back.term_tests(), whole.term_tests()),
    ):
        pd.testing.assert_frame_equal(ours, theirs, rtol=1e-6)
    new = FRAME.iloc[[0, 7]]
    np.testing.assert_allclose(back.predict(new), whole.predict(new), rtol=1e-8)
    assert whole.model.levels_text in repr(fit)


@pytest.mark.parametrize("name", ["gaussian", "poisson"])
def test_few_rows_are_searched_for_other_optima_alike(name: str) -> None:
    few = FRAME[FRAME["field"].isin(["f0", "f3", "f5", "f8"])]
    case = CASES[name] | {"slopes": {}, "nested": ["field", "pair", "strip"]}
    whole, fit = fit_mixed(few, **case), fit_mixed(parted(few, 3), **case)
    assert len(fit.searches) == len(whole.searches) and fit.notes == whole.notes
    np.testing.assert_allclose(fit.loglik, whole.loglik, rtol=SAME)
    np.testing.assert_array_equal(fit.found.zero, whole.found.zero)


def test_weights_and_variances_at_zero() -> None:
    rng = np.random.default_rng(8)
    frame = FRAME.dropna().assign(
        mass=lambda f: rng.normal(0.0, 1.0, len(f)), precision=lambda f: f["area"]
    )
    case = {"response": "mass", "fixed": "setup", "nested": NESTED, "weights": "precision"}
    whole, fit = fit_mixed(frame, **case), fit_mixed(parted(frame, 4), **case)
    assert whole.singular and fit.singular
    assert_same(whole, fit, 1e-7)
    for method in ("kenward-roger-nonzero", "asymptotic"):
        pd.testing.assert_frame_equal(
            fit.term_tests(method), whole.term_tests(method), rtol=1e-6
        )


def test_parquet_files_functions_and_a_season_in_the_name_of_a_folder(tmp_path: Path) -> None:
    season = 2030 + (pd.factorize(FRAME["field"])[0] % 3)
    frame = FRAME.assign(season=season)
    for (own, half), rows in frame.groupby([season, pd.factorize(frame["field"])[0] % 2]):
        folder = tmp_path / f"season={own}"
        folder.mkdir(exist_ok=True)
        rows.drop(columns="season").to_parquet(folder / f"{half}.parquet")
    case = CASES["gaussian"] | {"fixed": "setup + season"}
    whole = fit_mixed(frame, **case)
    assert_same(whole, fit_mixed(tmp_path, **case))
    assert_same(whole, fit_mixed([lambda part=p: part for p in parted(frame, 3)], **case))


def test_folders_are_named_as_other_programs_name_them(tmp_path: Path) -> None:
    """By pyarrow: signs as %2F, a name of its own for what is missing."""
    growers = pd.Series(["North Farm", "South/Farm", "12", None], dtype=object)
    own = growers[pd.factorize(FRAME["field"])[0] % 4].to_numpy()
    frame = FRAME.assign(grower=own)
    frame.to_parquet(tmp_path, partition_cols=["grower"])
    frame.to_parquet(tmp_path / ".being_written.parquet")
    case = CASES["gaussian"] | {"fixed": "setup + grower"}
    whole, fit = fit_mixed(frame, **case), fit_mixed(tmp_path, **case)
    assert_same(whole, fit)
    assert list(fit.coefficients.index) == list(whole.coefficients.index)
    assert fit.n_rows == whole.n_rows and fit.notes == whole.notes


def test_rows_that_change_while_they_are_read_are_refused() -> None:
    """Fewer, or as many with another response; but not those in another order."""
    one, two = parted(FRAME, 2)
    for then in (one.iloc[:-9], one.assign(mass=one["mass"] + 0.1), one.iloc[::-1]):
        for late in (1, 2):  # passes
            given = iter([one] * late + [then] * 9)
            parts = [lambda given=given: next(given), two]
            if then is not one and len(then) == len(one) and set(then["mass"]) == set(one["mass"]):
                assert fit_mixed(parts, **CASES["gaussian"]).n_rows == len(FRAME.dropna())
                continue
            with pytest.raises(ModelError, match="partition 1 gave other rows than at first"):
                fit_mixed(parts, **CASES["gaussian"])


def test_levels_are_those_of_all_partitions() -> None:
    """A level that one partition never meets, declared orders, and text against categories."""
    own = FRAME["field"].isin([f"f{j}" for j in range(10)])
    frame = FRAME.assign(setup=FRAME["setup"].where(own | (FRAME["pair"] > 1), "bare"))
    declared = pd.CategoricalDtype(["plain", "bare", "cushion"])
    for each in (frame, frame.astype({"setup": declared})):
        parts = [each[own], each[~own]]
        case = {"response": "mass", "fixed": "setup + C(setup):speed", "nested": "field"}
        whole = fit_mixed(each, **case)
        assert_same(whole, fit_mixed(parts, **case))
        case = {"response": "mass", "fixed": "setup", "nested": "field",
                "slopes": {"field": "setup"}, "covariance": {"field": "exchangeable"}}  # fmt: skip
        whole = fit_mixed(each, **case)
        assert_same(whole, fit_mixed(parts, **case))


REFUSED: list[tuple[dict[str, Any], Any, str]] = [
    ({}, lambda: [FRAME, FRAME[FRAME["field"] == "f7"]],
     "'field' 'f7' is in partition 1 and in partition 2"),
    ({"crossed": "setup"}, lambda: parted(FRAME, 2), "cut across the partitions"),
    ({"fixed": "center(speed)"}, lambda: parted(FRAME, 2), "depends on all rows together"),
    ({"fixed": "C(pair)"}, lambda: parted(FRAME, 2), "depends on all rows together"),
    ({"fixed": "field", "nested": "field"}, lambda: parted(FRAME, 2), "already has an effect"),
    ({"fixed": "pressure"}, lambda: parted(FRAME, 2), r"partition 1: columns \['pressure'\]"),
    ({}, lambda: [], "no partitions"),
    ({}, lambda: [3], "partition 1 is a int"),
    ({}, lambda: [lambda: 3], "gives a int, not a DataFrame"),
    ({}, lambda: "nowhere", "no Parquet file"),
    ({"client": 3}, lambda: FRAME, "works on partitions"),
    ({"response": "setup"}, lambda: parted(FRAME, 2), "is not numeric"),
]  # fmt: skip


@pytest.mark.parametrize(("more", "given", "says"), REFUSED)
def test_what_cannot_be_is_refused_in_a_sentence(more: Any, given: Any, says: str) -> None:
    with pytest.raises(ModelError, match=says):
        fit_mixed(given(), **CASES["gaussian"] | {"slopes": {}} | more)


def test_a_response_that_the_fixed_part_tells_is_refused_as_in_one_process() -> None:
    cases: list[tuple[pd.DataFrame, dict[str, Any]]] = [
        (FRAME.assign(mass=FRAME["setup"] == "plain"), CASES["gaussian"]),
        (FRAME.assign(mass=FRAME.groupby(NESTED).ngroup() * 1.0), CASES["gaussian"]),
        (FRAME.assign(kernels=FRAME["kernels"] * (FRAME["setup"] == "plain")), CASES["poisson"]),
        (FRAME.assign(kernels=FRAME["kernels"] * (FRAME["speed"] > 6.0)),
         CASES["poisson"] | {"fixed": "I(speed < 6.0)"}),
        (FRAME.assign(broken=0), CASES["binomial"]),
        (FRAME.assign(broken=FRAME["ears"] * (FRAME["field"] == "f1")),
         CASES["binomial"] | {"family": "beta_binomial"}),
    ]  # fmt: skip
    for frame, case in cases:
        with pytest.raises(ModelError) as whole:
            fit_mixed(frame, **case)
        with pytest.raises(ModelError) as parts:
            fit_mixed(parted(frame, 3), **case)
        assert str(parts.value) == str(whole.value)


def test_questions_to_rows_are_refused_in_a_sentence() -> None:
    fit = fit_mixed(parted(FRAME, 2), **CASES["poisson"])
    for ask in (
        lambda: fit.unit_effects("field"), fit.predict, lambda: fit.simulate(1, 1), lambda: fit.aic,
        lambda: fit.bootstrap(2, seed=1), lambda: fit.term_tests("satterthwaite"),
        lambda: fit.rows, fit.variance_intervals, lambda: fit.compare(fit),
    ):  # fmt: skip
        with pytest.raises(ModelError, match=r"rows|method=\"ml\""):
            ask()
    halves = FRAME.assign(half=np.where(FRAME["pair"] > 1, "far", "near"))
    two = fit_mixed(parted(halves, 2), "mass", "setup + half", "field")
    assert len(two.adjusted_means("setup")) == 2
    with pytest.raises(ModelError, match="keeps no rows"):
        two.adjusted_means("setup", weights="observed")


# ---------------------------------------------------------------------- on a cluster
def test_a_cluster_is_named_as_elsewhere(
    client: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By its address, also of files whose paths hang on the folder one is in."""
    for j, part in enumerate(parted(FRAME, 2)):
        part.to_parquet(tmp_path / f"{j}.parquet")
    monkeypatch.chdir(tmp_path)
    case = {"response": "mass", "fixed": "setup", "nested": "field", "method": "ml"}
    fit = fit_mixed(["0.parquet", "1.parquet"], client=client.scheduler.address, **case)
    assert_same(fit_mixed(FRAME, **case), fit)
    with pytest.raises(ClusterError, match="client is int; give None, 'local'"):
        fit_mixed(["0.parquet"], client=3, **case)


@pytest.mark.parametrize(
    "name", [pytest.param("gaussian by ml", marks=pytest.mark.slow), "poisson"]
)
def test_a_worker_killed_during_the_search_changes_nothing(
    client: Any, tmp_path: Path, name: str
) -> None:
    parts = parted(FRAME, 3)
    alone = fit_mixed(parts, **CASES[name])
    asked: list[str] = []
    plain = client.submit

    def submit(work: Any, *args: Any, **kwargs: Any) -> Any:
        """Kill the worker that holds the first partition after some evaluations."""
        future = plain(work, *args, **kwargs)
        if work.__name__ == "_answer":
            asked.append(args[1])
            if len(asked) == 40:
                holds = client.who_has([args[0]])
                ((address, *_),) = holds.values()
                pid = client.run(os.getpid, workers=[address])[address]
                os.kill(pid, signal.SIGKILL)
        return future

    client.submit = submit
    try:
        fit = fit_mixed(parts, client=client, **CASES[name])
    finally:
        del client.submit
    assert len(asked) > 50
    assert_same(alone, fit, 1e-12 if "gaussian" in name else SAME)
