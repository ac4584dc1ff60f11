"""One compiled call per evaluation or search: the criterion, its gradient, the mode or solution.

The passes of :mod:`trialkit.mixed.kernels` and :mod:`trialkit.mixed.gradients` put together;
arguments are described there. ``base`` (q,) are coefficients of the distinct columns held outside
the system: the fixed effects of a maximum-likelihood Laplace fit, else zeros.
"""

from __future__ import annotations

import math

import numpy as np

from trialkit.mixed.compiled import entry, inner, part
from trialkit.mixed.gradients import gaussian_gradient, leverage_pass, mode_pass
from trialkit.mixed.kernels import (
    back_solve,
    clear,
    clear_square,
    eliminate,
    fill_rows,
    forward_solve,
    root_inverse,
    solve_root,
)
from trialkit.mixed.optimise import FAR, RUNNING, SLOPE, advance, begin, trust

MAX_NEWTON = 200


@part
def move(base, length, step, out):
    """``out = base + length * step``."""
    for i in range(base.shape[0]):
        out[i] = base[i] + length * step[i]


@part
def _place_parameters(mix, trial, slot, entry_at, parameters, val, diagonal):
    """Parameters ``mix @ trial``, the values of the chain map and of the diagonal entries."""
    for i in range(parameters.shape[0]):
        s = 0.0
        for j in range(trial.shape[0]):
            s += mix[i, j] * trial[j]
        parameters[i] = s
    for e in range(slot.shape[0]):
        val[e] = parameters[slot[e]] if slot[e] >= 0 else 1.0
    for e in range(entry_at.shape[0]):
        diagonal[e] = parameters[entry_at[e]] if entry_at[e] >= 0 else 0.0


@inner
def _only_diagonal(entry_at):
    """Whether every Lambda is diagonal: the information is then a good metric."""
    for e in range(entry_at.shape[0]):  # noqa: SIM110 (numba knows no generator)
        if entry_at[e] < 0:
            return False
    return True


@part
def gaussian_point(
    cross, tree, levels, links, val, entries, diagonal, u, beta, fac, df, restricted, sigma,
    by_logdet, by_rss, informed, info,
):  # fmt: skip
    """Gaussian criterion at the Lambda entries in ``val``; fills ``u``, ``beta`` and ``fac``.

    ``sigma`` zero profiles the residual standard deviation. Adds the gradients of ``log|H|`` and
    ``rss / sigma^2``. Returns (log-determinant of ``H``, residual sum of
    squares, residual variance, root front).
    """
    p = beta.shape[0]
    clear(u)
    logdet, _, front = eliminate(cross, tree, levels, links, val, u, fac)
    logdet_x, _ = solve_root(front, beta)
    rss = front[p, p]
    s2 = sigma**2 if sigma > 0.0 else rss / df
    back_solve(tree, levels, fac, beta, u)
    block = np.zeros((p, p))
    if restricted:
        logdet += logdet_x
        block = root_inverse(front, p)
    gaussian_gradient(
        cross, tree, levels, links, val, entries, diagonal, np.zeros(cross.shape[1] - 1), u, beta,
        fac, block, s2, by_logdet, by_rss, informed, info,
    )  # fmt: skip
    return logdet, rss, s2, front


@part
def find_mode(
    family, phi, obs, data, tree, levels, links, val, base, u, root, fac, cross, work, tolerance,
    held,
):  # fmt: skip
    """Newton to the mode of the penalised likelihood with step-halving, in ``u`` and ``root``.

    Returns (found, penalised log-likelihood, log-determinant of ``H``, factored root front). With
    ``held`` the root stays: the determinant is that over ``u``, the front is not factored.
    """
    p = root.shape[0]
    best = -math.inf
    length = 1.0
    step_u = np.zeros(u.shape[0])
    step_b = np.zeros(p)
    base_u = np.zeros(u.shape[0])
    base_b = np.zeros(p)
    front = np.zeros((p + 1, p + 1))
    for _ in range(MAX_NEWTON):
        value = fill_rows(
            family, phi, obs, data, tree, levels, links, val, base, u, root, cross, work
        )
        for j in range(u.shape[0]):
            value -= 0.5 * u[j] * u[j]
        logdet, decrement, front = eliminate(cross, tree, levels, links, val, u, fac)
        # Near the mode the gain drowns in rounding: a step that loses no more is kept.
        if math.isfinite(value + decrement) and value >= best - 1e-9 * (1.0 + abs(best)):
            best = value
            length = 1.0
            move(u, 0.0, u, base_u)
            move(root, 0.0, root, base_b)
            logdet_x, extra = 0.0, 0.0
            if not held:
                logdet_x, extra = solve_root(front, step_b)
            if not math.isfinite(logdet_x + extra):
                return False, value, logdet, front
            if decrement + extra < tolerance:
                return True, value, logdet + logdet_x, front
            back_solve(tree, levels, fac, step_b, step_u)
        else:
            length *= 0.5
            if length < 1e-10 or best == -math.inf:
                break
        move(base_u, length, step_u, u)
        move(base_b, length, step_b, root)
    return False, best, math.nan, front


