"""The exported statements in R, on the exported rows, come to this program's fits.

An ordinary run compares with what R gave, ``refit.json`` (versions inside; how it is made stands in
``make_refit.R``). Where R and its packages are, the script runs too, on an export made here.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from trialkit.analysis.model_rows import AHEAD, StatedModel, stated_models
from trialkit.mixed.fitted import by_maximum_likelihood
from trialkit.mixed.inference import inference_by

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))
from refit_cases import CASES, analysed, write  # noqa: E402

# R's optimisers stop where a step gains less than 1e-10 of the log-likelihood (nlminb of glmmTMB)
# or where the parameters move by less than 1e-6 (bobyqa of lmer). A log-likelihood of hundreds then
# stands to 1e-7 and, since it falls by half the square of a step in standard errors, an estimate to
# the root of 2e-7 of its own. Where they differ by more than rounding, ours is the higher one.
LOGLIK = 1e-6
ESTIMATE = 5e-4  # of the standard error
SE = 5e-4  # relative
SD = 1e-3  # relative
PACKAGES = ("lme4", "glmmTMB", "pbkrtest", "jsonlite")

FROZEN: dict[str, Any] = json.loads((HERE / "refit.json").read_text("utf-8"))["trials"]


def as_in_r(term: str) -> str:
    """R's name of a coefficient."""
    return "(Intercept)" if term == "Intercept" else term.replace("[T.", "").replace("]", "")


def compare(model: StatedModel, r: dict[str, Any]) -> None:
    """Rows, log-likelihood, estimates, standard deviations and standard errors of one model."""
    fit = model.fit
    assert r["rows"] == len(model.rows), "the demo trials changed: make refit.json anew"
    assert fit.loglik == pytest.approx(r["loglik"], abs=LOGLIK)
    names = list(map(as_in_r, fit.fixed_effects.index))
    place = [names.index(name) for name in r["estimate"]]
    assert sorted(place) == list(range(len(names)))

    def off(ours: Any, theirs: Any, scale: Any) -> float:
        ours, theirs = np.asarray(ours)[place], np.atleast_1d(theirs)
        return float(np.max(np.abs(ours - theirs) / scale))

    se = np.atleast_1d(r["se"])
    assert off(fit.fixed_effects, list(r["estimate"].values()), se) < ESTIMATE
    # Given the variances.
    given = np.sqrt(np.diag(inference_by(fit, "asymptotic").adjusted))
    assert off(given, r["given"], se) < SE
    if "adjusted" in r:
        assert off(fit.coefficients["se"], r["adjusted"], se) < SE
    own = dict(r["sd"])
    seen: dict[str, int] = {}
    for term in model.random:
        n = seen[term.unit] = seen.get(term.unit, -1) + 1
        theirs = own.pop(f"{term.unit}.{n}" if n else term.unit)
        if term.variance > 0:
            assert np.sqrt(term.variance) == pytest.approx(theirs, rel=SD)
    assert not own
    if "ml" in r:
        ml = by_maximum_likelihood(fit)
        assert model.loglik_ml == pytest.approx(r["ml"]["loglik"], abs=LOGLIK)
        theirs = np.atleast_1d(r["ml"]["se"])
        assert off(ml.fixed_effects, r["ml"]["estimate"], theirs) < ESTIMATE
        ours = np.sqrt(np.diag(inference_by(ml, "asymptotic").adjusted))
        assert off(ours, theirs, theirs) < SE


def compare_trial(trial: str, found: dict[str, Any]) -> None:
    """Every model of a trial, and what is taken off after the fit."""
    analysis = analysed(trial)
    models = [m for r in analysis.responses.values() for m in stated_models(r, analysis.used)]
    assert analysis.primary == "header_loss"
    assert [f"{m.response}, {m.part}" for m in models] == list(found)
    for model in models:
        r = found[f"{model.response}, {model.part}"]
        compare(model, r)
        assert ("before" in r) == (model.part == AHEAD)
        if model.part == AHEAD:
            # The estimate's error on the log scale, as above.
            assert model.taken_off == pytest.approx(r["before"], rel=ESTIMATE)


@pytest.mark.parametrize("trial", CASES)
def test_fits_are_those_that_r_gave(trial: str) -> None:
    compare_trial(trial, FROZEN[trial])


def lacking() -> str:
    """What is missing to run R, or nothing."""
    if shutil.which("Rscript") is None:
        return "no Rscript here"
    asked = ", ".join(f'"{name}"' for name in PACKAGES)
    code = f"cat(setdiff(c({asked}), rownames(installed.packages())))"
    ran = subprocess.run(["Rscript", "-e", code], capture_output=True, text=True)
    return f"R lacks {ran.stdout or ran.stderr}" if ran.stdout or ran.returncode else ""


def test_the_exported_script_runs_and_gives_the_same(tmp_path: Path) -> None:
    if missing := lacking():
        pytest.skip(missing)
    write(tmp_path / "data")
    made = tmp_path / "refit.json"
    ran = subprocess.run(
        ["Rscript", str(HERE / "make_refit.R"), str(tmp_path / "data"), str(made)],
        capture_output=True, text=True,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    found = json.loads(made.read_text("utf-8"))["trials"]
    for trial in CASES:
        compare_trial(trial, found[trial])
