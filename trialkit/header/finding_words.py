"""The words of every finding: what, and by how much, of one row or of all that share it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.display import number
from trialkit.header.limits import source_of
from trialkit.header.plates import FEWEST
from trialkit.header.unit import Assumed
from trialkit.header.words import Lengths, percent_of
from trialkit.quantities import listed

if TYPE_CHECKING:
    from trialkit.header.check import HeaderReport
    from trialkit.header.findings import Finding

# Sizes of the row unit: how they are told, and how they are given.
SIZES = {
    "roll_length": "the fluted length of the rolls (--roll-length)",
    "roll_diameter": "the diameter at which they pull (--roll-diameter)",
    "pulled_length": "the height of the ears less that of the grip (--pulled-length)",
}
_COUNT = {1: "this", 2: "these two", 3: "these three"}

_TEXT = {
    "reversed": "rear {by} narrower than the front", "steep": "rear {by} wider than the front",
    "edge": "stripper plates' edges worn back {by}", "flute": "flutes only {by} high at the front",
    "open": "rolls or knives {by} apart", "touching": "rolls or knives only {by} apart",
    "slack": "chain moves {by} by hand", "tight": "chain moves only {by} by hand",
    "stretched": "chain {by} longer than new", "torn": "ear-saver flaps torn",
    "missing": "ear-saver flaps missing",
}  # fmt: skip
# Limit a kind goes over or under, and which end of it where it is a range.
_LIMIT = {
    "edge": ("plate_edge", 0, "over"), "flute": ("flute", 0, "under"),
    "open": ("roll_clearance", 1, "over"), "touching": ("roll_clearance", 0, "under"),
    "slack": ("chain_slack", 1, "over"), "tight": ("chain_slack", 0, "under"),
    "stretched": ("chain_stretch", 0, "over"),
}  # fmt: skip


def _limit(report: HeaderReport, kind: str, say: Lengths) -> str:
    """The limit and its source, in a finding's words."""
    if kind not in _LIMIT:
        return ""
    name, end, way = _LIMIT[kind]
    value = getattr(report.limits, name)
    limit = float(value[end] if isinstance(value, tuple) else value)
    text = f"{limit:g} %" if kind == "stretched" else say.given(limit)
    return f", {way} {text} ({source_of(report.limits, name)})"


# Of all rows, but nothing that is out on them.
_QUESTIONS = {"cushion", "beyond new", "beyond new, not known"}


def all_rows(report: HeaderReport, places: Sequence[int], read: np.ndarray) -> str:
    """Which rows share a fault: "All rows", "All rows but 3 and 7", of those where it was read."""
    labels = report.rows["row"].astype(str).tolist()
    own = set(places)
    without = [labels[i] for i in read if i not in own]
    bare = len(labels) - len(read)
    head = "All rows" if not bare else f"All {len(read)} rows where it was read"
    return f"{head} but {listed(without)}" if without else head


def given_words(report: HeaderReport) -> dict[str, str]:
    """What advice puts into its words: the gap to set, the sizes to measure."""
    sizes = [SIZES[name] for name in report.unit.assumed if name in SIZES]
    text = f"measure {_COUNT.get(len(sizes), 'these')}, then ask again: {listed(sizes)}"
    if math.isnan(report.rpm):
        text = "ask again with the speed of the rolls (--roll-rpm)" + f"; {text}" * bool(sizes)
    elif math.isnan(report.fastest):
        text = "ask again with a ground speed (--speed)" + f"; {text}" * bool(sizes)
    speed = "the speed that is asked for"  # where the rolls' own words tell none
    return aim_words(report, *report.aims) | {"sizes": text, "speed": speed}


def aim_words(report: HeaderReport, front: float, rear: float) -> dict[str, str]:
    """A gap to set in words, flagged where it is wider than any published start."""
    say, start = Lengths(report.system), report.limits.start_gap
    flag = (
        f", wider than any published start ({say.trade(start)} at the front): see that the butts "
        "of the ears do not reach the rolls"
    )
    wide = front > start * (1 + 1e-9)
    return {"front": say.trade(front), "rear": say.trade(rear), "flag": flag * wide}


def found_words(
    report: HeaderReport, kind: str, findings: Sequence[Finding], whole: bool
) -> tuple[list[str], dict[str, str]]:
    """Findings of one kind in words, a sentence's part each; and what its advice puts in."""
    say = Lengths(report.system)
    amounts = np.array([f.amount for f in findings])
    where = list(dict.fromkeys(f.where for f in findings))
    if kind.startswith(("worn", "sound")):
        return _worn(report, kind, findings, whole, say)
    if kind == "pinched":
        stations = f"{listed(where)} station{'s' * (len(where) > 1)}"
        worst = ""
        if whole:
            tightest = min(findings, key=lambda f: f.amount)
            worst = f" (row {report.rows['row'].iloc[tightest.place]})"
        limit = say.given(report.limits.guide_clearance)
        return [
            f"chain guides pinched at the {stations}, down to {say.length(amounts.min())}{worst}; "
            f"under {limit} is a pinch ({source_of(report.limits, 'guide_clearance')})"
        ], {}
    if kind in ("wide", "narrow"):
        word = "wider" if kind == "wide" else "narrower"
        return [
            f"{f.where} gap {say.length(f.amount)} {word} than {_compared(report, f.where)}"
            for f in findings
        ], {}
    if kind == "half":
        return [
            f"{f.where} gap reads {say.length(f.amount)}, about half of a gap, as if read "
            "from the row's centre to one plate" for f in findings
        ], {}  # fmt: skip
    if kind == "unlike":
        return [
            f"at the {f.where} the two plates' distances from the row's centre make "
            f"{say.length(abs(f.amount))} {'more' if f.amount > 0 else 'less'} than the gap"
            for f in findings
        ], {}  # fmt: skip
    by = (
        _range(np.abs(amounts), say)
        if kind != "stretched"
        else f"{number(amounts.max(), 1).removesuffix('.0')} %"
    )
    if kind == "crooked":
        side = "right" if amounts[0] > 0 else "left"
        return [
            f"plates crooked: at the {where[0]} the {side} plate lies {by} farther from the row's "
            "centre than the other"
        ], {}
    if kind == "bent":
        word = "wider" if amounts[0] > 0 else "narrower"
        return [f"halfway the gap is {by} {word} than the line between its ends"], {}
    if kind in ("pair", "flute pair"):
        by = say.roll(amounts.max()) if kind == "pair" else by
        other = "right" if where[0] == "left" else "left"
        what = (
            f"{where[0]} roll worn {by} farther back than the {other}"
            if kind == "pair"
            else f"flutes of the {other} roll {by} lower than of the {where[0]}"
        )
        return [f"the rolls of the pair are unlike: {what}"], {}
    if kind == "reversed" and amounts.max() >= 0:
        return [f"rear only {by} wider than the front"], {}
    text = "rolls or knives touch, {by} apart" if by.startswith("0 ") else _TEXT[kind]
    words = text.format(by=by) + _limit(report, kind, say)
    if kind in ("reversed", "steep") and whole and (was := _set_taper(report, kind)):
        words += was
    return [words], {}


