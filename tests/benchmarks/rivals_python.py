"""The programs in Python whose speed is measured, ours among them; run as a worker process.

    python rivals_python.py PROGRAM TRIAL.pkl < requests > answers

A request is a line of JSON, ``{"case": ..., "response": ...}``; the answer is one too: elapsed and
processor seconds of one fit, its log-likelihood, the process's peak memory in MB before and after
it, or an error. A program is a
function of the trial and the case that prepares what is not timed (arrays, labels) and returns
the fit that is, and what to read from it. Rivals are asked for estimates alone, without standard
errors or degrees of freedom where that can be said, and for one thread.

Lasting facts: mixedlm's ``glmer_nb`` holds the size of the negative binomial at the value given
to it, so it does not fit that model. gpboost has no restricted likelihood; its Gaussian fit is by
maximum likelihood, timed here beside the others' REML but not compared in likelihood. glmm reads
at most two levels in one nesting term, so it gets a third as a term of its own.
"""

from __future__ import annotations

import dataclasses
import itertools
import json
import resource
import sys
import time
import warnings
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import numpy as np
import pandas as pd
from simulated_trials import CASES, FIXED, Case, levels, unit_labels

Answer = dict[str, float]
Prepared = tuple[Callable[[], Any], Callable[[Any], Answer]]


def ours(frame: pd.DataFrame, case: Case) -> Prepared:
    from trialkit.mixed import fit_mixed

    options = {k: v for k, v in dataclasses.asdict(case).items() if k != "response"}

    def fit() -> Any:
        return fit_mixed(frame, case.response, FIXED, nested=levels(frame), **options)

    return fit, _own_answer


def ours_refit(frame: pd.DataFrame, case: Case) -> Prepared:
    """Refits to the rivals' very data, from fits to other data drawn from the same model."""
    from trialkit.errors import ModelError

    fit, _ = ours(frame, case)
    first = fit()
    others = []
    for seed in range(5 if len(frame) < 10_000 else 1):
        with suppress(ModelError):
            others.append(first.refit(first.simulate(1, seed)[:, 0]))
    starts = itertools.cycle(others)
    values = frame[case.response].to_numpy(dtype=float)
    return lambda: next(starts).refit(values), _own_answer


def _own_answer(fit: Any) -> Answer:
    searches = fit.searches
    total = searches["evaluations"].sum() if "evaluations" in searches else fit.evaluations
    return {"loglik": fit.loglik, "evaluations": int(total)}


def glmm(frame: pd.DataFrame, case: Case, start: dict[str, Any] | None = None) -> Prepared:
    import glmm

    *outer, coarse, fine = levels(frame)
    data = frame.assign(parent=unit_labels(frame)[coarse])
    random = "".join(f" + (1 | {name})" for name in outer) + f" + (1 | parent / {fine})"
    left = case.response
    if case.trials:
        data["others"] = data[case.trials] - data[case.response]
        left = f"cbind({case.response}, others)"
    options: dict[str, Any] = {"family": case.family.replace("_", ""), "warm_start": start}
    options |= {"wald_se": "rx", "satterthwaite": False, "anova_test": "Wald"}
    if case.exposure:
        options["offset"] = np.log(data[case.exposure].to_numpy())

    def fit() -> Any:
        return glmm.fit(data, f"{left} ~ {FIXED}{random}", **options)

    return fit, lambda fit: {"loglik": float(fit.loglik)}


def glmm_warm(frame: pd.DataFrame, case: Case) -> Prepared:
    """From the estimates for the observed counts, as a bootstrap would start."""
    if case.family != "poisson":
        raise NotImplementedError("used for rounds of the Poisson trial")
    before = glmm(frame, CASES["poisson"])[0]()
    theta = np.sqrt([block[0] for block in before.varcorr])
    return glmm(frame, case, {"beta": before.beta, "theta": theta})


