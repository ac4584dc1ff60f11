"""What simulated plans gave: power, precision and minutes, and which plan is worth its time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special

from trialkit.analysis.estimates import holm
from trialkit.display import card, folded, table
from trialkit.errors import DesignError
from trialkit.facts import Note
from trialkit.plan import power_notes as notes
from trialkit.plan.power_expected import as_shares
from trialkit.plan.power_notes import PLAN
from trialkit.plan.power_scale import (
    monte_carlo_error,
    others_of,
    paired_error,
    shift_of,
)
from trialkit.quantities import Scale
from trialkit.responses import RESPONSES
from trialkit.words import power as words
from trialkit.words import said, say
from trialkit.words.counts import plural

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig
    from trialkit.plan.arrange import Layout
    from trialkit.plan.power_expected import Expected, Reductions
    from trialkit.simulate import Effort, Work

Response = str


@dataclass(frozen=True, slots=True)
class CheapestPlan:
    """The plan of a grid that reaches a power in fewest minutes.

    Attributes
    ----------
    pairs, frames, fields : int
    minutes, power, power_se : float
        Of the comparison that is told apart least often, where there are several.
    note : Note
    """

    pairs: int
    frames: int
    fields: int
    minutes: float
    power: float
    power_se: float
    note: Note

    @property
    def sentence(self) -> str:
        """The plan, its work and how sure its power is."""
        return say(self.note)

    def _repr_html_(self) -> str:
        return card("Fewest minutes", [self.sentence])


@dataclass(frozen=True, slots=True)
class Exchange:
    """One more pair against more frames.

    Attributes
    ----------
    table : DataFrame
        ``what`` ("as it is", "more pairs", "more frames"), ``pairs, frames, fields, minutes,
        more_minutes, power, gain, gain_se, gain_per_hour``; gains against the plan as it is, their
        standard errors from the same simulated strips under both plans.
    note : Note
    """

    table: pd.DataFrame
    note: Note

    @property
    def sentence(self) -> str:
        """What either brings, and which brings more in an hour."""
        return say(self.note)

    def _repr_html_(self) -> str:
        return card(words.exchange_heading(), [self.sentence], table(self.table))


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class PowerGrid:
    """Simulated plans side by side.

    Attributes
    ----------
    config : TrialConfig
    layout : {"pairs", "blocks", "split"}
    response : str
    table : DataFrame
        A row per plan and comparison: ``pairs`` (blocks in each field), ``frames`` (or grain
        samples on a strip), ``fields, factor, level, reference``; ``reduction`` (true share);
        ``counting, driving, changes, minutes`` (of work; all together); ``power, power_se`` (Monte
        Carlo standard error), ``analysed`` (share of rounds that could be); ``half_width`` (the
        median interval of the ratio runs from ratio / half_width to ratio * half_width),
        ``half_width_difference`` (kg/ha or percentage points); ``detectable`` (smallest reduction
        told apart with power `aim`, missing where none is); ``se, df`` (root mean square and
        median) of the contrast as tested, ``crossed`` (whether that is of averages over factors
        it interacts with).
    rounds : DataFrame
        A row per plan, comparison and round with what that trial would report: ``p, p_adjusted,
        se, df`` (of the contrast as tested), ``ratio, difference`` and their intervals; missing
        where the round could not be analysed.
    expected : Expected
    setups : tuple of mapping, or None
        The setups compared, where not every combination.
    reductions : mapping
        ``{factor: {level: share}}`` simulated.
    work : Work
    effort : Effort
    n_rounds, seed : int
    confidence, aim : float
    moved : bool
        The rounds are those of another reduction, see `at`.
    """

    config: TrialConfig
    layout: Layout
    response: Response
    table: pd.DataFrame
    rounds: pd.DataFrame
    expected: Expected
    setups: tuple[Mapping[str, str], ...] | None
    reductions: Mapping[str, Mapping[str, float]]
    work: Work
    effort: Effort
    n_rounds: int
    seed: int
    confidence: float
    aim: float
    moved: bool = False

    @property
    def row(self) -> str:
        """What is counted on a strip: "frame" or "sample"."""
        return RESPONSES[self.response].row

    @property
    def unit(self) -> Scale:
        """Unit of differences: the trial's own, or percentage points."""
        return notes.unit_of(self.response, self.config)

    def plan_words(self, pairs: int, frames: int, fields: int) -> str:
        """ "6 pairs with 8 frames a strip", with fields where the grid has several numbers."""
        several = self.table["fields"].nunique() > 1
        return words.plan(pairs, frames, fields, self.layout, self.row, several)

    def _in_words(self, row: pd.Series) -> str:
        return self.plan_words(*(int(row[name]) for name in PLAN))

    def of(self, factor: str | None = None, level: str | None = None) -> pd.DataFrame:
        """The table of one comparison; of the one told apart least often in each plan unless told.

        Raises
        ------
        DesignError
            When there is no such comparison.
        """
        rows = self.table
        if factor is not None:
            rows = rows[rows["factor"].eq(factor)]
        if level is not None:
            rows = rows[rows["level"].eq(level)]
        if rows.empty:
            known = self.table[["factor", "level"]].drop_duplicates()
            named = ", ".join(f"{f} {v}" for f, v in known.itertuples(index=False))
            raise DesignError(f"No comparison {factor} {level or ''}; there are: {named}.")
        # A level without a true reduction has no power to be found.
        real = rows[rows["reduction"].ne(0)]
        rows = real if len(real) else rows
        least = rows.groupby(PLAN)["power"].idxmin()
        return rows.loc[least.sort_values()].reset_index(drop=True)

    def cheapest(
        self, power: float | None = None, factor: str | None = None, level: str | None = None
    ) -> CheapestPlan | None:
        """The plan that reaches a power in fewest minutes; None where none does.

        Parameters
        ----------
        power : float, optional
            `aim` unless told.
        factor, level : str, optional
            As in `of`.
        """
        power = self.aim if power is None else power
        rows = self.of(factor, level)
        rows = rows[rows["power"] >= power]
        if rows.empty:
            return None
        row = rows.loc[rows["minutes"].idxmin()]
        return CheapestPlan(
            int(row["pairs"]), int(row["frames"]), int(row["fields"]), float(row["minutes"]),
            float(row["power"]), float(row["power_se"]),
            notes.cheapest(self._in_words(row), row, power),
        )  # fmt: skip

    def better(
        self, pairs: int, frames: int, fields: int | None = None,
        factor: str | None = None, level: str | None = None,
    ) -> Exchange:  # fmt: skip
        """What one more pair brings, and what more frames on every strip would.

        Parameters
        ----------
        pairs, frames, fields : int
            A plan of the grid; the fewest fields unless told. More pairs is the next number of
            them in the grid; more frames are all larger numbers.

        Raises
        ------
        DesignError
            When the plan is not in the grid, or is its largest.
        """
        rows = self.of(factor, level)
        fields = int(rows["fields"].min()) if fields is None else fields
        here = rows[(rows[PLAN] == [pairs, frames, fields]).all(axis=1)]
        if here.empty:
            raise DesignError(
                f"{pairs} pairs, {frames} {plural(self.row)} and {fields} fields are not in the "
                "grid."
            )
        own = rows[rows["fields"].eq(fields)]
        wider = own[own["pairs"].gt(pairs) & own["frames"].eq(frames)].head(1)
        deeper = own[own["pairs"].eq(pairs) & own["frames"].gt(frames)]
        if wider.empty and deeper.empty:
            raise DesignError("That is the largest plan of the grid; nothing to compare it with.")
        parts = [here.assign(what="as it is"), wider.assign(what="more pairs"),
                 deeper.assign(what="more frames")]  # fmt: skip
        out = pd.concat(parts, ignore_index=True)
        base = out.iloc[0]
        gains = [self._gain(base, row) for _, row in out.iterrows()]
        out["more_minutes"] = out["minutes"] - base["minutes"]
        out["gain"], out["gain_se"] = zip(*gains, strict=True)
        with np.errstate(divide="ignore", invalid="ignore"):
            out["gain_per_hour"] = 60 * out["gain"] / out["more_minutes"]
        columns = ["what", *PLAN, "minutes", "more_minutes", "power", "gain", "gain_se",
                   "gain_per_hour"]  # fmt: skip
        rounds = [self.told_apart(row) for _, row in out.iterrows()]
        told = notes.exchange(out, self._in_words(base), self.layout, self.row, rounds)
        return Exchange(out[columns], told)

    def told_apart(self, row: pd.Series) -> np.ndarray:
        """Round by round, whether the comparison of a row of `table` was told apart."""
        keys = [*PLAN, "factor", "level"]
        own = self.rounds[(self.rounds[keys] == row[keys].tolist()).all(axis=1)]
        return (own.sort_values("round")["p_adjusted"] < 1 - self.confidence).to_numpy()

    def _gain(self, base: pd.Series, row: pd.Series) -> tuple[float, float]:
        """Difference of powers and its standard error over rounds of the same strips."""
        moved = self.told_apart(row).astype(float) - self.told_apart(base)
        same = (row[[*PLAN, "factor", "level"]] == base[[*PLAN, "factor", "level"]]).all()
        return float(moved.mean()), 0.0 if same else paired_error(moved)

    def at(self, reduction: float) -> PowerGrid:
        """The same rounds if every level had another reduction, without simulating again.

        Every round's estimate is moved by what the true contrast moves. Degrees of freedom stay,
        and the standard error on the link scale: what less or more loss changes in the chance of
        counting is left aside. The table's widths and
        detectable reductions stay; ratios and differences of the rounds are missing.

        Raises
        ------
        DesignError
            For a reduction that is not a share below 1.
        """
        shares = as_shares(self.config, reduction)
        if RESPONSES[self.response].family == "binomial":
            self.expected.check_shares(self.response, shares)
        keys, levels = [*PLAN, "factor", "level"], levels_of(self.table)

        def of(row: pd.Series, share: float, told: Reductions) -> float:
            return shift_of(share, self.response, bool(row["crossed"]), self.expected,
                            others_of(row["factor"], levels, told))  # fmt: skip

        t = self.table.copy()
        t["_moved"] = [
            of(row, row["reduction"], self.reductions) - of(row, reduction, shares)
            for _, row in t.iterrows()
        ]
        rounds = self.rounds.merge(t[[*keys, "_moved"]], on=keys, validate="many_to_one")
        rounds["estimate"] += rounds["_moved"]
        rounds[[c for c in rounds if c.startswith(("ratio", "difference"))]] = np.nan
        rounds["p"] = 2 * special.stdtr(rounds["df"], -(rounds["estimate"] / rounds["se"]).abs())
        rounds["p_adjusted"] = rounds["p"]
        if t.groupby([*PLAN, "factor"]).size().max() > 1:
            trial = rounds.groupby([*PLAN, "factor", "round"])["p"]
            rounds["p_adjusted"] = trial.transform(lambda p: holm(p.to_numpy()))
        told = (rounds["p_adjusted"] < 1 - self.confidence).groupby(
            [rounds[key] for key in keys], sort=False
        )  # fmt: skip
        hits = t[keys].merge(told.sum().rename("hits").reset_index(), on=keys)["hits"]
        t["reduction"], t["power"] = reduction, hits / self.n_rounds
        t["power_se"] = [monte_carlo_error(int(h), self.n_rounds) for h in hits]
        return replace(
            self, table=t.drop(columns="_moved"), rounds=rounds[self.rounds.columns],
            reductions=shares, moved=True,
        )  # fmt: skip

    @property
    def notes(self) -> tuple[Note, ...]:
        """What was simulated, the cheapest plan, what it can tell, and what all of it rests on."""
        t, best = self.table, self.cheapest()
        out = [notes.simulated(self.config, self.response, self.expected, self.reductions,
                               self.row, self.n_rounds, self.confidence)]  # fmt: skip
        if best is None:
            top = self.of().sort_values("power").iloc[-1]
            out.append(Note("power.none_reaches", {
                "aim": self.aim, "nearest": self._in_words(top), "power": float(top["power"]),
            }))  # fmt: skip
        else:
            own = t[(t[PLAN] == [best.pairs, best.frames, best.fields]).all(axis=1)]
            out += [best.note, notes.told_apart(own, self.config, self.response)]
        error = {"error": float(t["power_se"].max()), "rounds": self.n_rounds}
        out.append(Note("power.simulation_error", error))
        out.append(notes.hours_counted(self.work, self.effort, self.response))
        if self.moved:
            out.append(Note("power.rounds_moved"))
        if (low := float(t["analysed"].min())) < 1:
            out.append(Note("power.not_analysed", {"share": 1 - low}))
        return (*out, *self.expected.notes)

    @property
    def sentences(self) -> tuple[str, ...]:
        """The notes as sentences."""
        return tuple(said(self.notes))

    def shown(self) -> pd.DataFrame:
        """The table as people read it: percentages, hours, the trial's own unit."""
        t, unit = self.table, self.unit
        out = t[PLAN].rename(columns={"frames": plural(self.row)})
        if len(t[["factor", "level"]].drop_duplicates()) > 1:
            labels = notes.labels_of(self.config)
            out["compared"] = [labels[pair] for pair in zip(t["factor"], t["level"], strict=True)]
        out["hours"] = (t["minutes"] / 60).round(1)
        out["power %"] = (100 * t["power"]).round(0).astype(int)
        out["+-"] = (100 * t["power_se"]).round(1)
        if (t["analysed"] < 1).any():
            out["analysed %"] = (100 * t["analysed"]).round(0).astype(int)
        out["ratio x/"] = t["half_width"].round(2)
        width = unit.factor * t["half_width_difference"]
        out[f"{unit.unit} +-"] = width.round(2) if width.min() < 10 else width.round(0)
        out["finds %"] = (100 * t["detectable"]).round(0)
        return out.drop(columns="fields") if t["fields"].eq(1).all() else out

    def _repr_html_(self) -> str:
        return card(
            words.grid_heading(),
            [*self.sentences, words.legend()],
            table(self.shown(), rows=500),
            folded(words.expected_and_why(), table(self.expected.table(), rows=40)),
        )

    def __repr__(self) -> str:
        return "\n".join([*self.sentences, "", self.shown().to_string(index=False)])


def levels_of(contrasts: pd.DataFrame) -> dict[str, list[str]]:
    """Levels of every factor, its reference first, from ``factor, level, reference``."""
    return {
        name: [own["reference"].iloc[0], *dict.fromkeys(own["level"])]
        for name, own in contrasts.groupby("factor", sort=False)
    }