@part
def laplace_point(
    family, phi, obs, data, tree, levels, links, val, entries, diagonal, base, u, root, fac, cross,
    work, pulls, tolerance, graded, grad, outer, informed, info,
):  # fmt: skip
    """(Restricted) Laplace criterion less constants; moves ``u`` and ``root`` to the mode.

    Where it is to be ``graded``, adds the gradient in the entries' parameters to ``grad`` and fills
    ``outer`` with that in a coefficient of every distinct column. Returns (found, value, root
    front, derivative in ``phi``).
    """
    found, value, logdet, front = find_mode(
        family, phi, obs, data, tree, levels, links, val, base, u, root, fac, cross, work,
        tolerance, False,
    )  # fmt: skip
    if not found:
        return False, -math.inf, front, 0.0
    if not graded:
        return True, value - 0.5 * logdet, front, 0.0
    p = root.shape[0]
    block = root_inverse(front, p)
    shape = leverage_pass(
        family, phi, obs, data, tree, levels, links, val, entries, diagonal, u, fac, block, cross,
        work, pulls, grad, informed, info,
    )  # fmt: skip
    rhs = np.zeros(p)
    forward_solve(pulls[0], tree, levels, links, val, fac, rhs)
    s_root = np.zeros(p)
    for i in range(p):
        for j in range(p):
            s_root[i] += block[i, j] * rhs[j]
    s_u = np.zeros(u.shape[0])
    back_solve(tree, levels, fac, s_root, s_u)
    clear(outer)
    shape += mode_pass(
        family, tree, levels, links, val, entries, np.zeros(base.shape[0]), u, s_u, s_root, cross,
        pulls, grad, outer,
    )  # fmt: skip
    return True, value - 0.5 * logdet, front, shape


@part
def _to_search(slopes, mix, out):
    """Gradient in the parameters to that in the search's own scale."""
    for i in range(out.shape[0]):
        out[i] = 0.0
        for j in range(out.shape[0]):
            out[i] += slopes[j] * mix[j, i]


@entry
def search_gaussian(
    cross, tree, levels, links, entries, slot, entry_at, u, beta, fac, df, restricted, log_weight,
    sigma, mix, x, inverse, trusted, gain, polish, limit,
):  # fmt: skip
    """Minimise minus the log-likelihood over ``mix^-1 theta``, from ``x``.

    ``sigma`` zero profiles the residual standard deviation. After ``limit`` evaluations the search
    is left as it stands: one evaluates at ``x``. Returns (verdict, counters, scalars, gradient,
    evaluations, residual sum of squares, residual variance, root front) of the last evaluation;
    ``x`` and ``inverse`` move.
    """
    k = x.shape[0]
    counts, scalars, grad, step, trial = begin(x, gain, polish)
    parameters = np.zeros(k)
    val = np.zeros(slot.shape[0])
    diagonal = np.zeros(entry_at.shape[0])
    by_logdet = np.zeros(k)
    by_rss = np.zeros(k)
    g_full = np.zeros(k)
    g = np.zeros(k)
    info = np.zeros((k, k))
    metric = np.zeros((k, k))
    p = beta.shape[0]
    rss, s2, front = 0.0, 0.0, np.zeros((p + 1, p + 1))
    known = k if _only_diagonal(entry_at) else 0
    evaluations = 0
    verdict = RUNNING
    while verdict == RUNNING and evaluations < limit:
        far = (evaluations == 0 and not trusted) or -scalars[SLOPE] > FAR
        _place_parameters(mix, trial, slot, entry_at, parameters, val, diagonal)
        clear_square(info)
        clear(by_logdet)
        clear(by_rss)
        log_h, rss, s2, front = gaussian_point(
            cross, tree, levels, links, val, entries, diagonal, u, beta, fac, df, restricted, sigma,
            by_logdet, by_rss, far, info,
        )  # fmt: skip
        evaluations += 1
        f = 0.5 * (log_h + df * math.log(2.0 * math.pi * s2) + rss / s2 - log_weight)
        for i in range(k):
            g_full[i] = 0.5 * (by_logdet[i] + by_rss[i])
        _to_search(g_full, mix, g)
        if far:
            # Profiling the residual variance takes its share of the information out.
            for i in range(k):
                for j in range(k):
                    info[i, j] -= by_logdet[i] * by_logdet[j] / (2.0 * df)
            trust(info, g_full, parameters, mix, metric)
            if evaluations == 1 and not trusted:
                trust(info, g_full, parameters, mix, inverse)
        verdict = advance(counts, scalars, x, grad, inverse, step, trial, f, g, known, metric)
    return verdict, counts, scalars, grad, evaluations, rss, s2, front