def mixedlm(frame: pd.DataFrame, case: Case) -> Prepared:
    import mixedlm

    formula = f"{case.response} ~ {FIXED} + (1 | {' / '.join(levels(frame))})"
    options: dict[str, Any] = {}
    if case.exposure:
        options["offset"] = np.log(frame[case.exposure].to_numpy())
    if case.trials:
        formula = formula.replace(case.response, f"{case.response} / {case.trials}", 1)
    if case.family == "gaussian":
        fit = lambda: mixedlm.lmer(formula, frame)  # noqa: E731
    elif case.family == "negative_binomial":
        raise NotImplementedError("the size is not estimated")
    else:
        family = getattr(mixedlm.families, case.family.capitalize())()
        fit = lambda: mixedlm.glmer(formula, frame, family=family, **options)  # noqa: E731
    return fit, lambda fit: {"loglik": float(fit.logLik().value)}


def gpboost(frame: pd.DataFrame, case: Case) -> Prepared:
    import gpboost

    likelihood = {"binomial": "binomial_logit"}.get(case.family, case.family)
    groups = unit_labels(frame).apply(lambda column: column.cat.codes).to_numpy()
    standard = (frame["setup"] == "standard").to_numpy(dtype=float)
    moisture = frame["moisture"].to_numpy()
    x = np.column_stack([np.ones(len(frame)), standard, moisture, standard * moisture])
    y = frame[case.response].to_numpy(dtype=float)
    trials = offset = None
    if case.trials:
        trials = frame[case.trials].to_numpy(dtype=float)
        y = y / trials
    if case.exposure:
        offset = np.log(frame[case.exposure].to_numpy())

    def fit() -> Any:
        model = gpboost.GPModel(
            group_data=groups,
            likelihood=likelihood,
            weights=trials,
            matrix_inversion_method="cholesky",
            num_parallel_threads=1,
        )
        model.fit(y=y, X=x, offset=offset, params={"delta_rel_conv": 1e-9})
        return model

    def read(model: Any) -> Answer:
        if case.family == "gaussian":
            return {}
        return {"loglik": -float(model.get_current_neg_log_likelihood())}

    return fit, read


def statsmodels(frame: pd.DataFrame, case: Case) -> Prepared:
    import statsmodels.formula.api as smf

    if case.family != "gaussian" or len(frame) > 1_000:
        raise NotImplementedError("timed for small Gaussian trials")
    labels = unit_labels(frame)
    coarse, *inner = labels.columns
    data = frame.assign(**{name: labels[name].astype(str) for name in inner})
    random = {name: f"0 + C({name})" for name in inner}

    def fit() -> Any:
        model = smf.mixedlm(
            f"{case.response} ~ {FIXED}", data, groups=labels[coarse], re_formula="1",
            vc_formula=random,
        )  # fmt: skip
        return model.fit(reml=True)

    return fit, lambda fit: {"loglik": float(fit.llf)}


PROGRAMS: dict[str, Callable[[pd.DataFrame, Case], Prepared]] = {
    "ours": ours,
    "ours refit": ours_refit,
    "glmm": glmm,
    "glmm warm": glmm_warm,
    "mixedlm": mixedlm,
    "gpboost": gpboost,
    "statsmodels": statsmodels,
}


def peak_memory() -> float:
    """Largest resident memory of this process so far, MB."""
    largest = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return largest / 2**20 if sys.platform == "darwin" else largest / 2**10


def main() -> None:
    program, path = sys.argv[1:]
    frame = pd.read_pickle(path)
    warnings.simplefilter("ignore")
    prepared_for: dict[str, str] | None = None
    for line in sys.stdin:
        request = json.loads(line)
        try:
            if request != prepared_for:
                case = dataclasses.replace(CASES[request["case"]], response=request["response"])
                fit, read = PROGRAMS[program](frame, case)
                prepared_for = request
            before = peak_memory()
            start, cpu = time.perf_counter(), time.process_time()
            fitted = fit()
            answer = {"seconds": time.perf_counter() - start, "cpu": time.process_time() - cpu}
            answer |= {"before": before, "peak": peak_memory()} | read(fitted)
        except Exception as error:  # whatever a rival raises is its answer
            answer = {"error": f"{type(error).__name__}: {error}"}
        print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    main()
