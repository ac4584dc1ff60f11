"""Faults of one kind as notes: what is found on one row or on all that share it, and what to do."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit.facts import Note
from trialkit.header.advice import ADVICE
from trialkit.header.items import HeaderFault
from trialkit.header.limits import source_of
from trialkit.header.plates import FEWEST
from trialkit.header.report import HeaderReport
from trialkit.header.unit import Assumed

_SIZES = ("roll_length", "roll_diameter", "pulled_length")
# What says a kind with a limit, the limit, and which end of it where it is a range.
_LIMITED = {
    "edge": ("edges_worn", "plate_edge", 0), "flute": ("flutes_low", "flute", 0),
    "open": ("knives_open", "roll_clearance", 1),
    "touching": ("knives_touching", "roll_clearance", 0),
    "slack": ("chain_slack", "chain_slack", 1), "tight": ("chain_tight", "chain_slack", 0),
    "stretched": ("chain_stretched", "chain_stretch", 0),
}  # fmt: skip


def found_notes(
    report: HeaderReport, kind: str, faults: Sequence[HeaderFault], whole: bool
) -> tuple[Note, ...]:
    """Faults of one kind, of one row or (`whole`) of all that share them: a note each, or one."""
    first, units = faults[0], {"system": report.system}
    amounts = [fault.amount for fault in faults]
    by = (float(np.min(np.abs(amounts))), float(np.max(np.abs(amounts))))
    if kind.startswith(("worn", "sound")):
        return _rolls(report, kind, faults, whole)
    if kind in ("wide", "narrow"):
        return tuple(_off_gap(report, kind, fault) for fault in faults)
    if kind in ("half", "unlike"):
        return tuple(_asked(report, kind, faults))
    if kind == "pinched":
        tightest = min(faults, key=lambda f: f.amount)
        row = str(report.rows["row"].iloc[tightest.place]) if whole else ""
        return (Note("header_findings.guides_pinched", {
            "stations": tuple(dict.fromkeys(f.where for f in faults)), "least": tightest.amount,
            "row": row, **_limit(report, "guide_clearance"), **units,
        }),)  # fmt: skip
    if kind == "crooked":
        side = "right" if first.amount > 0 else "left"
        return (Note("header_findings.plates_crooked", {
            "end": first.where, "side": side, "by": by, **units,
        }),)  # fmt: skip
    if kind == "bent":
        return (Note("header_findings.plate_bent", {"by": by, "wider": first.amount > 0, **units}),)
    values: dict[str, Any]
    if kind in ("reversed", "steep"):
        values = {"by": by, "as_set": whole and _set_so(report, kind), **units}
        if kind == "reversed":
            values["wider"] = max(amounts) >= 0
        return (Note(f"header_findings.taper_{kind}", values),)
    if kind == "pair":
        worst = {"side": first.where, "by": max(amounts), **units}
        return (Note("header_findings.rolls_unlike", worst),)
    if kind == "flute pair":
        return (Note("header_findings.flutes_unlike", {"side": first.where, "by": by, **units}),)
    if kind in ("torn", "missing"):
        return (Note(f"header_findings.flaps_{kind}"),)
    name, limit, end = _LIMITED[kind]
    values = {"by": by, **units, **_limit(report, limit, end)}
    if kind == "stretched":
        values = {"percent": by[1], **_limit(report, limit, end)}
    return (Note(f"header_findings.{name}", values),)


def do_note(
    report: HeaderReport, kind: str, faults: Sequence[HeaderFault] = (), *,
    speed: float | None = None, aims: tuple[float, float] | None = None,
) -> Note:  # fmt: skip
    """What to do about a kind, with what that puts into its words: a gap, a speed, sizes."""
    advice, units = ADVICE[kind], {"system": report.system}
    values: dict[str, Any] = {}
    if advice.needs in ("gap", "start"):
        front, rear = aims or report.aims
        values = {"front": front, "rear": rear, **units}
        if advice.needs == "start":
            values["start"] = report.limits.start_gap
    elif advice.needs == "speed":
        if faults:
            speed = float(_worst(report, faults)["top_speed_low"])
        values = {"speed": speed, **units}
    elif advice.needs == "sizes":
        lacks = "rolls" if math.isnan(report.rpm) else "speed" * math.isnan(report.fastest)
        sizes = tuple(name for name in report.unit.assumed if name in _SIZES)
        values = {"lacks": lacks, "sizes": sizes}
    return Note(f"header_advice.{advice.do}", values)


def why_note(kind: str) -> Note:
    """Why that is done."""
    return Note(f"header_advice.{ADVICE[kind].why}")


def _limit(report: HeaderReport, name: str, end: int = 0) -> Mapping[str, Any]:
    """A limit and the code of its source; one end where it is a range."""
    value = getattr(report.limits, name)
    limit = float(value[end] if isinstance(value, tuple) else value)
    return {"limit": limit, "source": source_of(report.limits, name)}


def _off_gap(report: HeaderReport, kind: str, fault: HeaderFault) -> Note:
    many = report.rows[f"gap_{fault.where}"].notna().sum() >= FEWEST
    return Note("header_findings.off_gap", {
        "end": fault.where, "by": fault.amount, "wider": kind == "wide",
        "against": "rows" if many else "setting", "system": report.system,
    })  # fmt: skip


def _asked(report: HeaderReport, kind: str, faults: Sequence[HeaderFault]) -> Iterator[Note]:
    """Readings to take again, end by end."""
    for end, more in dict.fromkeys((f.where, f.amount > 0) for f in faults):
        same = [abs(f.amount) for f in faults if (f.where, f.amount > 0) == (end, more)]
        values = {"end": end, "by": (min(same), max(same)), "system": report.system}
        if kind == "unlike":
            yield Note("header_findings.distances_unlike", {**values, "more": more})
        else:
            yield Note("header_findings.half_gap", values)


def _set_so(report: HeaderReport, kind: str) -> bool:
    """Whether a taper that all rows have was set so."""
    taper = report.setting[1] - report.setting[0]
    limits = report.limits
    out = abs(taper - limits.taper) > limits.taper_off * (1 + 1e-9)
    return bool(out and (taper < limits.taper) == (kind == "reversed"))


def _worst(report: HeaderReport, faults: Sequence[HeaderFault]) -> pd.Series:
    """The row whose rolls are worn farthest."""
    rows = report.rows.iloc[[fault.place for fault in faults]]
    return rows.loc[rows["wear"].idxmax()]


def _rolls(
    report: HeaderReport, kind: str, faults: Sequence[HeaderFault], whole: bool
) -> tuple[Note, ...]:
    """Where the stalk is first gripped, how fast that pulls, what new rolls would do."""
    wear = report.rows["wear"].iloc[[fault.place for fault in faults]]
    row, length = _worst(report, faults), report.unit.roll_length
    ends = (length.high, length.low) if isinstance(length, Assumed) else None
    least, most = (min(row["wear"] / end, 1.0) for end in ends or (length, length))
    grip = Note("header_findings.rolls_worn", {
        "wear": (wear.min(), wear.max()), "share": (least, most), "length": ends,
        "row": str(row["row"]) if whole else "", "system": report.system,
    })  # fmt: skip
    if math.isnan(report.rpm):
        return grip, Note("header_findings.pulls_unknown")
    new, *new_ends = report.new_speeds
    return grip, Note("header_findings.rolls_pull", {
        "kind": kind, "left": (row["top_speed_low"], row["top_speed_high"]),
        "new": tuple(new_ends), "speed": report.fastest,
        "share": None if ends else row["top_speed"] / new, "system": report.system,
    })  # fmt: skip
