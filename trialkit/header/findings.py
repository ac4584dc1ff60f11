"""What is found on a header: first what all rows share, one line each, then row by row.

One list, which the page, the terminal, the drawings and the exit code all read. A fault that most
rows share (`HeaderLimits.shared`) is told once, as one of the header, and no more of its rows.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.header.advice import ADVICE, GRADES
from trialkit.header.finding_words import all_rows, found_words, given_words
from trialkit.header.plates import ENDS, FEWEST, PLACES, PLATES, STATIONS
from trialkit.header.rolls import FLUTE, WEAR
from trialkit.header.whole import whole_findings

if TYPE_CHECKING:
    from trialkit.header.check import HeaderReport

PARTS = ("plates", "guides", "rolls", "chain", "flaps", "readings", "speed")
"""Parts of a row unit in the order of repair."""
_OTHER = {
    "edge": "plate_edge_wear", "slack": "chain_slack", "tight": "chain_slack",
    "stretched": "chain_stretch", "open": "roll_clearance", "touching": "roll_clearance",
    "torn": "flaps", "missing": "flaps",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault of one row: kind (of `ADVICE`), where on it, how much (mm, or %), which row.

    ``key`` is what faults of several rows must share to be one of the header.
    """

    kind: str
    where: str
    amount: float
    place: int
    key: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Item:
    """One entry of the list of what to fix.

    Attributes
    ----------
    label : str
        "Row 6", "All rows", "All rows but 3".
    places : tuple of int
        Places of its rows in the report's table.
    whole : bool
        Whether it is told of the header, not of one row.
    rank : int
        1 is first.
    grade : str
        Of `GRADES`, the strongest of what is found.
    parts : tuple of str
        Parts of the row unit.
    found, do, why : tuple of str
        What is found and by how much; what to do; the reason; each in the words of a sentence.
    kinds : tuple of str
        Of `ADVICE`.
    """

    label: str
    places: tuple[int, ...]
    whole: bool
    rank: int
    grade: str
    parts: tuple[str, ...]
    found: tuple[str, ...]
    do: tuple[str, ...]
    why: tuple[str, ...]
    kinds: tuple[str, ...]


def items_of(report: HeaderReport) -> tuple[Item, ...]:
    """Everything found, what all rows share first, then row by row in the order of repair."""
    every = [f for place in range(len(report.rows)) for f in _of_row(report, place)]
    shared, own = _shared(report, every)
    out: list[Item] = []
    for kind, words, values in whole_findings(report):
        advice = ADVICE[kind]
        do = advice.do.format_map(given_words(report) | values)
        out.append(Item("All rows", tuple(range(len(report.rows))), True, 0, advice.grade,
                        (advice.part,), (words,), (do,), (advice.why,), (kind,)))  # fmt: skip
    for group in shared:
        label = all_rows(report, [f.place for f in group], _read(report, group[0]))
        out.append(_item(report, label, _one_line(group), whole=True))
    by_row = defaultdict(list)
    for finding in own:
        by_row[finding.place].append(finding)
    rows = [
        _item(report, f"Row {report.rows['row'].iloc[place]}", findings)
        for place, findings in by_row.items()
    ]
    rows.sort(key=lambda item: _order(report, item))
    # Of one grade, what all rows have comes first; a question about all waits for the repairs.
    ordered = sorted([*out, *rows], key=lambda item: GRADES.index(item.grade))
    return tuple(replace(item, rank=rank) for rank, item in enumerate(ordered, start=1))


def _of_row(report: HeaderReport, place: int) -> list[Finding]:
    row, limits = report.rows.iloc[place], report.limits
    out: list[Finding] = []

    def add(kind: str, where: str = "", amount: float = np.nan, *key: str) -> None:
        out.append(Finding(kind, where, float(amount), place, (kind, where, *key)))

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


def _read(report: HeaderReport, finding: Finding) -> np.ndarray:
    """Places of the rows in which what the finding is about was read."""
    rows, kind, where = report.rows, finding.kind, finding.where
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
    report: HeaderReport, every: list[Finding]
) -> tuple[list[list[Finding]], list[Finding]]:
    """What most rows share, as groups of one line each, and what is a row's own."""
    by_key: dict[tuple[str, ...], list[Finding]] = defaultdict(list)
    for finding in every:
        by_key[finding.key].append(finding)
    groups: dict[tuple[str, tuple[int, ...]], list[Finding]] = {}
    for same in by_key.values():
        n = len(_read(report, same[0]))
        most = len(same) >= FEWEST and len(same) >= report.limits.shared * n
        if most or (len(same) == n > 1):
            # Guides pinched at several stations on the same rows are one line.
            rows = tuple(f.place for f in same)
            groups.setdefault((same[0].kind, rows), []).extend(same)
    taken = {id(f) for group in groups.values() for f in group}
    return list(groups.values()), [f for f in every if id(f) not in taken]


def _one_line(group: list[Finding]) -> list[Finding]:
    return sorted(group, key=lambda f: (PLACES.index(f.where) if f.where in PLACES else 0, f.place))


def _item(
    report: HeaderReport, label: str, findings: list[Finding], whole: bool = False
) -> Item:
    """The findings of one row, or one shared by many, as an entry without its rank."""
    kinds = sorted(dict.fromkeys(f.kind for f in findings), key=_weight)
    advice = [ADVICE[kind] for kind in kinds]
    found, do, why = [], [], []
    for kind in kinds:
        same = [f for f in findings if f.kind == kind]
        words, values = found_words(report, kind, same, whole)
        found.extend(words)
        if not (kind in ("slack", "tight") and "stretched" in kinds):  # a new chain is set anew
            do.append(ADVICE[kind].do.format_map(given_words(report) | values))
        # What a crooked plate does to the gap has its reason in the plate.
        if not (kind in ("wide", "narrow", "reversed", "steep") and "crooked" in kinds):
            why.append(ADVICE[kind].why)
    return Item(
        label, tuple(sorted({f.place for f in findings})), whole, 0,
        min((a.grade for a in advice), key=GRADES.index),
        tuple(sorted({a.part for a in advice}, key=PARTS.index)), tuple(found),
        tuple(dict.fromkeys(do)), tuple(dict.fromkeys(why)), tuple(kinds),
    )  # fmt: skip


def _weight(kind: str) -> tuple[int, bool, int]:
    """Repairs first, a crooked plate before the gap it makes, then in the order of `ADVICE`."""
    return GRADES.index(ADVICE[kind].grade), kind != "crooked", list(ADVICE).index(kind)


def _order(report: HeaderReport, item: Item) -> tuple[float, ...]:
    """Repairs before questions before what is only told; then part by part; the worst first."""
    row = report.rows.iloc[item.places[0]]
    strongest = [ADVICE[k].part for k in item.kinds if ADVICE[k].grade == item.grade]
    part = min(PARTS.index(p) for p in strongest)
    within = {
        0: -np.nanmax([0.0, *np.abs(row[["own_front", "own_rear"]].astype(float).fillna(0.0))]),
        1: row["least_clearance"], 2: row["effective_length"],
    }.get(part, 0.0)  # fmt: skip
    return GRADES.index(item.grade), part, float(np.nan_to_num(within)), item.places[0]
