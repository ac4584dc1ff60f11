"""From settings and ground to a `Plan`: layouts over one core."""

from __future__ import annotations

import dataclasses
import math
import secrets
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from trialkit.errors import DesignError, TrialError
from trialkit.intake.config import check_config
from trialkit.plan.arrange import LAYOUTS, Layout, Restrictions, Setup, draw_strips, units_of
from trialkit.plan.draws import Draws
from trialkit.plan.ground import (
    SHORTEST,
    Ground,
    keeps_planter_passes,
    lay_passes,
    rows_to_count,
)
from trialkit.plan.refusals import Fault, PlanRefused, analysable
from trialkit.plan.result import Plan
from trialkit.plan.strata import by_factor, variance_table
from trialkit.plan.work import changeovers, order_of_work
from trialkit.responses import schema
from trialkit.simulate import Effort, Work
from trialkit.simulate.work import ORDERS, Order
from trialkit.words import plan as words
from trialkit.words.plan import field_length

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig

BETWEEN = ("blocks", "main strips", "strips")


def plan_trial(
    config: TrialConfig,
    grounds: Ground | Sequence[Ground],
    *,
    layout: Layout | None = None,
    blocks: int = 6,
    setups: Sequence[Mapping[str, str]] | None = None,
    seed: int | None = None,
    pass_rows: int | None = None,
    border_passes: int = 1,
    buffer_passes: int = 0,
    buffers_between: str = "blocks",
    min_length: float = SHORTEST,
    balance: bool = False,
    max_run: int = 3,
    order: Order = "position",
    alternate: bool = True,
    max_change_hours: float | None = None,
    work: Work | None = None,
    effort: Effort | None = None,
) -> Plan:
    """Lay out a strip trial at random and check that it can be run and analysed.

    Parameters
    ----------
    config : TrialConfig
        Header, setup factors (`hard_to_change` marks those that take hours), units.
    grounds : Ground or sequence of them
        The fields; the layout is repeated on each with a randomisation of its own.
    layout : {"pairs", "blocks", "split"}, optional
        Two setups side by side; k setups side by side; hard-to-change factors on main strips, the
        others on strips inside them. Unless told, as the factors ask for.
    blocks : int
        Blocks (pairs) in each field; every one holds every setup once. Guides to on-farm trials ask
        for 4 to 6 (Mississippi State University), 6 or more (Practical Farmers of Iowa), 6 to 7
        (University of Nebraska).
    setups : sequence of mappings, optional
        The setups compared, each ``{factor: level}``; unless told, every combination of levels.
        Not with split-strips.
    seed : int, optional
        Drawn and recorded when not given.
    pass_rows : int, optional
        Rows the combine takes in a pass; those of the header unless told.
    border_passes, buffer_passes : int
        Passes left out at either side of the trial; between neighbours, see `buffers_between`.
    buffers_between : {"blocks", "main strips", "strips"}
    min_length : float
        Shortest strip allowed (m); 300 ft unless told.
    balance : bool
        Every setup stands at every place of its block equally often, give or take one.
    max_run : int
        At most so many blocks of a field in a row begin with the same setup (main strip).
    order : {"position", "fewest changes"}
        How blocks are run: from left to right, or starting with what is on the machine.
    alternate : bool
        Whether passes are run up and down in turn, or all of them up.
    max_change_hours : float, optional
        Most hours of changeovers; layouts that take more are not drawn.
    work : Work, optional
        Speed, and minutes that turning, counting and a change take; length of strips and order are
        the plan's own.
    effort : Effort, optional
        What is counted on every strip, for the hours; the usual (`Effort.usual`) unless told.

    Raises
    ------
    PlanRefused
        When no such plan can be run (width, length, planter passes, hours) or analysed; the message
        gives the reason and the nearest plan that can, its ``nearest`` the arguments to change.
    DesignError, TrialError
        For arguments that have no meaning.
    """
    grounds = (grounds,) if isinstance(grounds, Ground) else tuple(grounds)
    chosen = layout if layout is not None else _asked_for(config)
    arguments = {
        "layout": chosen, "blocks": blocks, "setups": setups, "border_passes": border_passes,
        "pass_rows": config.header.rows if pass_rows is None else pass_rows,
        "buffer_passes": buffer_passes, "buffers_between": buffers_between,
        "min_length": min_length, "balance": balance, "max_run": max_run, "order": order,
        "alternate": alternate, "max_change_hours": max_change_hours,
        "work": Work() if work is None else work, "effort": effort,
    }  # fmt: skip
    _check(config, grounds, arguments)
    seed = secrets.randbelow(2**32) if seed is None else seed
    try:
        return _draw(config, grounds, seed, arguments)
    except Fault as fault:
        reason, tried = str(fault), fault.changes
    for changes in tried:
        try:
            nearest = _draw(config, grounds, seed, {**arguments, **changes})
        except Fault:
            continue
        told = words.changes(changes, config.units)
        raise PlanRefused(
            f"{reason} The nearest plan that can be: {told}. {nearest.words[0]}", changes
        )
    raise PlanRefused(f"{reason} No plan near this one can be run and analysed.")


