"""Speed of the mixed-model engine beside every rival's, on the same simulated trials.

    python tests/benchmarks/mixed_speed.py [ROWS ...] [--large] [--sections NAME ...]
        [--models NAME ...] [--rivals NAME ...] [--limit SECONDS] [--least] [--cpu] [--save FILE]

Needs ``pip install -e ".[bench]"``; programs in R are timed where Rscript and lme4, glmmTMB,
pbkrtest and jsonlite are found. Every program runs in a process of its own with one thread (by
environment variables, and ``num_parallel_threads=1`` for gpboost) and reads the trial with its
factors coded before the clock starts. Fits take turns, one of each program after the other, so
that other work on the machine slows all alike; the first of each is not counted unless it takes
longer than 20 seconds. Shown are medians (``--least``: minima) of elapsed time (``--cpu``:
processor time, nearly the same on an idle machine and steadier on a busy one). What takes longer
than the limit or does not fit the model has no number.

Sections:

- ``table``: fit and refit against the rivals. Our refit starts from a fit to other, simulated
  values, as in a bootstrap. "times" is the fastest rival's seconds over ours: over our refit at
  96 rows, over our fit from 960 rows up. "above best" is our log-likelihood less the best rival's.
- ``compilation``: first use with an empty cache of compiled code.
- ``kenward-roger``: ``coefficients`` of a Gaussian REML fit at 5,000 rows, against pbkrtest's.
- ``rounds``: 100 rounds of simulating and refitting a Poisson trial of 96 rows; the rivals fit
  the same 100 drawn responses, drawing not counted.
- ``memory``: seconds and peak memory of our fits at 480,000 rows.
- ``slope``: by how much the logarithm of seconds grows with that of rows.

Laplace log-likelihoods of all programs count every constant and compare, but lme4's for the
negative binomial: its log-determinant takes the expected instead of the observed information, so
it maximises another approximation and is left out of "above best". For gpboost's Gaussian fit and
what mixedlm does not fit see ``rivals_python.py``.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
ONE_THREAD = dict.fromkeys(
    ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "RAYON_NUM_THREADS",
     "NUMBA_NUM_THREADS"), "1"
)  # fmt: skip
os.environ.update(ONE_THREAD)

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
from simulated_trials import CASES, FIXED, levels, simulated  # noqa: E402

from trialkit.mixed import fit_mixed  # noqa: E402

OURS = ("ours", "ours refit")
IN_PYTHON = ("glmm", "mixedlm", "gpboost", "statsmodels")
IN_R = ("lme4", "glmmTMB")
ROWS, LARGE = (96, 960, 24_000), 480_000
SECTIONS = ("table", "compilation", "kenward-roger", "rounds", "memory", "slope")
UNFIT = "NotImplementedError"  # a program's answer to a model that it does not fit
LEAST_REPEATS, MOST_REPEATS = 3, 20  # fits
REPEAT_FOR, NO_REPEAT = 8.0, 20.0  # seconds in all; seconds of a first fit that stands alone


@dataclass(frozen=True, slots=True)
class How:
    """Seconds a fit may take; minima or medians; processor or elapsed time."""

    limit: float
    least: bool
    cpu: bool

    def now(self) -> float:
        return time.process_time() if self.cpu else time.perf_counter()

    def took(self, answer: dict[str, Any]) -> float:
        return float(answer.get("cpu" if self.cpu else "seconds", np.nan))

    def middle(self, taken: Sequence[float]) -> float:
        return float(np.min(taken) if self.least else np.median(taken))


class Trial:
    """A trial written to disk for the workers."""

    def __init__(self, folder: Path, frame: pd.DataFrame) -> None:
        self.frame = frame
        self.pickle, self.csv = folder / "trial.pkl", folder / "trial.csv"
        frame.to_pickle(self.pickle)
        frame.to_csv(self.csv, index=False)

    def command(self, program: str) -> list[str]:
        if program in (*IN_R, "pbkrtest"):
            nesting = " / ".join(levels(self.frame))
            return ["Rscript", str(HERE / "rivals.R"), program, str(self.csv), nesting]
        return [sys.executable, str(HERE / "rivals_python.py"), program, str(self.pickle)]


class Worker:
    """A program in a process of its own that answers one request, one fit, at a time."""

    def __init__(self, program: str, trial: Trial, limit: float, **environment: str) -> None:
        self.limit = limit
        self.process = subprocess.Popen(
            trial.command(program), stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL, text=True, env={**os.environ, **environment},
        )  # fmt: skip

    def ask(self, case: str, response: str | None = None) -> dict[str, Any]:
        assert self.process.stdin and self.process.stdout
        timer = threading.Timer(self.limit, self.process.kill)
        timer.start()
        try:
            request = {"case": case, "response": response or CASES[case].response}
            self.process.stdin.write(json.dumps(request) + "\n")
            self.process.stdin.flush()
            for line in self.process.stdout:  # rivals may print lines of their own
                if line.startswith("{"):
                    return json.loads(line)
        except BrokenPipeError:
            pass
        finally:
            timer.cancel()
        return {"error": f"no answer within {self.limit:.0f} s"}

    def close(self) -> None:
        self.process.kill()
        self.process.communicate()


def measure(
    rows: int, programs: Iterable[str], cases: Iterable[str], how: How
) -> list[dict[str, Any]]:
    """One record a case and program: seconds, repeats, and what its answers told."""
    out = []
    with tempfile.TemporaryDirectory() as folder:
        trial = Trial(Path(folder), simulated(rows))
        for case in cases:
            workers = {name: Worker(name, trial, how.limit) for name in programs}
            first = {name: worker.ask(case) for name, worker in workers.items()}
            able = {name: answer for name, answer in first.items() if "error" not in answer}
            for name in first.keys() - able.keys():
                if UNFIT not in first[name]["error"]:
                    print(f"{rows} rows, {case}, {name}: {first[name]['error']}", file=sys.stderr)
            times: dict[str, list[float]] = {name: [] for name in able}
            spent = dict.fromkeys(able, 0.0)
            for turn in range(MOST_REPEATS):
                for name in able:
                    enough = turn >= LEAST_REPEATS and spent[name] > REPEAT_FOR
                    if able[name]["seconds"] < NO_REPEAT and not enough:
                        answer = workers[name].ask(case)
                        times[name].append(how.took(answer))
                        spent[name] += answer.get("seconds", np.inf)
            for worker in workers.values():
                worker.close()
            for name, answer in able.items():
                taken = times[name] or [how.took(answer)]
                record = {"rows": rows, "model": case, "program": name, "repeats": len(taken)}
                out.append(record | answer | {"seconds": how.middle(taken)})
                print(*record.values(), f"{out[-1]['seconds']:.4g} s", file=sys.stderr, flush=True)
    return out


# ---------------------------------------------------------------- sections
def table(measured: pd.DataFrame, rivals: Sequence[str]) -> pd.DataFrame:
    out = []
    for (rows, model), group in measured.groupby(["rows", "model"], sort=False):
        by = group.set_index("program")
        seconds = by["seconds"].reindex([*OURS, *rivals])
        loglik = by["loglik"].reindex(rivals)
        if model == "negative binomial":
            loglik = loglik.drop("lme4", errors="ignore")
        line = {"rows": rows, "model": model, "fit s": seconds["ours"]}
        line["refit s"] = seconds["ours refit"]
        line |= {f"{name} s": seconds[name] for name in rivals}
        own = line["refit s"] if rows <= 96 else line["fit s"]
        others = seconds[list(rivals)]
        line["fastest"] = others.idxmin() if others.notna().any() else "-"
        line["times"] = others.min() / own
        line["ahead"] = "yes" if line["times"] > 1.0 else "no"
        line["above best"] = by["loglik"].get("ours", np.nan) - loglik.max()
        line["evaluations"] = by["evaluations"].get("ours", np.nan)
        out.append(line)
    return pd.DataFrame(out)


def memory(measured: pd.DataFrame) -> pd.DataFrame:
    """Peak of the process; "before" holds the libraries and the trial."""
    large = measured[(measured["rows"] == LARGE) & (measured["program"] == "ours")]
    return large[["model", "seconds", "before", "peak"]].rename(
        columns={"before": "before MB", "peak": "peak MB"}
    )


def slopes(measured: pd.DataFrame) -> pd.DataFrame:
    """Least-squares slope of log seconds in log rows, 960 rows and more."""
    own = measured[measured["program"].isin(OURS) & (measured["rows"] >= 960)]
    out = []
    for (model, program), group in own.groupby(["model", "program"], sort=False):
        logs = np.log(group[["rows", "seconds"]].to_numpy(dtype=float))
        slope = np.polyfit(logs[:, 0], logs[:, 1], 1)[0]
        sizes = ", ".join(f"{rows:,}" for rows in group["rows"])
        out.append({"model": model, "program": program, "slope": slope, "rows": sizes})
    return pd.DataFrame(out)


def compilation(how: How) -> pd.DataFrame:
    """A process that fits a Gaussian and a Poisson trial, with the cache empty, then filled."""
    out = []
    with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as cache:
        trial = Trial(Path(folder), simulated(96))
        for run in ("empty", "filled"):
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            start = time.perf_counter()
            worker = Worker("ours", trial, how.limit, NUMBA_CACHE_DIR=cache)
            for case in ("gaussian REML", "poisson"):
                worker.ask(case)
            elapsed = time.perf_counter() - start
            worker.close()
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            cpu = after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime
            out.append({"cache": run, "seconds": elapsed, "cpu seconds": cpu})
    more = {key: out[0][key] - out[1][key] for key in ("seconds", "cpu seconds")}
    return pd.DataFrame([*out, {"cache": "compilation"} | more])


def kenward_roger(in_r: bool, how: How, rows: int = 5_000) -> pd.DataFrame:
    """Seconds from a fit to its table of coefficients, and how far the tables are apart."""
    frame = simulated(rows)
    fit = fit_mixed(frame, "value", FIXED, nested=levels(frame))
    own = fit.coefficients
    values, times = frame["value"].to_numpy(), []
    for _ in range(5):
        fit = fit.refit(values)
        start = how.now()
        own = fit.coefficients
        times.append(how.now() - start)
    line = {"rows": rows, "method": fit.inference_method, "ours s": how.middle(times)}
    if in_r:
        with tempfile.TemporaryDirectory() as folder:
            worker = Worker("pbkrtest", Trial(Path(folder), frame), how.limit)
            worker.ask("gaussian REML")
            answer = worker.ask("gaussian REML")
            worker.close()
        if "error" in answer:
            print(f"pbkrtest: {answer['error']}", file=sys.stderr)
            return pd.DataFrame([line])
        line["pbkrtest s"] = how.took(answer)
        line["times"] = how.took(answer) / line["ours s"]
        # Both code the setup by its second level, so the rows are the same coefficients.
        for name in ("se", "df"):
            line[f"{name} apart"] = np.max(np.abs(own[name].to_numpy() / answer[name] - 1.0))
    return pd.DataFrame([line])


def rounds(programs: Sequence[str], how: How, n: int = 100) -> pd.DataFrame:
    """Seconds of ``n`` rounds; a rival's are the sum of its fits to the same draws.

    "ours above" is the mean of our log-likelihoods less its.
    """
    frame = simulated(96)
    fit = fit_mixed(frame, "kernels", FIXED, nested=levels(frame), family="poisson",
                    exposure="area", method="ml")  # fmt: skip
    draws = {f"draw{seed}": fit.simulate(1, seed)[:, 0].astype(int) for seed in range(n)}
    times: list[float] = []
    total = 0.0
    for _ in range(5):
        start = how.now()
        total = sum(fit.refit(fit.simulate(1, seed)[:, 0]).loglik for seed in range(n))
        times.append(how.now() - start)
    out = [{"program": "ours", "seconds": how.middle(times[1:])}]
    with tempfile.TemporaryDirectory() as folder:
        trial = Trial(Path(folder), pd.concat([frame, pd.DataFrame(draws)], axis=1))
        for name in programs:
            worker = Worker(name, trial, how.limit)
            worker.ask("poisson")
            answers = [worker.ask("poisson", draw) for draw in draws]
            worker.close()
            if not any("error" in answer for answer in answers):
                seconds = sum(map(how.took, answers))
                ours_above = (total - sum(answer["loglik"] for answer in answers)) / n
                out.append({"program": name, "seconds": seconds, "ours above": ours_above})
    return pd.DataFrame(out)


# ---------------------------------------------------------------- command line
def show(title: str, frame: pd.DataFrame) -> None:
    print(f"\n{title}")
    with pd.option_context("display.width", 250, "display.max_columns", None):
        print(frame.to_string(index=False, float_format="{:.4g}".format, na_rep="-"), flush=True)


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Time the mixed-model engine and its rivals.")
    parser.add_argument("rows", nargs="*", type=int, default=list(ROWS))
    parser.add_argument("--large", action="store_true", help=f"{LARGE:,} rows against rivals too")
    parser.add_argument("--sections", nargs="+", choices=SECTIONS, default=list(SECTIONS))
    parser.add_argument("--models", nargs="+", choices=CASES, default=list(CASES))
    rivals = (*IN_PYTHON, *IN_R)
    parser.add_argument("--rivals", nargs="*", choices=rivals, default=list(rivals))
    parser.add_argument("--limit", type=float, default=300.0, help="seconds a fit may take")
    parser.add_argument("--least", action="store_true", help="minima instead of medians")
    parser.add_argument("--cpu", action="store_true", help="processor instead of elapsed time")
    parser.add_argument("--save", type=Path, help="CSV of all that was measured for the table")
    return parser.parse_args()


def main() -> None:
    chosen = arguments()
    how = How(chosen.limit, chosen.least, chosen.cpu)
    in_r = shutil.which("Rscript") is not None
    rivals = [name for name in chosen.rivals if in_r or name not in IN_R]
    records: list[dict[str, Any]] = []
    if "table" in chosen.sections:
        for rows in [*chosen.rows, *([LARGE] if chosen.large else [])]:
            records += measure(rows, (*OURS, *rivals), chosen.models, how)
    if {"memory", "slope"} & set(chosen.sections):
        sizes = (960, 24_000, LARGE) if "slope" in chosen.sections else (LARGE,)
        for rows in sizes:
            known = {r["model"] for r in records if r["rows"] == rows}
            missing = [c for c in ("gaussian REML", "poisson") if c not in known]
            records += measure(rows, OURS, missing, how)
    measured = pd.DataFrame(records)
    if chosen.save:
        measured.to_csv(chosen.save, index=False)
    if "table" in chosen.sections:
        show("Fit and refit", table(measured, rivals))
    if "compilation" in chosen.sections:
        show("First use", compilation(how))
    if "kenward-roger" in chosen.sections:
        show("Kenward-Roger", kenward_roger(in_r, how))
    if "rounds" in chosen.sections:
        programs = [n for n in ("glmm", "glmm warm", "gpboost") if n.split()[0] in rivals]
        show("100 rounds of simulating and refitting", rounds(programs, how))
    if "memory" in chosen.sections:
        show("Memory at 480,000 rows", memory(measured))
    if "slope" in chosen.sections:
        show("Growth with rows", slopes(measured))


if __name__ == "__main__":
    main()
