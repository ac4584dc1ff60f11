"""Loss as a function of ground speed, with the uncertainty of its coefficients."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd
from scipy import stats

from trialkit.analysis.questions.speed import SpeedMeans, speed_means
from trialkit.decide import draws
from trialkit.display import card, table
from trialkit.errors import DesignError
from trialkit.words import ground_speed as words

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis

Form = Literal["exponential", "quadratic"]


@dataclass(frozen=True, slots=True)
class LossCurve:
    """A curve of loss (kg/ha) over ground speed s (km/h).

    ``exp(b0 + b1 (s - centre)) - offset`` or ``b0 + b1 (s - centre) + b2 (s - centre)^2 - offset``.

    Attributes
    ----------
    form : {"exponential", "quadratic"}
    coefficients : ndarray, shape (k,)
    covariance : ndarray, shape (k, k)
    df : float
        Coefficients are a multivariate t with these degrees of freedom.
    low, high : float
        Speeds (km/h) the curve is known between.
    centre, offset : float
    misfit : float
        Weighted squared distance of the means from the curve, and `misfit_df` to judge it by; both
        zero where the curve goes through every mean.
    misfit_df : int
    source : str
    """

    form: Form
    coefficients: np.ndarray
    covariance: np.ndarray
    df: float
    low: float
    high: float
    centre: float = 0.0
    offset: float = 0.0
    misfit: float = 0.0
    misfit_df: int = 0
    source: str = "figures given"

    def loss(self, speed: Any, coefficients: np.ndarray | None = None) -> np.ndarray:
        """Loss (kg/ha) at speeds of shape (m,); with coefficients (n, k) of shape (n, m)."""
        b = self.coefficients if coefficients is None else coefficients
        columns = _columns(self.form, np.asarray(speed, dtype=float) - self.centre)
        eta = b @ columns.T
        return (np.exp(eta) if self.form == "exponential" else eta) - self.offset

    def draw(self, n: int, seed: int) -> np.ndarray:
        """Draws of the coefficients, shape (n, k)."""
        return draws.t_vectors(self.coefficients, self.covariance, self.df, n, seed)

    @classmethod
    def through(
        cls,
        speed: Sequence[float] | np.ndarray,
        loss: Sequence[float] | np.ndarray,
        se: Sequence[float] | np.ndarray,
        *,
        df: float = np.inf,
        form: Form = "exponential",
    ) -> LossCurve:
        """The curve through (or, with more speeds than coefficients, nearest to) given losses.

        Parameters
        ----------
        speed : array_like, shape (k,)
            km/h, at least two, three for "quadratic".
        loss : array_like, shape (k,)
            kg/ha; above zero for "exponential".
        se : array_like, shape (k,) or (k, k)
            Standard errors of independent losses, or their covariance; zeros are certainty (then
            all of them, and no more speeds than coefficients).
        df : float
        form : {"exponential", "quadratic"}

        Raises
        ------
        ValueError
            For too few speeds, losses an exponential cannot pass, or shapes that do not agree.
        """
        s, y = np.asarray(speed, dtype=float), np.asarray(loss, dtype=float)
        v = np.asarray(se, dtype=float)
        v = np.diag(v**2) if v.ndim == 1 else v
        if s.shape != y.shape or s.ndim != 1 or v.shape != (len(s), len(s)):
            raise ValueError("speed, loss and se must have one entry for each speed.")
        if form == "exponential":
            if (y <= 0).any():
                raise ValueError("an exponential curve needs losses above zero.")
            v, y = v / np.outer(y, y), np.log(y)
        return _fit(s, y, v, df, form)

    def _repr_html_(self) -> str:
        speed = np.linspace(self.low, self.high, 5)
        rows = _columns(self.form, speed - self.centre)
        eta = rows @ self.coefficients
        se = np.sqrt(np.einsum("ij,jk,ik->i", rows, self.covariance, rows).clip(min=0.0))
        half = stats.t.ppf(0.975, self.df) * se
        loss, low, high = (
            (np.exp(v) if self.form == "exponential" else v) - self.offset
            for v in (eta, eta - half, eta + half)
        )
        shown = pd.DataFrame({"speed": speed, "mean": loss, "low": low, "high": high})
        return card(
            words.HEADINGS["curve"],
            [
                words.curve_from(self.form, self.source, self.misfit, self.misfit_df),
                "95 % intervals in brackets.",
            ],
            table(shown, names={"speed": "speed, km/h", "mean": "loss, kg/ha"}),
        )


def loss_curve(
    analysis: TrialAnalysis,
    factor: str | None = None,
    speeds: Mapping[str, float] | None = None,
    *,
    form: Form = "exponential",
) -> LossCurve:
    """The trial's header loss against ground speed.

    Parameters
    ----------
    analysis : TrialAnalysis
    factor, speeds : optional
        As in `trialkit.analysis.questions.speed.speed_means`: speed as a setup factor, else
        measured speed as a covariate, as a rule that of the second answer.
    form : {"exponential", "quadratic"}
        The preharvest loss is taken off an exponential of what lies on the ground. A quadratic
        needs a factor of three or more speeds.

    Raises
    ------
    DesignError
        When the header loss was not analysed, its model holds no speed, or there are too few
        speeds for the form.
    """
    result = analysis.responses.get("header_loss")
    if result is None:
        reason = analysis.skipped.get("header_loss", "")
        raise DesignError(f"The header loss was not analysed. {reason}".strip())
    means = speed_means(result, factor, speeds)
    if form == "quadratic" and (factor is None or len(means.speed) < 3):
        raise DesignError("A quadratic needs a setup factor of three or more speeds.")
    y, v = means.log_mean, means.covariance
    if form == "quadratic":
        mass = np.exp(y)
        y, v = mass, v * np.outer(mass, mass)
    return _fit(means.speed, y, v, means.df, form, means)


def _columns(form: str, x: np.ndarray) -> np.ndarray:
    return np.stack([x**power for power in range(2 if form == "exponential" else 3)], axis=-1)


def _fit(
    s: np.ndarray, y: np.ndarray, v: np.ndarray, df: float, form: Form,
    means: SpeedMeans | None = None,
) -> LossCurve:  # fmt: skip
    """Generalised least squares on the curve's own scale."""
    if form not in ("exponential", "quadratic"):
        raise ValueError(f"form is 'exponential' or 'quadratic', not {form!r}.")
    centre = float(s.mean())
    x = _columns(form, s - centre)
    k, p = x.shape
    if len(np.unique(s)) < p:
        raise ValueError(f"an {form} curve needs {p} different speeds.")
    if k == p:
        inverse = np.linalg.inv(x)
        b, covariance, misfit = inverse @ y, inverse @ v @ inverse.T, 0.0
    else:
        # Whitened by the Cholesky factor of v: plain least squares from there.
        root = np.linalg.cholesky(v)
        wx, wy = np.linalg.solve(root, x), np.linalg.solve(root, y)
        covariance = np.linalg.inv(wx.T @ wx)
        b = covariance @ (wx.T @ wy)
        misfit = float(np.sum((wy - wx @ b) ** 2))
    return LossCurve(
        form=form,
        coefficients=b,
        covariance=covariance,
        df=df,
        low=float(s.min()),
        high=float(s.max()),
        centre=centre,
        offset=means.offset if means is not None else 0.0,
        misfit=misfit,
        misfit_df=k - p,
        source=means.source if means is not None else "figures given",
    )
