"""Power of t-tests by adaptive quadrature, right on every processor.

`scipy.stats.nct`, which statsmodels' power of the t-test calls, gives nan for the far tail on some
processors: scipy 1.17.1, ``nct.cdf(-4.30, 2, 8)``.
"""

from __future__ import annotations

import numpy as np
from scipy import integrate, special, stats


def t_power(shift: float, df: float, level: float = 0.05) -> float:
    """P(|T| > t_{1-level/2, df}), T noncentral t: over the chi law of the standard error."""
    limit = stats.t.isf(level / 2, df)
    constant = special.gammaln(df / 2) + (df / 2 - 1) * np.log(2.0)

    def given(chi: float) -> float:
        reach = limit * chi / np.sqrt(df)
        density = np.exp(special.xlogy(df - 1, chi) - chi**2 / 2 - constant)
        return float(density * (special.ndtr(shift - reach) + special.ndtr(-reach - shift)))

    found = integrate.quad(
        given, 0.0, np.sqrt(df) + 12.0, points=[np.sqrt(df)], limit=200, epsabs=1e-13, epsrel=1e-12
    )
    return float(found[0])


def paired_t_power(effect: float, n: int, level: float = 0.05) -> float:
    """Of the paired t with ``n`` pairs, ``effect`` in standard deviations of a difference."""
    return t_power(effect * np.sqrt(n), n - 1, level)
