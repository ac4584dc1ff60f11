"""fit_mixed: the public way in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit.errors import ModelError
from trialkit.mixed.estimate import estimate
from trialkit.mixed.families import get_family
from trialkit.mixed.levels import as_list
from trialkit.mixed.model import build_model
from trialkit.mixed.partitioned import fit_partitioned
from trialkit.mixed.partitions import Asked, Rows, with_numbers
from trialkit.mixed.result import MixedFit
from trialkit.mixed.separation import check_cells


# Long by the description of its parameters.
def fit_mixed(
    source: pd.DataFrame | Rows | Sequence[Rows],
    response: str,
    fixed: str = "1",
    nested: str | Sequence[str] | None = (),
    slopes: Mapping[str, str | Sequence[str]] | None = None,
    crossed: str | Sequence[str] | None = (),
    covariance: Mapping[str, str] | None = None,
    family: str = "gaussian",
    exposure: str | None = None,
    trials: str | None = None,
    weights: str | None = None,
    method: str = "reml",
    client: Any = None,
) -> MixedFit:
    """Fit a linear or generalised linear mixed model with nested and crossed random effects.

    Parameters
    ----------
    source : DataFrame, or partitions
        One row an observation. Rows missing any column used are left out and counted in
        ``notes``. Instead of one frame the rows may come in partitions, for data that do not fit
        one machine: a sequence of DataFrames, of functions of no arguments that return one, or of
        paths of Parquet files; or the path of a folder of these, a partition a file (what its
        folders say, as ``season=2031`` does, is a column). All rows of a unit of the outermost
        level of ``nested`` must lie in one partition. The model is the same one over all rows, with
        the same estimates to about 1e-8: given the parameters top-level units are independent, so
        that every evaluation is a sum over them. Partitions are read several times. A Gaussian
        response leaves cross-products of each finest unit in memory; the others leave their rows.
    response : str
        Column of the response: any number (gaussian), counts (poisson, negative_binomial),
        successes (binomial, beta_binomial), positive amounts (gamma).
    fixed : str
        Right-hand side in Wilkinson notation, e.g. ``"cushion * speed"``; intercept included.
    nested : str or sequence of str
        Columns of the nesting, coarse to fine; labels may repeat across parents. A column that
        is unique in every row gives counts a row-level effect (overdispersion).
    slopes : mapping of level to variables, optional
        Variables whose effect varies between the units of a level.
    crossed : str or sequence of str, optional
        Factors that cut across the nesting (a hybrid grown in several fields): each has an
        independent random intercept per label, of one variance. For modest numbers of labels.
    covariance : mapping of level to {"unstructured", "independent", "exchangeable"}, optional
        Covariance of a level's columns: free (default); all independent; or all independent
        with one common variance for the orthonormal contrasts of a factor.
    family : {"gaussian", "poisson", "negative_binomial", "gamma", "binomial", "beta_binomial"}
        See :mod:`trialkit.mixed.families` for links and variances.
    exposure : str, optional
        Column of area or time the counts belong to; its logarithm is the offset.
    trials : str, optional
        Column of trials behind the successes (default 1).
    weights : str, optional
        Column of prior weights: known relative precisions of a Gaussian response; for the others
        the log-density of a row counts that many times.
    method : {"reml", "ml"}
        Restricted or maximum likelihood; for counts and proportions the (restricted) Laplace
        approximation.
    client : None, "local", str or dask.distributed.Client, optional
        Whose workers hold the partitions and evaluate their shares: those started on this machine,
        of a scheduler's address, of a client; by default this process works through them one after
        another. The partition of a worker that dies is read again by
        another, and the fit goes on.

    Returns
    -------
    MixedFit
        Of partitions a :class:`~trialkit.mixed.partitioned.PartitionedFit`, which answers what
        rests on fixed effects and variances, and refuses what needs rows.

    Raises
    ------
    ModelError
        With the cause and what to try: columns absent or infinite, values that do not suit the
        family, a factor with one level, levels that cannot be told apart from each other, the
        fixed part or the residual, cells whose counts are all zero (or all successes), other
        separation, too few rows, no variation left, no convergence; of partitions also a top-level
        unit in two of them, crossed factors, formulas that depend on all rows together, and rows
        that change while they are read.
    ClusterError
        When the cluster that was asked for cannot do the work.

    Examples
    --------
    >>> fit = fit_mixed(frames, "loose_kernels", "cushion", nested=["pair", "strip"],
    ...                 family="poisson", exposure="area")    # doctest: +SKIP
    """
    if method not in ("reml", "ml"):
        raise ModelError(f"method {method!r} is not known; choose 'reml' or 'ml'.")
    law = get_family(family)
    by_level = {level: as_list(variables) for level, variables in (slopes or {}).items()}
    if law.name == "gaussian" and (exposure or trials):
        raise ModelError("exposure and trials belong to counts; use weights for gaussian.")
    if (law.link == "log" and trials) or (law.link == "logit" and exposure):
        raise ModelError("exposure goes with a log link, trials with a logit link.")
    if not isinstance(source, pd.DataFrame):
        if as_list(crossed):
            raise ModelError(
                f"{as_list(crossed)} cut across the partitions; crossed factors need one frame."
            )
        asked = Asked(
            response, fixed, tuple(as_list(nested)), by_level, dict(covariance or {}), law,
            exposure, trials, weights,
        )  # fmt: skip
        return fit_partitioned(source, asked, method, client)
    if client is not None:
        raise ModelError("a client works on partitions; give a sequence of frames, or a folder.")
    model = build_model(
        with_numbers(source, response), response=response, fixed=fixed, nested=as_list(nested),
        slopes=by_level, covariance=covariance or {}, crossed=as_list(crossed), family=law,
        exposure=exposure, trials=trials, weights=weights,
    )  # fmt: skip
    y = np.asarray(model.columns[response], dtype=float)[model.chain.order]
    model.check_response(y)
    check_cells(model)
    return MixedFit(model, estimate(model, y, method == "reml"), y, method)