def _asked_for(config: TrialConfig) -> Layout:
    hard = [f for f in config.setups if f.hard_to_change]
    if hard and len(hard) < len(config.setups):
        return "split"
    return "pairs" if math.prod(len(f.levels) for f in config.setups) == 2 else "blocks"


def _check(config: TrialConfig, grounds: tuple[Ground, ...], a: Mapping[str, Any]) -> None:
    """Arguments that have no meaning."""
    for name, options in (("layout", LAYOUTS), ("buffers_between", BETWEEN),
                          ("order", ORDERS)):  # fmt: skip
        if a[name] not in options:
            raise DesignError(f"{name} is {a[name]!r}; choose from {', '.join(options)}.")
    for name, low, high in (("blocks", 1, 99), ("pass_rows", 1, 36), ("border_passes", 0, 20),
                            ("buffer_passes", 0, 20), ("max_run", 2, 99)):  # fmt: skip
        value = a[name]
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise DesignError(f"{name} is {value!r}; give a whole number, {low} to {high}.")
    hours = a["max_change_hours"]
    if not 0 <= a["min_length"] < math.inf or not (hours is None or 0 <= hours < math.inf):
        raise DesignError("min_length (m) and max_change_hours are numbers, not negative.")
    if not config.setups:
        raise DesignError("The settings declare no setup factor, so there is nothing to compare.")
    names = [g.field.casefold() for g in grounds]
    if not names or len(set(names)) < len(names):
        raise DesignError("Give at least one ground, and each field its own name.")
    if a["setups"] is not None and a["layout"] == "split":
        raise DesignError("Split-strips take every combination of levels; leave setups out.")
    # The trial's file must be readable by the very checks that will read it.
    try:
        check_config(
            {"title": config.title, "season": config.season, "units": "SI",
             "header": {"rows": config.header.rows, "width": config.header.width},
             "setup": [{"name": f.name, "levels": list(f.levels)} for f in config.setups]},
            "the trial",
        )  # fmt: skip
    except TrialError as error:
        raise DesignError(str(error)) from None


def _draw(
    config: TrialConfig, grounds: tuple[Ground, ...], seed: int, a: Mapping[str, Any]
) -> Plan:
    """The plan, or the first `Fault` that stands against it."""
    draws = Draws(seed)
    try:
        whole, sub = units_of(config, a["layout"], a["setups"])
    except Fault as fault:
        raise DesignError(str(fault)) from None
    _check_layout(config, a["layout"], whole, sub)
    _check_ground(config, grounds, a)
    minutes = a["work"].changes(config.setups)
    keep = Restrictions(a["max_run"], a["balance"], a["order"], a["max_change_hours"])
    names = [g.field for g in grounds]
    # Whether it can be analysed and fits does not hang on the draw: say that before the hours.
    trial, _ = draw_strips(config, (whole, sub), names, a["blocks"], Draws(0),
                           Restrictions(99, False, "position", None), minutes)  # fmt: skip
    analysable(config, schema.tidy(trial.drop(columns="setup"), "strips", config.setups))
    _lay(config, grounds, trial, a)
    strips, order = draw_strips(config, (whole, sub), names, a["blocks"], draws, keep, minutes)
    passes = _lay(config, grounds, strips, a)
    strips = _placed(strips, passes, grounds, order, a["alternate"])
    own = schema.column_names("strips", config.setups)
    design = analysable(
        config, schema.tidy(strips[[c for c in strips if c in own]], "strips", config.setups)
    )
    variance = variance_table(design)
    own_length = float((strips["end"] - strips["start"]).mean())
    work = dataclasses.replace(a["work"], strip_length=own_length, order=a["order"])
    across = min(a["pass_rows"] * g.row_spacing for g in grounds)
    effort = Effort.usual(config.units, across) if a["effort"] is None else a["effort"]
    arguments = {**a, "work": dataclasses.asdict(work), "effort": effort.as_dict()}
    arguments["setups"] = None if a["setups"] is None else [dict(s) for s in a["setups"]]
    arguments["grounds"] = [
        {k: v for k, v in dataclasses.asdict(g).items() if k != "grower" or v} for g in grounds
    ]
    return Plan(
        config, a["layout"], int(seed), grounds, design, strips, passes,
        order_of_work(config, strips, order, work, effort),
        changeovers(config, strips, order, work),
        variance, by_factor(design, variance), arguments, work, effort,
    )  # fmt: skip


