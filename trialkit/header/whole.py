"""What is out on the header as a whole, so that no row stands out: its gap, and its speed."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from trialkit.header.finding_words import aim_words
from trialkit.header.limits import source_of
from trialkit.header.plates import ENDS, FEWEST
from trialkit.header.words import Lengths

if TYPE_CHECKING:
    from trialkit.header.check import HeaderReport


def whole_findings(report: HeaderReport) -> list[tuple[str, str, dict[str, str]]]:
    """Kind (of `advice.ADVICE`), words, and what its advice puts in; at most a line each."""
    say = Lengths(report.system)
    return [*_gap(report, say), *_speed(report, say)]


def gap_kind(report: HeaderReport) -> str:
    """"all wide", "all narrow", "cushion" or "": the median front gap against stalks and starts.

    Between what the stalks ask for and the widest published start nothing is ordered: to close
    further than the start on the stalks alone is the user's choice. "cushion" where it is narrow
    only by the room a cushion takes.
    """
    front, target = report.medians[0], report.target
    if report.own_gaps or math.isnan(front):
        return ""
    room = report.limits.own_gap * (1 + 1e-9)
    if front - target.front > room:
        return "all wide"
    if target.least - front <= room:
        return ""
    wider = report.limits.cushion * report.cushion
    return "all narrow" if target.least - wider - front > room else "cushion"


def _gap(report: HeaderReport, say: Lengths) -> list[tuple[str, str, dict[str, str]]]:
    kind, off = gap_kind(report), _off_setting(report, say)
    if not kind and not off:
        return []
    read = [f"{say.trade(m)} at the {end}" for m, end in zip(report.medians, ENDS, strict=True)
            if not math.isnan(m)]  # fmt: skip
    head = f"the gap reads {' and '.join(read)} (median row)"
    if kind in ("all wide", "all narrow"):
        return [(kind, "; ".join(filter(None, (head, off, _against(report, kind, say)))), {})]
    out: list[tuple[str, str, dict[str, str]]] = []
    out += [("off setting", f"{head}; {off}", {})] if off else []
    if kind:
        front, rear = report.target[:2]
        out.append((kind, f"{head}; {_against(report, kind, say)}", aim_words(report, front, rear)))
    return out


def _off_setting(report: HeaderReport, say: Lengths) -> str:
    """How far all rows read off what was set; "" within the limit."""
    if report.rows[["gap_front", "gap_rear"]].notna().sum().max() < FEWEST:
        return ""
    by = []
    for median, setting, end in zip(report.medians, report.setting, ENDS, strict=True):
        if abs(median - setting) > report.limits.own_gap * (1 + 1e-9):
            word = "wider" if median > setting else "narrower"
            by.append((f"{say.trade(abs(median - setting))} {word}", f" at the {end}"))
    if not by:
        return ""
    alike = len(by) == 2 and by[0][0] == by[1][0]
    apart = by[0][0] if alike else " and ".join(f"{amount}{end}" for amount, end in by)
    at = " and ".join(say.trade(s) for s in report.setting if not math.isnan(s))
    return f"{apart} than the {at} it was set to"


def _against(report: HeaderReport, kind: str, say: Lengths) -> str:
    """How all rows stand to the stalks and the published starts."""
    target, limits = report.target, report.limits
    front = f"{say.trade(target.front)} at the front"
    cushion = " with the cushion's room" * report.cushion
    if kind == "all wide":
        why = "the stalks need" if target.by_thick_stalks else "any published start"
        return f"wider than {why}{cushion}, {front}"
    if kind == "all narrow":
        why = f"{target.stalks} stalks measured need" if target.stalks else "any published start"
        return f"narrower than {why}{cushion}, {say.trade(target.least)} at the front"
    more = f"{say.given(limits.cushion)} more than without"
    return f"with a cushion {more} is {source_of(limits, 'cushion')}: {front}"


def _speed(report: HeaderReport, say: Lengths) -> list[tuple[str, str, dict[str, str]]]:
    fast, (new, low, high) = report.fastest, report.new_speeds
    if not fast > new:  # not where either is unknown
        return []
    at = say.speed(fast)
    if low == high:
        words = f"at {at}, the fastest, pulling does not finish even on new rolls"
        return [("beyond new", words, {"speed": say.speed(new)})]
    words = (
        f"with sizes of the row unit that no one measured, new rolls pull "
        f"{say.up_to(low, high)}; whether they do at {at}, the fastest, is not known"
        if fast <= high
        else f"at {at}, the fastest, pulling would not finish even on new rolls, which with sizes "
        f"that no one measured pull {say.up_to(low, high)}"
    )
    return [("beyond new, not known", words, {})]


def medians_of(gaps: np.ndarray) -> tuple[float, float]:
    """Median front and rear gap of the rows, mm; NaN where none was read."""
    out = [float(np.nanmedian(g)) if np.isfinite(g).any() else math.nan for g in gaps.T]
    return out[0], out[1]
