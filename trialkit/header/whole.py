"""What is out on the header as a whole, so that no row stands out: its gap, and its speed."""

from __future__ import annotations

import math

import numpy as np

from trialkit.facts import Note
from trialkit.header.advice import ADVICE
from trialkit.header.found import do_note, why_note
from trialkit.header.items import HeaderItem
from trialkit.header.limits import source_of
from trialkit.header.plates import ENDS, FEWEST
from trialkit.header.report import HeaderReport


def whole_items(report: HeaderReport) -> list[HeaderItem]:
    """What is out on all rows alike, gap before speed, as entries without their rank."""
    return [*_gap(report), *_speed(report)]


def _item(report: HeaderReport, kind: str, found: Note, do: Note) -> HeaderItem:
    advice, every = ADVICE[kind], tuple(range(len(report.rows)))
    return HeaderItem(
        "", every, 0, advice.grade, (advice.part,), (found,), (do,), (why_note(kind),), (kind,)
    )


def _gap(report: HeaderReport) -> list[HeaderItem]:
    kind, off = report.gap_kind, _off_setting(report)
    if not kind and not off:
        return []
    if kind in ("all wide", "all narrow"):
        return [_item(report, kind, _median_gap(report, kind, off), do_note(report, kind))]
    out = []
    if off:
        found = _median_gap(report, "", off)
        out.append(_item(report, "off setting", found, do_note(report, "off setting")))
    if kind:
        do = do_note(report, kind, aims=report.target[:2])
        out.append(_item(report, kind, _median_gap(report, kind, ()), do))
    return out


def _off_setting(report: HeaderReport) -> tuple[tuple[str, float, bool], ...]:
    """Ends that read off what was set by more than the limit: by how much, and whether wider."""
    if report.rows[["gap_front", "gap_rear"]].notna().sum().max() < FEWEST:
        return ()
    return tuple(
        (end, abs(median - setting), median > setting)
        for median, setting, end in zip(report.medians, report.setting, ENDS, strict=True)
        if abs(median - setting) > report.limits.own_gap * (1 + 1e-9)
    )


def _median_gap(
    report: HeaderReport, kind: str, off: tuple[tuple[str, float, bool], ...]
) -> Note:
    """The median row's gap against what was set, and against stalks and starts."""
    target, limits = report.target, report.limits
    return Note("header_findings.gap_of_all", {
        "read": report.medians, "off": off, "setting": report.setting, "system": report.system,
        "against": kind.removeprefix("all "), "cushion": report.cushion,
        "thick": target.by_thick_stalks, "stalks": target.stalks,
        "front": target.least if kind == "all narrow" else target.front,
        "room": limits.cushion, "source": source_of(limits, "cushion"),
    })  # fmt: skip


def _speed(report: HeaderReport) -> list[HeaderItem]:
    fast, (new, low, high) = report.fastest, report.new_speeds
    if not fast > new:  # not where either is unknown
        return []
    kind = "beyond new" if low == high else "beyond new, unsure"
    words = {"speed": fast, "new": (low, high), "system": report.system}
    found = Note("header_findings.new_rolls_short", words)
    return [_item(report, kind, found, do_note(report, kind, speed=new))]


def medians_of(gaps: np.ndarray) -> tuple[float, float]:
    """Median front and rear gap of the rows, mm; NaN where none was read."""
    out = [float(np.nanmedian(g)) if np.isfinite(g).any() else math.nan for g in gaps.T]
    return out[0], out[1]
