"""What is found on a header: first what all rows share, one line each, then row by row.

One list, which the page, the terminal, the drawings and the exit code all read. A fault that most
rows share (`HeaderLimits.shared`) is told once, as one of the header, and no more of its rows.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from trialkit.facts import Note
from trialkit.header.advice import ADVICE, GRADES, PARTS
from trialkit.header.found import do_note, found_notes, why_note
from trialkit.header.items import HeaderFault, HeaderItem
from trialkit.header.plates import ENDS, FEWEST, PLACES, PLATES, STATIONS
from trialkit.header.report import HeaderReport
from trialkit.header.rolls import FLUTE, WEAR
from trialkit.header.whole import whole_items

_OTHER = {
    "edge": "plate_edge_wear", "slack": "chain_slack", "tight": "chain_slack",
    "stretched": "chain_stretch", "open": "roll_clearance", "touching": "roll_clearance",
    "torn": "flaps", "missing": "flaps",
}  # fmt: skip


def items_of(report: HeaderReport) -> tuple[HeaderItem, ...]:
    """Everything found, what all rows share first, then row by row in the order of repair."""
    every = [f for place in range(len(report.rows)) for f in _of_row(report, place)]
    shared, own = _shared(report, every)
    out = whole_items(report)
    out += [_item(report, _one_line(group), whole=True) for group in shared]
    by_row = defaultdict(list)
    for fault in own:
        by_row[fault.place].append(fault)
    rows = [_item(report, faults) for faults in by_row.values()]
    rows.sort(key=lambda item: _order(report, item))
    # Of one grade, what all rows have comes first; a question about all waits for the repairs.
    ordered = sorted([*out, *rows], key=lambda item: GRADES.index(item.grade))
    return tuple(replace(item, rank=rank) for rank, item in enumerate(ordered, start=1))


def _of_row(report: HeaderReport, place: int) -> list[HeaderFault]:
    row, limits = report.rows.iloc[place], report.limits
    out: list[HeaderFault] = []

    def add(kind: str, where: str = "", amount: float = np.nan, *key: str) -> None:
        out.append(HeaderFault(kind, where, float(amount), place, (kind, where, *key)))

    if row["crooked"]:
        aside = {end: row[f"aside_{end}"] for end in ENDS if pd.notna(row[f"aside_{end}"])}
        end = max(aside, key=lambda e: abs(aside[e]))
        add("crooked", end, aside[end], "right" if aside[end] > 0 else "left")
    for end in ENDS:
        if row[f"off_{end}"]:
            add("wide" if row[f"own_{end}"] > 0 else "narrow", end, abs(row[f"own_{end}"]))
    if row["off_taper"]:
        add("reversed" if row["taper"] < limits.taper else "steep", "", row["taper"])
    if row["bent"]:
        add("bent", "", row["bowed"], "wide" if row["bowed"] > 0 else "narrow")
    if row["plate_edge_wear"] > limits.plate_edge * (1 + 1e-9):
        add("edge", "", row["plate_edge_wear"])
    for name, column in zip(PLACES, STATIONS, strict=True):
        if name in row["pinched"].split(", "):
            add("pinched", name, row[column])
    _of_rolls(report, row, add)
    _of_chain(report, row, add)
    for end in ("front", "middle", "rear"):
        if pd.notna(row[f"asked_{end}"]):
            add("half", end, row[f"asked_{end}"])
    for end in ENDS:
        if pd.notna(row[f"unlike_{end}"]):
            add("unlike", end, row[f"unlike_{end}"])
    return out


def _of_rolls(report: HeaderReport, row: pd.Series, add: Any) -> None:
    limits = report.limits
    if row["worn"] or row["rolls"] == "sound, too fast":
        # A row worn much farther than the others is no part of what all rows share.
        usual = report.rows.loc[report.rows["worn"], "wear"].median()
        far = "far" if row["wear"] > usual + 2 * limits.roll_pair else ""
        add(row["rolls"], "", row["wear"], far)
    if row["flute_low"]:
        add("flute", "", row["flute"])
    low, high = limits.roll_clearance
    if row["roll_clearance"] > high * (1 + 1e-9):
        add("open", "", row["roll_clearance"])
    elif row["roll_clearance"] < low * (1 - 1e-9):
        add("touching", "", row["roll_clearance"])
    for kind, column in (("pair", "pair"), ("flute pair", "flute_pair")):
        if pd.notna(row[column]):
            add(kind, "left" if row[column] > 0 else "right", abs(row[column]))


def _of_chain(report: HeaderReport, row: pd.Series, add: Any) -> None:
    limits = report.limits
    low, high = limits.chain_slack
    if row["chain_slack"] > high * (1 + 1e-9):
        add("slack", "", row["chain_slack"])
    elif row["chain_slack"] < low * (1 - 1e-9):
        add("tight", "", row["chain_slack"])
    if row["chain_stretch"] > limits.chain_stretch:
        add("stretched", "", row["chain_stretch"])
    if row["flaps"] in ("torn", "missing"):
        add(row["flaps"])


def _read(report: HeaderReport, fault: HeaderFault) -> np.ndarray:
    """Places of the rows in which what the fault is about was read."""
    rows, kind, where = report.rows, fault.kind, fault.where
    if kind in ("reversed", "steep"):
        known = rows["taper"].notna()
    elif kind in ("crooked", "unlike"):
        known = rows[list(PLATES)].notna().any(axis=1)
    elif kind == "bent":
        known = rows["bowed"].notna()
    elif kind == "half":
        known = rows[f"gap_{where}"].notna() | rows[f"asked_{where}"].notna()
    elif kind == "pinched":
        known = rows[STATIONS[PLACES.index(where)]].notna()
    elif kind in _OTHER:
        known = rows[_OTHER[kind]].notna()
    elif "flute" in kind:
        known = rows[list(FLUTE)].notna().any(axis=1)
    elif kind in ("wide", "narrow"):
        known = rows[f"gap_{where}"].notna()
    else:
        known = rows[list(WEAR)].notna().any(axis=1)
    return np.flatnonzero(known.to_numpy())


def _shared(
    report: HeaderReport, every: Sequence[HeaderFault]
) -> tuple[list[list[HeaderFault]], list[HeaderFault]]:
    """What most rows share, as groups of one line each, and what is a row's own."""
    by_key: dict[tuple[str, ...], list[HeaderFault]] = defaultdict(list)
    for fault in every:
        by_key[fault.key].append(fault)
    groups: dict[tuple[str, tuple[int, ...]], list[HeaderFault]] = {}
    for same in by_key.values():
        n = len(_read(report, same[0]))
        most = len(same) >= FEWEST and len(same) >= report.limits.shared * n
        if most or (len(same) == n > 1):
            # Guides pinched at several stations on the same rows are one line.
            rows = tuple(f.place for f in same)
            groups.setdefault((same[0].kind, rows), []).extend(same)
    taken = {id(f) for group in groups.values() for f in group}
    return list(groups.values()), [f for f in every if id(f) not in taken]