def _range(amounts: np.ndarray, say: Lengths) -> str:
    if not np.isfinite(amounts).all():
        return ""
    low, high = float(amounts.min()), float(amounts.max())
    return say.length(high) if len(amounts) == 1 else say.between(low, high)


def _compared(report: HeaderReport, end: str) -> str:
    many = report.rows[f"gap_{end}"].notna().sum() >= FEWEST
    return "the median of the rows" if many else "it was set to"


def _set_taper(report: HeaderReport, kind: str) -> str:
    """Whether a taper that all rows have was set so."""
    taper = report.setting[1] - report.setting[0]
    limits = report.limits
    out = abs(taper - limits.taper) > limits.taper_off * (1 + 1e-9)
    return "; it was set so" if out and (taper < limits.taper) == (kind == "reversed") else ""


def _worn(
    report: HeaderReport, kind: str, findings: Sequence[Finding], whole: bool, say: Lengths
) -> tuple[list[str], dict[str, str]]:
    """Where the stalk is first gripped, how fast that pulls, what new rolls would do."""
    rows = report.rows.iloc[[f.place for f in findings]]
    row = rows.loc[rows["wear"].idxmax()]
    wear = say.between(rows["wear"].min(), rows["wear"].max(), say.roll)
    grip = (
        f"rolls worn back {wear} from the front: a stalk is first gripped there, "
        f"{_way_back(report, float(row['wear']), say)}"
    )
    if whole:
        grip += f" in row {row['row']}, the worst"
    left = (row["top_speed"], row["top_speed_low"], row["top_speed_high"])
    return [grip, _pulls(report, kind, left, say)], {"speed": say.speed(row["top_speed_low"])}


def _way_back(report: HeaderReport, wear: float, say: Lengths) -> str:
    """How far along the roll the worn part reaches; for both ends of a length no one measured."""
    length = report.unit.roll_length
    if not isinstance(length, Assumed):
        return f"{percent_of(min(wear / length, 1.0))} of the way back on the roll"
    least, most = (min(wear / end, 1.0) for end in (length.high, length.low))
    shares = percent_of(most)
    if percent_of(least) != shares:
        shares = f"{percent_of(least).split()[0]} to {shares}"
    ends = say.between(length.high, length.low, say.roll)
    return f"{shares} of the way back on a roll of {ends} (not measured)"


def _pulls(report: HeaderReport, kind: str, left: tuple[float, ...], say: Lengths) -> str:
    fast, new = report.fastest, report.new_speeds
    if math.isnan(report.rpm):
        return "how fast that still pulls takes the speed of the rolls"
    does = (
        f"what is left pulls {say.up_to(left[1], left[2])}, new rolls {say.up_to(new[1], new[2])}"
    )
    share = percent_of(left[0] / new[0])
    if kind == "worn, not known":
        if math.isnan(fast):
            return f"{does} (without slip)"
        at = say.speed(fast)
        verdict = f"whether it still pulls at {at} is not known"
        if left[2] < fast:
            verdict = f"worn out at {at} with any sizes in that range"
        return f"with sizes of the row unit that no one measured, {does}: {verdict}"
    if "roll_length" not in report.unit.assumed:
        does += f", so {share} of their speed is left"
    if math.isnan(fast):
        return does
    verdict = {
        "worn, still pulling": f"worn, still pulling at {say.speed(fast)}",
        "worn out": f"worn out at {say.speed(fast)}",
        "sound, too fast": f"{say.speed(fast)} is too fast for them",
        "worn, beyond new rolls": f"at {say.speed(fast)} not even new rolls finish",
    }[kind]
    return f"{verdict}: {does}"


def row_words(rows: pd.DataFrame, items: Sequence[Any], bare: pd.Series, none: str) -> list[str]:
    """The verdict of every row: its own findings, and that it shares what all rows have."""
    out = []
    for place in range(len(rows)):
        own = [w for item in items if not item.whole and place in item.places for w in item.found]
        shared = any(
            i.whole and place in i.places and not set(i.kinds) & _QUESTIONS for i in items
        )
        if own:
            text = "; ".join(own) + "; and what all rows have" * shared
        elif bare.iloc[place] and rows["empty"].iloc[place]:
            text = none
        else:
            text = "in order" + " but for what all rows have" * shared
            text += ("," * shared + " as far as measured") * bool(bare.iloc[place])
        out.append(text)
    return out
