"""Simulated trials of many plans, each refitted with the model the analysis would use."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.analysis.design import read_design
from trialkit.analysis.rounds import ANSWERS, Rounds
from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.errors import DesignError, ModelError
from trialkit.intake.config import TrialConfig
from trialkit.mapping import mapped, opened
from trialkit.plan.arrange import LAYOUTS, Layout, Setup, units_of
from trialkit.plan.build import _asked_for, _check_layout
from trialkit.plan.power_draws import Sampler
from trialkit.plan.power_expected import DEFAULT, Expected, Reductions, as_shares
from trialkit.plan.power_grid import PowerGrid, Response, levels_of
from trialkit.plan.power_learn import learn
from trialkit.plan.power_notes import PLAN
from trialkit.plan.power_scale import least_share, monte_carlo_error, others_of
from trialkit.plan.power_work import plan_minutes, strips_of
from trialkit.plan.record import PlannedTrial, effort_of
from trialkit.plan.refusals import Fault
from trialkit.plan.result import Plan
from trialkit.responses import Drawn, schema, with_power
from trialkit.simulate import Effort, Truth, Work
from trialkit.trial import Trial

if TYPE_CHECKING:
    from trialkit.analysis.specifications import Specification

Progress = Callable[[int, int], None]

PAIRS, FRAMES, SAMPLES = (3, 4, 5, 6, 7, 8), (4, 6, 8, 12, 16), (1, 2, 3, 4, 6)
# Rounds that are drawn together; part of what a seed means.
BATCH = 100
MOST_CELLS, MOST_ROUNDS = 400, 20_000


@dataclass(frozen=True, slots=True)
class _Cell:
    """One plan, ready to be simulated."""

    config: TrialConfig
    response: Response
    strips: pd.DataFrame
    truth: Truth
    drawn: Drawn
    frames: int
    effort: Effort
    confidence: float
    seed: int

    def run(self, batch: int, rounds: int) -> np.ndarray:
        """Answers, shape (rounds, contrasts, answers); missing where nothing could be analysed."""
        again, spec = self.rounds(), SPECIFICATIONS[self.response]
        sampler = Sampler(self.strips, tuple(f.name for f in self.config.setups),
                          self.truth, self.seed)  # fmt: skip
        ahead: np.ndarray | None = None
        if spec.offset:
            counts, before = sampler.header(rounds, batch, self.frames, self.effort)
            ahead = before if before.shape[1] else None
        else:
            counts = sampler.counts(self.drawn, spec.family, spec.row, rounds, batch, self.frames,
                                    self._size())  # fmt: skip
        out = np.full((rounds, len(again.contrasts), len(ANSWERS)), np.nan)
        for i in range(rounds):
            before_i = None if ahead is None else ahead[i].astype(float)
            try:
                out[i] = again.answer(counts[i].astype(float), before_i)
            except (DesignError, ModelError):
                continue
        return out

    def rounds(self) -> Rounds:
        """The model and its rows, counts still to come."""
        spec: Specification = SPECIFICATIONS[self.response]
        tidied = schema.tidy(self.strips, "strips", self.config.setups)
        rows = len(tidied) * self.frames
        design = read_design(self.config, tidied, rows, spec.row, adjust=False)
        data = self._rows(design.strips, self.frames)
        data[spec.row] = [str(i) for i in range(len(data))]
        data[str(spec.size)] = self._size()
        ahead = None
        if spec.offset and self.effort.preharvest_frames:
            ahead = self._rows(design.strips, self.effort.preharvest_frames)
            ahead["area"] = self.effort.frame_area
        none = Trial.from_tables(self.config, {}).tables
        scale = spec.scale(data, none, self.config)
        return Rounds(spec, design, design.categories(data), scale, self.confidence, ahead)

    def _size(self) -> float:
        """Area of a frame, or how much of a sample is examined."""
        spec = SPECIFICATIONS[self.response]
        if spec.offset:
            return self.effort.frame_area
        return self.effort.kernels_examined if spec.expectation else self.drawn.size

    @staticmethod
    def _rows(strips: pd.DataFrame, times: int) -> pd.DataFrame:
        return strips.loc[strips.index.repeat(times)].reset_index(drop=True)


def _expected(expected: Expected | None, from_trials: str | Path | None) -> Expected:
    """What is expected: as told, learnt from past trials, or typical of the trade."""
    if expected is not None and from_trials is not None:
        raise DesignError("Give expected numbers or past trials to learn them from, not both.")
    return expected or (DEFAULT if from_trials is None else learn(from_trials))


# Long: a third of it is the signature.
def power(
    trial: TrialConfig | Plan,
    *,
    reduction: float | Reductions = 0.3,
    response: Response = "header_loss",
    expected: Expected | None = None,
    from_trials: str | Path | None = None,
    pairs: Sequence[int] | None = None,
    frames: Sequence[int] | None = None,
    fields: Sequence[int] | None = None,
    layout: Layout | None = None,
    setups: Sequence[Mapping[str, str]] | None = None,
    effort: Effort | None = None,
    work: Work | None = None,
    rounds: int = 200,
    seed: int | None = None,
    confidence: float = 0.95,
    aim: float = 0.8,
    jobs: int = 1,
    client: Any = None,
    progress: Progress | None = None,
) -> PowerGrid:
    """Simulate trials from stated truth and refit the planned model, plan by plan.

    A round counts for the power of a comparison when its p-value, adjusted for the factor's other
    comparisons (Holm), is below ``1 - confidence``. A round whose counts could not be analysed does
    not. Speed and moisture are held at their means and not adjusted for.

    Parameters
    ----------
    trial : TrialConfig or Plan
        What is compared. A plan brings its layout, setups, pairs, fields, effort and work.
    reduction : float or mapping
        True share by which every level loses (or damages) less than its factor's reference, or
        ``{factor: {level: share}}``, others none; below zero for more. Effects multiply.
    response : str
        One of `trialkit.responses.with_power`: "header_loss", "kernel_damage".
    expected : Expected, optional
        Level of loss and damage, and variation; trade-typical unless told.
    from_trials : path, optional
        Folder of past trials to learn them from, instead of `expected`.
    pairs, frames, fields : sequence of int, optional
        Pairs (blocks) in each field; frames behind the header (or grain samples) on each strip;
        fields. Every combination is a plan.
    layout, setups
        As in `plan_trial`.
    effort : Effort, optional
        What is counted on a strip beside the frames (or samples) that are varied; it is in the
        minutes. Unless told, no more than the response needs.
    work : Work, optional
        How long things take.
    rounds : int
        Simulated trials of each plan.
    seed : int, optional
        The same seed gives the same numbers for any number of jobs or workers; drawn and kept when
        not given.
    confidence, aim : float
        Of intervals and tests, 0.95 unless told; the power asked for. On-farm work tests at 0.05
        or 0.10 (the most common in four states, 2017); 0.10 to 0.15 is called apt in Nebraska, 0.10
        to 0.20 in Ohio where errors are cheap.
    jobs : int
        Processes.
    client : None, "local", str or dask.distributed.Client, optional
        Who simulates instead: workers started on this machine, those of a scheduler's address,
        those of a client; needs ``trialkit[cluster]``.
    progress : callable, optional
        Called with (rounds done, rounds in all).

    Raises
    ------
    DesignError
        For arguments that have no meaning, and layouts that cannot be analysed.
    ClusterError
        If the cluster that was asked for cannot do the work.
    """
    config = trial.config if isinstance(trial, Plan) else trial
    if isinstance(trial, Plan):
        planned = of_plan(trial)
        layout = layout or planned["layout"]
        setups = planned["setups"] if setups is None else setups
        pairs = planned["pairs"] if pairs is None else pairs
        fields = planned["fields"] if fields is None else fields
        work, effort = work or planned["work"], effort or planned["effort"]
    if not config.setups:
        raise DesignError("The settings declare no setup factor, so there is nothing to compare.")
    if response not in with_power():
        raise DesignError(f"response is {response!r}; choose from {', '.join(with_power())}.")
    spec = SPECIFICATIONS[response]
    expected = _expected(expected, from_trials)
    work, effort = work or Work(), effort or _needed(response, config.units)
    seed = secrets.randbelow(2**32) if seed is None else seed
    usual = FRAMES if spec.row == "frame" else SAMPLES
    counts = {
        "pairs": _numbers("pairs", PAIRS if pairs is None else pairs, 2, 99),
        "frames": _numbers("frames", usual if frames is None else frames, 1, 200),
        "fields": _numbers("fields", (1,) if fields is None else fields, 1, 50),
    }
    _check(counts, rounds, seed, confidence, aim, jobs)
    chosen = layout if layout is not None else _asked_for(config)
    units = _units(config, chosen, setups)
    shares = as_shares(config, reduction)
    if spec.family == "binomial":
        expected.check_shares(response, shares)
    cells = [
        _Cell(
            config, response, strips_of(config, units, p, [str(i + 1) for i in range(f)]),
            expected.truth(config, shares, f, units[1] != [()]),
            expected.drawn(response, shares), n, effort, confidence, seed,
        )
        for p, n, f in product(*counts.values())
    ]  # fmt: skip
    smallest = min(cells, key=lambda cell: (len(cell.strips), cell.frames))
    contrasts = smallest.rounds().contrasts  # refuses before anything is simulated
    with opened(client) as workers:
        answers = _simulate(cells, rounds, jobs, workers, progress)
    plans = [
        {"pairs": p, "frames": n, "fields": f,
         **plan_minutes(work, config, units, p, f, effort.with_times(spec.effort, n))}
        for p, n, f in product(*counts.values())
    ]  # fmt: skip
    table, simulated = _grid(plans, cells, answers, contrasts, expected, shares, aim)
    return PowerGrid(
        config, chosen, response, table, simulated, expected,
        None if setups is None else tuple(dict(s) for s in setups), shares, work, effort, rounds,
        int(seed), confidence, aim,
    )  # fmt: skip


def _grid(
    plans: Sequence[Mapping[str, Any]], cells: Sequence[_Cell], answers: Sequence[np.ndarray],
    contrasts: pd.DataFrame, expected: Expected, shares: Reductions, aim: float,
) -> tuple[pd.DataFrame, pd.DataFrame]:  # fmt: skip
    """Table and rounds of a `PowerGrid`; `plans` are its numbers and minutes, cell by cell."""
    rows, simulated = [], []
    crossings: dict[tuple[int, int], tuple[tuple[str, str], ...]] = {}
    several = len(set(contrasts["factor"])) > 1
    levels = levels_of(contrasts)
    for plan, cell, found in zip(plans, cells, answers, strict=True):
        size = (plan["pairs"], plan["fields"])
        if several and size not in crossings:  # a design does not hang on frames
            crossings[size] = cell.rounds().design.interactions
        interactions = crossings.get(size, ())
        for i, contrast in enumerate(contrasts.to_dict("records")):
            factor, level = contrast["factor"], contrast["level"]
            of = int(contrasts["factor"].eq(factor).sum())
            crossed = any(factor in pair for pair in interactions)
            others = others_of(factor, levels, shares)
            rows.append({
                **{key: plan[key] for key in PLAN}, **contrast,
                "reduction": shares.get(factor, {}).get(level, 0.0),
                **{key: plan[key] for key in plan if key not in PLAN},
                **summary(cell, found[:, i], of, aim, expected, crossed, others),
                "crossed": crossed,
            })  # fmt: skip
            own = pd.DataFrame(found[:, i], columns=list(ANSWERS))
            own.insert(0, "round", np.arange(1, len(own) + 1))
            for key, value in (("level", level), ("factor", factor),
                               *((key, plan[key]) for key in PLAN[::-1])):  # fmt: skip
                own.insert(0, key, value)
            simulated.append(own)
    return pd.DataFrame(rows), pd.concat(simulated, ignore_index=True)


def of_plan(planned: Plan | PlannedTrial) -> dict[str, Any]:
    """Arguments of `power` that a plan settles: layout, setups, numbers near its own, work."""
    own = planned.arguments
    blocks = int(own["blocks"])
    return {
        "layout": planned.layout, "setups": own.get("setups"),
        "pairs": [n for n in range(blocks - 2, blocks + 4) if n >= 3],
        "fields": [len(own["grounds"])], "effort": effort_of(planned),
        "work": replace(
            Work.recorded(own), order=own["order"],
            strip_length=float((planned.strips["end"] - planned.strips["start"]).mean()),
        ),
    }  # fmt: skip


def _needed(response: Response, system: schema.System) -> Effort:
    """What one response alone needs on a strip."""
    bare = replace(Effort.usual(system), total_frames=0, ear_area=0.0, grain_samples=0,
                   residue_samples=0, intake_samples=0, butt_samples=0)  # fmt: skip
    if SPECIFICATIONS[response].offset:
        return bare
    return replace(bare, header_frames=0, preharvest_frames=0)


def summary(
    cell: _Cell, found: np.ndarray, of: int, aim: float, expected: Expected, crossed: bool,
    others: Sequence[Sequence[float]],
) -> dict[str, float]:  # fmt: skip
    """Power, precision and detectable reduction of one contrast, from its answers."""
    n = len(found)
    frame = pd.DataFrame(found, columns=list(ANSWERS))
    held = frame.dropna(subset=["p"])
    hits = int((held["p_adjusted"] < 1 - cell.confidence).sum())
    out = {
        "power": hits / n, "power_se": monte_carlo_error(hits, n),
        "analysed": len(held) / n,
    }  # fmt: skip
    ratios = held.dropna(subset=["ratio"])
    half = np.sqrt(ratios["ratio_high"] / ratios["ratio_low"])
    enough = 2 * len(ratios) > len(held) > 0
    out["half_width"] = float(half.median()) if enough else np.nan
    width = held["difference_high"] - held["difference_low"]
    out["half_width_difference"] = float(width.median() / 2) if len(held) else np.nan
    out["se"] = float(np.sqrt((held["se"] ** 2).mean())) if len(held) > 1 else np.nan
    out["df"] = float(held["df"].median()) if len(held) > 1 else np.nan
    out["detectable"] = np.nan
    if len(held) > 1:
        # Rounds without an answer tell nothing apart, so the others must do so oftener.
        out["detectable"] = least_share(
            out["se"], out["df"], of, aim / out["analysed"], cell.confidence, cell.response,
            crossed, expected, others,
        )  # fmt: skip
    return out


# ---------------------------------------------------------------- arguments
def _units(
    config: TrialConfig, layout: Layout, setups: Sequence[Mapping[str, str]] | None
) -> tuple[list[Setup], list[Setup]]:
    if layout not in LAYOUTS:
        raise DesignError(f"layout is {layout!r}; choose from {', '.join(LAYOUTS)}.")
    if setups is not None and layout == "split":
        raise DesignError("Split-strips take every combination of levels; leave setups out.")
    try:
        units = units_of(config, layout, setups)
        _check_layout(config, layout, *units)
    except Fault as fault:
        raise DesignError(str(fault)) from None
    return units


def _numbers(name: str, values: Sequence[int] | int, low: int, high: int) -> tuple[int, ...]:
    given = [values] if isinstance(values, int) else list(values)
    fine = all(isinstance(v, (int, np.integer)) and low <= v <= high for v in given)
    if not given or not fine or any(isinstance(v, bool) for v in given):
        raise DesignError(f"{name} is {values!r}; give whole numbers, {low} to {high}.")
    return tuple(sorted({int(v) for v in given}))


def _check(
    counts: Mapping[str, tuple[int, ...]], rounds: int, seed: int, confidence: float, aim: float,
    jobs: int,
) -> None:  # fmt: skip
    if np.prod([len(v) for v in counts.values()]) > MOST_CELLS:
        raise DesignError(f"More than {MOST_CELLS} plans are asked for; name fewer numbers.")
    for name, value, low, high in (("rounds", rounds, 2, MOST_ROUNDS), ("jobs", jobs, 1, 256),
                                   ("seed", seed, 0, 2**64 - 1)):  # fmt: skip
        whole = isinstance(value, (int, np.integer)) and not isinstance(value, bool)
        if not whole or not low <= value <= high:
            raise DesignError(f"{name} is {value!r}; give a whole number, {low} to {high}.")
    if not 0.5 <= confidence < 1 or not 1 - confidence < aim < 1:
        raise DesignError(
            "confidence lies from 0.5 to below 1, and the power aimed at between 1 - confidence "
            "and 1."
        )


# ---------------------------------------------------------------- work
def _simulate(
    cells: Sequence[_Cell], rounds: int, jobs: int, client: Any, progress: Progress | None
) -> list[np.ndarray]:
    """Answers of every cell, shape (rounds, contrasts, answers)."""
    batches = [(b, min(BATCH, rounds - b * BATCH)) for b in range(-(-rounds // BATCH))]
    tasks = [(cell, *batch) for cell in cells for batch in batches]
    parts = []
    for part in mapped(_run, tasks, client=client, jobs=jobs):
        parts.append(part)
        if progress is not None:
            progress(sum(map(len, parts)), rounds * len(cells))
    each = len(batches)
    return [np.concatenate(parts[i * each : (i + 1) * each]) for i in range(len(cells))]


def _run(task: tuple[_Cell, int, int]) -> np.ndarray:
    cell, batch, rounds = task
    return cell.run(batch, rounds)