# Long, as a search is one loop around the machine: what it sets up is used to its end.
@entry
def search_laplace(
    family, obs, data, tree, levels, links, entries, slot, entry_at, x_col, n_theta, u, root,
    start_root, fac, cross, work, pulls, tolerance, graded, mix, x, inverse, trusted, gain, polish,
    limit,
):  # fmt: skip
    """Minimise minus the (restricted) Laplace criterion over ``mix^-1`` times the parameters.

    ``x_col`` (terms,) are the distinct columns of the fixed effects where these are parameters,
    empty where they are integrated; ``root`` then holds where Newton starts,
    ``start_root`` where it starts again if that fails. ``limit`` as for
    :func:`search_gaussian`; one evaluation need not be ``graded``. Returns (verdict, counters,
    scalars, gradient, evaluations, root front) of the last evaluation.
    """
    k = x.shape[0]
    q = data.shape[1]
    counts, scalars, grad, step, trial = begin(x, gain, polish)
    parameters = np.zeros(k)
    val = np.zeros(slot.shape[0])
    diagonal = np.zeros(entry_at.shape[0])
    base = np.zeros(q)
    outer = np.zeros(q)
    g_full = np.zeros(k)
    g = np.zeros(k)
    info = np.zeros((k, k))
    metric = np.zeros((k, k))
    held = x_col.shape[0]
    # The information says nothing of a dispersion, and that moves with the variances.
    known = n_theta if k - held == n_theta and _only_diagonal(entry_at) else 0
    front = np.zeros((root.shape[0] + 1, root.shape[0] + 1))
    evaluations = 0
    verdict = RUNNING
    while verdict == RUNNING and evaluations < limit:
        far = (evaluations == 0 and not trusted) or -scalars[SLOPE] > FAR
        _place_parameters(mix, trial, slot, entry_at, parameters, val, diagonal)
        clear(base)
        for j in range(held):
            base[x_col[j]] += parameters[k - held + j]
        phi = parameters[n_theta] if k - held > n_theta else 0.0
        found = False
        f = math.inf
        for attempt in range(2):
            if attempt == 1:
                # The last mode can be a bad start far away: then once more from the centre.
                clear(u)
                move(start_root, 0.0, start_root, root)
            clear(g_full)
            clear_square(info)
            found, value, front, shape = laplace_point(
                family, phi, obs, data, tree, levels, links, val, entries, diagonal, base, u, root,
                fac, cross, work, pulls, tolerance, graded, g_full, outer, far, info,
            )  # fmt: skip
            evaluations += 1
            if found and math.isfinite(value):
                f = -value
                if k - held > n_theta:
                    g_full[n_theta] = shape
                for j in range(held):
                    g_full[k - held + j] = outer[x_col[j]]
                for i in range(k):
                    g_full[i] = -g_full[i]
                _to_search(g_full, mix, g)
                break
        if far:
            trust(info, g_full, parameters, mix, metric)
            if evaluations == 1 and not trusted:
                trust(info, g_full, parameters, mix, inverse)
        verdict = advance(counts, scalars, x, grad, inverse, step, trial, f, g, known, metric)
    return verdict, counts, scalars, grad, evaluations, front