def _one_line(group: list[HeaderFault]) -> list[HeaderFault]:
    return sorted(group, key=lambda f: (PLACES.index(f.where) if f.where in PLACES else 0, f.place))


def _item(
    report: HeaderReport, faults: Sequence[HeaderFault], whole: bool = False
) -> HeaderItem:
    """The faults of one row, or one shared by many, as an entry without its rank."""
    kinds = sorted(dict.fromkeys(f.kind for f in faults), key=_weight)
    advice = [ADVICE[kind] for kind in kinds]
    found: list[Note] = []
    do: list[Note] = []
    why: list[Note] = []
    for kind in kinds:
        same = [f for f in faults if f.kind == kind]
        found.extend(found_notes(report, kind, same, whole))
        if not (kind in ("slack", "tight") and "stretched" in kinds):  # a new chain is set anew
            do.append(do_note(report, kind, same))
        # What a crooked plate does to the gap has its reason in the plate.
        if not (kind in ("wide", "narrow", "reversed", "steep") and "crooked" in kinds):
            why.append(why_note(kind))
    places = tuple(sorted({f.place for f in faults}))
    labels = report.rows["row"].astype(str).tolist()
    read = _read(report, faults[0]).tolist() if whole else []
    return HeaderItem(
        "" if whole else labels[places[0]], places, 0,
        min((a.grade for a in advice), key=GRADES.index),
        tuple(sorted({a.part for a in advice}, key=PARTS.index)), tuple(found), _each(do),
        _each(why), tuple(kinds), tuple(labels[k] for k in read if k not in places),
        len(read) if whole and len(read) < len(labels) else None,
    )  # fmt: skip


def _each(notes: Sequence[Note]) -> tuple[Note, ...]:
    """Notes in their order, each once."""
    return tuple(note for k, note in enumerate(notes) if note not in notes[:k])


def _weight(kind: str) -> tuple[int, bool, int]:
    """Repairs first, a crooked plate before the gap it makes, then in the order of `ADVICE`."""
    return GRADES.index(ADVICE[kind].grade), kind != "crooked", list(ADVICE).index(kind)


def _order(report: HeaderReport, item: HeaderItem) -> tuple[float, ...]:
    """Repairs before questions before what is only told; then part by part; the worst first."""
    row = report.rows.iloc[item.places[0]]
    strongest = [ADVICE[k].part for k in item.kinds if ADVICE[k].grade == item.grade]
    part = min(PARTS.index(p) for p in strongest)
    within = {
        0: -np.nanmax([0.0, *np.abs(row[["own_front", "own_rear"]].astype(float).fillna(0.0))]),
        1: row["least_clearance"], 2: row["effective_length"],
    }.get(part, 0.0)  # fmt: skip
    return GRADES.index(item.grade), part, float(np.nan_to_num(within)), item.places[0]
