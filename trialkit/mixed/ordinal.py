"""fit_ordinal: the way in for ordered scores; the model is in `ordinal_likelihood`.

Small samples. Pairs of two strips, four scores, standard deviations of pairs 0.8 and of strips 0.6
(logits), no effect of the setup; share of rounds, in per cent, in which a test at 5 % rejects
(``tests/calibration/ordinal_size.py``; 1000 rounds in the first line, 500 in the others, seed in
the last column; every round could be fitted). The t has the strips less the setups as its degrees
of freedom, the second t the pairs less one:

=====  ========  ====  ============  =====  ======  =====
pairs  readings  z     t, strips     t,     LR      seed
       a strip         less setups   pairs
=====  ========  ====  ============  =====  ======  =====
4      4          6.9  2.4           0.2     6.5    44
4      6         11.0  3.4           0.6     7.8    46
6      4          7.4  4.4           1.8     6.8    64
6      6          6.4  3.2           1.0     4.8    66
8      4          7.6  5.0           3.2     7.4    84
8      6          5.8  3.6           2.4     4.6    86
=====  ========  ====  ============  =====  ======  =====

Where pairs and strips differ by 1.2 each (5 readings, 500 rounds) z rejects in 13.2 and 9.4, the t
of the strips in 6.2 and 7.2, that of the pairs in 1.4 and 4.8 % with 4 and 8 pairs (seeds 45, 85):
variances are by maximum likelihood and a little too small. With 6 pairs, 5 readings and a log odds
ratio of -1 (500 rounds, seed 165) the mean estimate was -1.05, the 95 % interval by the t of the
strips held the truth in 96.2 %, and its test rejected in 33 % (that of the pairs in 22 %). So: give
the layout's degrees of freedom; the normal distribution is for large samples.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from pandas.api.types import is_bool_dtype, is_numeric_dtype

from trialkit.errors import ModelError
from trialkit.mixed.families import FAMILIES
from trialkit.mixed.levels import as_list
from trialkit.mixed.model import Model, build_model
from trialkit.mixed.notes import scores_not_read
from trialkit.mixed.ordinal_fit import OrdinalFit
from trialkit.mixed.ordinal_search import estimate_ordinal
from trialkit.mixed.quadrature import check_nodes


# Long by the description of its parameters.
def fit_ordinal(
    frame: pd.DataFrame,
    response: str,
    fixed: str = "1",
    nested: str | Sequence[str] | None = (),
    slopes: Mapping[str, str | Sequence[str]] | None = None,
    covariance: Mapping[str, str] | None = None,
    scale: Sequence[Any] | None = None,
    nodes: int = 1,
) -> OrdinalFit:
    """Fit a proportional odds model with nested normal random effects by maximum likelihood.

    Parameters
    ----------
    frame : DataFrame
        One row a reading. Rows missing any column used are left out and counted in ``notes``.
    response : str
        Column of the scores: numbers in their order, or an ordered categorical.
    fixed, nested, slopes, covariance
        As for :func:`trialkit.mixed.fit_mixed`. The thresholds take the place of the intercept.
    scale : sequence, optional
        All scores there could have been, lowest first, so that notes can name those without a
        reading. Default: the categories of a categorical; of whole numbers, those between the
        lowest and the highest read.
    nodes : int
        1 for the Laplace approximation; more for adaptive Gauss-Hermite quadrature, where the
        random part is the intercept of one level.

    Returns
    -------
    OrdinalFit

    Raises
    ------
    ModelError
        As :func:`trialkit.mixed.fit_mixed`; when all readings are alike; when the fixed part
        separates low from high readings (every reading under a setup in the lowest category, for
        one); when the random part has no finite estimate because units hardly overlap.

    Examples
    --------
    >>> fit = fit_ordinal(samples, "score", "cushion", nested=["pair", "strip"])  # doctest: +SKIP
    """
    if response not in frame:
        raise ModelError(f"columns [{response!r}] are not in the data; it has {list(frame)}.")
    ordered, values = _order(frame[response], scale)
    model = build_model(
        frame.assign(**{response: ordered}), response=response, fixed=fixed, nested=as_list(nested),
        slopes={level: as_list(names) for level, names in (slopes or {}).items()},
        covariance=covariance or {}, crossed=[], family=FAMILIES["binomial"], exposure=None,
        trials=None, weights=None,
    )  # fmt: skip
    if "1" not in model.part.terms:
        raise ModelError(
            f"the fixed part {fixed!r} leaves the intercept out; keep it in: the thresholds take "
            f"its place."
        )
    _check_nodes(model, nodes)
    held, codes = np.unique(model.columns[response].astype(int), return_inverse=True)
    if len(held) < 2:
        only = values[held[0]] if len(held) else "missing"
        raise ModelError(f"every reading of {response!r} is {only}: nothing to compare.")
    notes, unused = list(model.notes), [v for i, v in enumerate(values) if i not in held]
    if unused:
        notes.append(scores_not_read(unused))
    codes, categories = codes[model.chain.order], tuple(values[i] for i in held)
    found = estimate_ordinal(model, codes, categories, nodes)
    model = replace(model, notes=tuple(notes))
    return OrdinalFit(model, codes, categories, tuple(unused), *found)


def _order(given: pd.Series, scale: Sequence[Any] | None) -> tuple[pd.Series, list[Any]]:
    """Positions on the scale (missing stays missing), and the scale."""
    if isinstance(given.dtype, pd.CategoricalDtype):
        if not given.cat.ordered and not is_numeric_dtype(given.cat.categories.dtype):
            raise ModelError(
                f"the categories of {given.name!r} have no order; give numbers or an ordered "
                f"categorical."
            )
        values = list(scale) if scale is not None else list(given.cat.categories)
        given = given.astype(object)
    elif is_numeric_dtype(given) or is_bool_dtype(given):
        numbers = pd.to_numeric(given).dropna().unique()
        if np.isinf(numbers.astype(float)).any():
            raise ModelError(
                f"column {given.name!r} holds infinite values; correct or leave out those rows."
            )
        values = list(scale) if scale is not None else sorted(numbers.tolist())
        if scale is None and len(values) and all(float(v).is_integer() for v in values):
            whole = [int(v) for v in values]
            # Codes of widely spaced numbers are labels, not a scale with gaps.
            spread = whole[-1] - whole[0]
            values = list(range(whole[0], whole[-1] + 1)) if spread <= 20 else whole
    else:
        raise ModelError(
            f"the response {given.name!r} is neither numeric nor an ordered categorical."
        )
    place = {value: i for i, value in enumerate(values)}
    foreign = sorted({str(v) for v in given.dropna() if v not in place})
    if foreign:
        raise ModelError(f"{given.name!r} has the values {foreign}, which are not on its scale.")
    return given.map(place).astype(float), values


def _check_nodes(model: Model, nodes: int) -> None:
    check_nodes(nodes)
    if nodes > 1 and (model.chain.n_levels != 1 or len(model.slopes[0]) != 1):
        raise ModelError(
            "quadrature is for one nested level with its random intercept only; take nodes=1, the "
            "Laplace approximation."
        )