def _check_layout(
    config: TrialConfig, layout: Layout, whole: list[Setup], sub: list[Setup]
) -> None:
    count = len(whole) * len(sub)
    if layout == "split" and (sub == [()] or whole == [()]):
        which = "every" if sub == [()] else "no"
        raise Fault(
            f"Split-strips need a factor that is hard to change and one that is not; {which} "
            "factor here is hard to change.",
            [{"layout": "pairs"}, {"layout": "blocks"}],
        )
    if layout == "pairs" and count != 2:
        raise Fault(
            f"Paired strips compare two setups; there {'is' if count == 1 else 'are'} {count}.",
            [{"layout": "blocks"}, {"layout": "blocks", "setups": None}],
        )
    if len(set(whole)) < len(whole):
        raise Fault("A setup is listed twice.", [{"setups": None}])
    if count > 26 * 26:
        raise DesignError(f"A block of {count} strips is too large; compare fewer setups.")


def _check_ground(config: TrialConfig, grounds: tuple[Ground, ...], a: Mapping[str, Any]) -> None:
    rows = a["pass_rows"]
    if rows > config.header.rows:
        raise Fault(
            f"A pass of {rows} rows is more than the header's {config.header.rows}.",
            [{"pass_rows": config.header.rows}],
        )
    for g in grounds:
        wide = config.header.rows * g.row_spacing
        if abs(wide - config.header.width) > g.row_spacing / 2:
            raise DesignError(
                f"Field {g.field}: {config.header.rows} rows at {g.row_spacing:g} m are "
                f"{wide:.2f} m wide, and the header {config.header.width:.2f} m; correct the row "
                "spacing, or plan for a header that fits the rows."
            )
        if not keeps_planter_passes(g.planter_rows, rows):
            whole = [n for n in range(rows - 1, 0, -1)
                     if keeps_planter_passes(g.planter_rows, n)]  # fmt: skip
            raise Fault(
                f"Field {g.field}: a pass of {rows} rows would split a planter pass of "
                f"{g.planter_rows} rows, so that strips share one and the joint between passes "
                "falls at another place in each.",
                [{"pass_rows": n} for n in whole],
            )
        if g.strip_length < a["min_length"] - 1e-9:
            here = max(g.strip_length, 0.0)
            raise Fault(
                f"Field {g.field}: strips would be {field_length(here, config.units)} long, and "
                f"{field_length(a['min_length'], config.units)} are asked for.",
                [{"min_length": here}] if here >= 30 else [],
            )


def _lay(
    config: TrialConfig, grounds: tuple[Ground, ...], strips: pd.DataFrame, a: Mapping[str, Any]
) -> pd.DataFrame:
    """Every field's passes; a `Fault` where they do not fit."""
    parts = []
    keys = {"blocks": ["pair"], "main strips": ["pair", "main_strip"], "strips": ["strip"]}
    for ground in grounds:
        own = strips[strips["field"] == ground.field]
        wanted = [("border", "")] * a["border_passes"]
        before = None
        for row in own[["strip", "pair", "main_strip"]].fillna("").to_dict("records"):
            here = [row[k] for k in keys[a["buffers_between"]]]
            if before is not None and here != before:
                wanted += [("buffer", "")] * a["buffer_passes"]
            wanted.append(("strip", row["strip"]))
            before = here
        wanted += [("border", "")] * a["border_passes"]
        table = lay_passes(ground, a["pass_rows"], wanted)
        wide = float(table["right"].iloc[-1])
        if ground.width is not None and wide > ground.width + 1e-6:
            fewer = [{"blocks": n} for n in range(a["blocks"] - 1, 1, -1)]
            no_buffers = [{"buffer_passes": 0}] if a["buffer_passes"] else []
            raise Fault(
                f"Field {ground.field} is {field_length(ground.width, config.units)} wide, and "
                f"{a['blocks']} blocks take {field_length(wide, config.units)}.",
                [*no_buffers, *fewer, *({**f, **n} for n in no_buffers for f in fewer)],
            )
        parts.append(table)
    return pd.concat(parts, ignore_index=True)


def _placed(
    strips: pd.DataFrame, passes: pd.DataFrame, grounds: tuple[Ground, ...],
    order: Sequence[int], alternate: bool,
) -> pd.DataFrame:  # fmt: skip
    """Strips with their place on the ground, order of work and direction."""
    ground = {g.field: g for g in grounds}
    run = pd.Series(range(1, len(order) + 1), index=list(order)).sort_index()
    out = strips.assign(run=run.to_numpy())
    turn = out.groupby("field")["run"].rank().astype(int)
    out["direction"] = ["up" if n % 2 or not alternate else "down" for n in turn]
    place = passes[passes["strip"] != ""].drop(columns=["field", "kind", "pass"])
    out = out.merge(place, on="strip", validate="one_to_one")
    out["start"] = [ground[f].headland for f in out["field"]]
    out["end"] = [ground[f].length - ground[f].headland for f in out["field"]]
    out["count_rows"] = [
        rows_to_count(ground[r.field].planter_rows, r.first_row, r.last_row, r.direction)
        for r in out.itertuples()
    ]
    return out

