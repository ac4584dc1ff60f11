"""What each setup factor's comparisons are judged by: the spread between the units of its stratum.

How well the spread between so few units (`strata`) is known decides how far a comparison can be
trusted. Comparisons of counts and of shares examined integrate over that spread
(`trialkit.mixed.integrated`). Those of Gaussian values, where the classical analysis of a balanced
layout is exact, and of zones, where two strata meet, have Kenward-Roger degrees of freedom, at most
those of the layout.

The prior of the spread is flat below its scale and falls as one over the spread above it. The
scale is the smallest (of 0.05, 0.1, 0.2) with which setups that are alike are told different at
5 % in no more than 6 % of simulated trials at any true spread from 0 to 0.4, in layouts from three
pairs up (``tests/calibration``, ``notebooks/calibration.csv``).
"""

from __future__ import annotations

from trialkit.analysis.design import Design
from trialkit.analysis.strata import ORDER, set_on
from trialkit.mixed import MixedFit
from trialkit.mixed.integrated import Integrated, integrate

# Scale of the prior by link: logarithms of means, and of odds.
PRIOR = {"log": 0.1, "logit": 0.1}

Judge = Integrated | float
"""What judges a factor's comparisons: the fixed effects integrated over the spread of its error, or
the most degrees of freedom that Kenward-Roger's may have."""


def judges(fit: MixedFit, design: Design, zones: bool = False) -> dict[str, Judge]:
    """What judges the comparisons of each factor in a fit of the design's rows.

    Parameters
    ----------
    fit : MixedFit
    design : Design
    zones : bool
        Whether a comparison is one of zones, in which two strata meet.
    """
    done: dict[tuple[str, str | None], Integrated] = {}
    out: dict[str, Judge] = {}
    for name in design.names:
        apart = zones or fit.method != "reml" or fit.family.link not in PRIOR
        at = None if apart else error_level(fit, design, name)
        if at is None:
            out[name] = float(design.strata[name].df)
            continue
        if at not in done:
            done[at] = integrate(fit, *at, scale=PRIOR[fit.family.link])
        out[name] = done[at]
    return out


def error_level(fit: MixedFit, design: Design, factor: str) -> tuple[str, str | None] | None:
    """Random level (and slope) that is a factor's error; None where that is the residual."""
    if factor in design.slope_factors:
        levels = dict(zip(fit.model.chain.names, fit.model.slopes, strict=True))
        if any(column.variable == factor for column in levels.get("field", ())):
            return "field", factor
    least = ORDER.index(set_on(factor, design.strips)[-1])
    # One row a unit: a finer level, at last the row's own, stands for the unit's; of a Gaussian
    # row that is the residual.
    for name in reversed(fit.model.chain.nested):
        if name not in ORDER or ORDER.index(name) >= least:
            return name, None
    return None
