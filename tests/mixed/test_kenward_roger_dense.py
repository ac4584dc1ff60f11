"""Kenward and Roger's formulas written out with full matrices, against ours and pbkrtest's.

For counts and proportions no package gives Kenward-Roger degrees of freedom, so the formulas are
checked against pbkrtest where it has an answer (Gaussian), and then applied to the linearised
working response of the count models, from public results of the fit alone.

M. G. Kenward and J. H. Roger (1997), Small sample inference for fixed effects from restricted
maximum likelihood, Biometrics 53:983-997, whose letters are used.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from formulaic import model_matrix

from trialkit.mixed import fit_mixed

REFERENCE = Path(__file__).parents[1] / "reference"
sys.path.insert(0, str(REFERENCE))
from cases import CASES  # noqa: E402

with open(REFERENCE / "references.json") as stream:
    REFERENCES: dict[str, Any] = json.load(stream)["cases"]

# Both sides invert the same well-conditioned matrices; only the optimum's last digits differ.
RELATIVE = 1e-6


def kenward_roger(
    x: np.ndarray, v: np.ndarray, g: list[np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Adjusted standard errors and df of each coefficient; V linear in parameters with slopes g."""
    inverse = np.linalg.inv(v)
    phi = np.linalg.inv(x.T @ inverse @ x)
    vg = [inverse @ gr for gr in g]
    vgx = [a @ inverse @ x for a in vg]
    p = [-x.T @ a for a in vgx]
    q = [[x.T @ a @ b for b in vgx] for a in vg]
    traces = [[np.sum(a * b.T) for b in vg] for a in vg]
    n = len(g)
    information = np.empty((n, n))
    for r in range(n):
        for s in range(n):
            information[r, s] = 0.5 * (
                traces[r][s] - np.trace(2 * phi @ q[r][s] - phi @ p[r] @ phi @ p[s])
            )
    w = np.linalg.inv(information)
    inner = sum(w[r, s] * (q[r][s] - p[r] @ phi @ p[s]) for r in range(n) for s in range(n))
    adjusted = phi + 2 * phi @ inner @ phi
    df = []
    for j in range(len(phi)):
        # For one coefficient: theta = l l' / (l' phi l); A1 = A2, and m = 2 / A2.
        theta = np.zeros_like(phi)
        theta[j, j] = 1 / phi[j, j]
        slope = [np.trace(theta @ phi @ p[r] @ phi) for r in range(n)]
        df.append(2 / sum(w[r, s] * slope[r] * slope[s] for r in range(n) for s in range(n)))
    return np.sqrt(np.diag(adjusted)), np.array(df)


def variance_and_slopes(fit: Any, frame: Any, model: dict[str, Any]) -> Any:
    """V and its slopes in the variance parameters, from the fit's public results."""
    rows = len(frame)
    eta = fit.predict(scale="link")
    mean = fit.predict()
    if fit.family.name == "gaussian":
        residual = np.full(rows, fit.dispersion**2)
        slopes = [np.eye(rows)]
    else:
        # The linearised response has variance 1 / w, w the iterative weights at the modes.
        trials = frame[model["trials"]] if "trials" in model else 1.0
        weight = np.exp(eta) if fit.family.name == "poisson" else trials * mean * (1 - mean)
        residual = 1 / np.asarray(weight, dtype=float)
        slopes = []
    v = np.diag(residual)
    table = fit.variances
    labels = np.full(rows, "")
    for level in model["nested"]:
        labels = labels + "|" + frame[level].astype(str).to_numpy()
        same = (labels[:, None] == labels[None, :]).astype(float)
        part = table[table["level"] == level]
        columns = [
            np.ones(rows) if term == "Intercept" else frame[term].to_numpy(dtype=float)
            for term in part["term"]
        ]
        sd = part["sd"].to_numpy()
        for i, a in enumerate(columns):
            for j, b in enumerate(columns[: i + 1]):
                product = np.outer(a, b) * same
                g = product if i == j else product + product.T
                rho = 1.0 if i == j else part[f"corr_{j + 1}"].iloc[i]
                slopes.append(g)
                v = v + rho * sd[i] * sd[j] * g
    return v, slopes


def dense(name: str) -> tuple[Any, np.ndarray, np.ndarray]:
    case = CASES[name]
    frame = case.frame()
    fit = fit_mixed(frame, **case.model)
    x = np.asarray(model_matrix(case.model["fixed"], frame), dtype=float)
    se, df = kenward_roger(x, *variance_and_slopes(fit, frame, case.model))
    return fit, se, df


@pytest.mark.parametrize("name", ["oats_gaps", "pastes", "pixel", "sleepstudy"])
def test_formulas_give_what_pbkrtest_gives(name: str) -> None:
    _, se, df = dense(name)
    reference = REFERENCES[name]["kenward_roger"]
    np.testing.assert_allclose(se, list(reference["se"].values()), rtol=1e-5)
    np.testing.assert_allclose(df, list(reference["df"].values()), rtol=1e-5)


@pytest.mark.parametrize(
    "name",
    ["oats_gaps", "pixel", "epilepsy_visits", "epilepsy_slopes", "grouse_ticks", "melanoma",
     "orobanche", "cbpp_rows", "bacteria"],
)  # fmt: skip
def test_ours_follows_the_formulas(name: str) -> None:
    fit, se, df = dense(name)
    table = fit.coefficients
    np.testing.assert_allclose(table["se"], se, rtol=RELATIVE)
    # Where a coefficient's variance does not depend on the components its df is without bound.
    finite = df < 1e6
    np.testing.assert_allclose(table["df"][finite], df[finite], rtol=10 * RELATIVE)
    assert (table["df"][~finite] > 1e6).all()
