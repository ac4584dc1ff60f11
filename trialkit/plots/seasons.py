"""Many trials: the effect in every field by season, and where the fields lie."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.plots.canvas import (
    FAINT,
    INK,
    LARGE,
    QUIET,
    WIDTH,
    Plot,
    interval,
    other_units,
    rule,
    style,
)
from trialkit.quantities import Scale, number, usual_places
from trialkit.words import figures_seasons as words
from trialkit.words.comparisons import difference_units
from trialkit.words.figures_checks import estimate
from trialkit.words.terms import terms

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.facts import Comparison, Ends

OWN, OTHER, MORE = "#0f5c63", "#6d7a75", "#7a4a12"
_COLOURS = {"less": OWN, "more": MORE, "same": OTHER, "unknown": OTHER}
LANE, NARROW = 0.34, 0.17  # inches
MOST = 60
"""Fields that are named; more of them have narrow lanes without names and numbers."""
LENGTHS = np.array([0.1, 0.25, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000])
"""Of the bar of a map, miles or km."""
# Own pairs' marks may run so far beyond what the model says.
REACH = 1.25


def season_forest(
    fields: pd.DataFrame, mean: Comparison, following: Ends, *, title: str, system: str = "SI"
) -> Plot:
    """A setup's effect in every field as an amount, season below season.

    Parameters
    ----------
    fields : DataFrame
        In the order to draw: ``season, name, mine, value, low, high`` (by the model; missing where
        effects are taken to be alike), ``raw, raw_low, raw_high`` (own pairs alone), in the
        response's unit (`trialkit.many.amounts.by_field`).
    mean : Comparison
        Mean over all of them: a wide diamond below.
    following : Ends
        What the next field may show: a dashed line; not drawn where it is not known.
    title : str
        Of the response.
    system : {"SI", "US"}
    """
    own, *others = difference_units(mean.unit, system)
    by_model = bool(fields["value"].notna().any())
    names = ["value", "low", "high"] if by_model else ["raw", "raw_low", "raw_high"]
    shown = fields.assign(
        **{to: fields[name] * own.factor for to, name in zip(("v", "l", "h"), names, strict=True)},
        own_pairs=fields["raw"] * own.factor,
    )
    ends = mean.difference.times(own.factor)
    after = following.times(own.factor)
    named = len(shown) <= MOST
    lane = LANE if named else NARROW
    rows = len(shown) + shown["season"].nunique() + 2.2
    places = digits(fields, own)
    with style(LARGE):
        figure = Plot(figsize=(WIDTH, 1.35 + lane * rows))
        ax = figure.add_subplot()
        ax.set_xlim(*_reach(shown, ends, after))
        ax.axvline(0.0, color=INK, lw=0.9, zorder=0, gid="none")
        ax.axvline(ends.value, color=OWN, lw=0.8, ls=(0, (1, 2)), zorder=0, gid="mean line")
        labels, texts, y = [], [], 0.0
        for season, each in shown.groupby("season", sort=False):
            labels.append((y, str(season), True, True))
            y += 1.0
            for row in each.itertuples():
                _field(ax, y, row, by_model)
                text = _words((row.v, row.l, row.h), places)
                labels.append((y, str(row.name), bool(row.mine), False))
                texts.append((y, text, bool(row.mine)))
                y += 1.0
        y = _together(ax, y, ends, after, labels, texts, places)
        _lanes(ax, labels, texts, named)
        rule(ax, "x")
        ax.set_ylim(y + 0.6, -0.7)
        label, reference = mean.label, mean.reference_label
        less = terms(mean.response).by_amount[0]
        ax.set_xlabel(words.forest_axis(label, reference, own.unit, less))
        for other in others:
            other_units(ax, own, other, "top")
    told = [
        (str(r.name), int(r.season), _words((r.v, r.l, r.h), places)) for r in shown.itertuples()
    ]
    figure.summary = _words(ends, places)
    figure.alt_text = words.forest(
        title, label, reference, own.unit, told, figure.summary,
        _between(after, places) if after.known else "",
    )  # fmt: skip
    return figure


def digits(fields: pd.DataFrame, own: Scale) -> int:
    """Decimal places of differences in fields, in the unit of `own`: they are read against one
    another, so all have those that a usual interval allows.

    Parameters
    ----------
    fields : DataFrame
        As for `season_forest`.
    own : Scale
    """
    low, high = ("low", "high") if fields["value"].notna().any() else ("raw_low", "raw_high")
    return usual_places(fields[low], fields[high], own)


def _reach(shown: pd.DataFrame, ends: Ends, after: Ends) -> tuple[float, float]:
    values = [shown["v"], shown["l"], shown["h"], pd.Series([*ends, 0.0])]
    every = np.concatenate([v.to_numpy(dtype=float) for v in values])
    every = every[np.isfinite(every)]
    low, high = float(every.min()), float(every.max())
    half = max((high - low) / 2, 1e-9)
    if after.known:  # as far as it leaves room for the fields
        low = max(min(low, after.low), low - REACH * half)
        high = min(max(high, after.high), high + REACH * half)
    room = 0.05 * (high - low)
    return low - room, high + room


def _field(ax: Axes, y: float, row: Any, by_model: bool) -> None:
    mine = bool(row.mine)
    colour = OWN if mine else OTHER
    interval(ax, y, [row.l, row.h], "interval", color=colour, lw=2.8 if mine else 1.6)
    low, high = ax.get_xlim()
    if np.isfinite(row.v) and low <= row.v <= high:
        ax.plot([row.v], [y], ls="none", marker="D" if mine else "o", ms=8 if mine else 6.5,
                color=colour if mine else "white", mec="white" if mine else colour, mew=1.3,
                zorder=3, gid="own" if mine else "other")  # fmt: skip
    if by_model and np.isfinite(row.own_pairs) and low <= row.own_pairs <= high:
        ax.plot([row.own_pairs], [y + 0.27], ls="none", marker="x", ms=4.5, color=INK, mew=1.1,
                gid="raw")  # fmt: skip


def _together(
    ax: Axes, y: float, ends: Ends, after: Ends, labels: list, texts: list, places: int
) -> float:
    """Below the fields their mean and the next field; the last lane used."""
    ax.axhline(y - 0.5, color=QUIET, lw=0.8)
    if np.isfinite(ends).all():
        ax.fill([ends.low, ends.value, ends.high, ends.value], [y, y - 0.24, y, y + 0.24],
                color=INK, lw=0, gid="pooled")  # fmt: skip
    else:
        ax.plot([ends.value], [y], marker="D", color=INK, gid="pooled")
    labels.append((y, words.ALL, True, False))
    texts.append((y, _words(ends, places), True))
    if after.known:
        y += 1.0
        interval(ax, y, after[1:], "next", color=INK, lw=1.3, ls=(0, (4, 2)), closed=True)
        labels.append((y, words.NEXT, False, False))
        texts.append((y, _between(after, places), False))
    return y


def _lanes(ax: Axes, labels: list, texts: list, named: bool) -> None:
    """Names at the lanes and numbers beside them, the reader's own in bold; seasons as heads."""
    wanted = [one for one in labels if named or one[3] or one[1] in (words.ALL, words.NEXT)]
    lines = ["\n".join(textwrap.wrap(text, 14)[:2]) for _, text, _, _ in wanted]
    ax.set_yticks([place for place, *_ in wanted], lines, color=INK)
    ax.tick_params(axis="y", pad=9)
    for tick, (_, _, bold, head) in zip(ax.get_yticklabels(), wanted, strict=True):
        tick.set_fontweight("bold" if bold else "normal")
        if head:
            tick.set_color(QUIET)
    for place, _, _, head in labels:
        if head and place:
            ax.axhline(place - 0.5, color=FAINT, lw=1.0)
    for place, text, bold in texts if named else texts[-2:]:
        ax.text(1.03, place, text, va="center", size=LARGE - 1.5,
                transform=ax.get_yaxis_transform(),
                weight="bold" if bold else "normal")  # fmt: skip


def _between(after: Ends, places: int) -> str:
    return f"{number(after.low, places)} to {number(after.high, places)}"


def _words(ends: Any, places: int) -> str:
    value, low, high = (float(v) for v in ends)
    if not np.isfinite(value):
        return ""
    if not np.isfinite([low, high]).all():
        return number(value, places)
    return estimate(*(number(v, places) for v in (value, low, high)))


def field_map(
    fields: pd.DataFrame, mean: Comparison, *, system: str = "SI", places: int | None = None
) -> Plot:  # fmt: skip
    """Fields as points where they lie, north up, with a bar of distance; nothing is fetched.

    Parameters
    ----------
    fields : DataFrame
        ``ground, name, mine, latitude, longitude, value, raw`` as for `season_forest`; rows of one
        ``ground`` are one point, their differences averaged. Places that may not be shown are left
        out by who calls.
    mean : Comparison
        What is compared.
    system : {"SI", "US"}
    places : int, optional
        Decimal places; by default the `digits` of these fields.
    """
    own = difference_units(mean.unit, system)[0]
    places = digits(fields, own) if places is None else places
    rows = fields.assign(v=fields["value"].fillna(fields["raw"]) * own.factor)
    points = rows.groupby("ground", sort=False).agg(
        name=("name", "first"), mine=("mine", "any"), v=("v", "mean"),
        latitude=("latitude", "mean"), longitude=("longitude", "mean"),
    )  # fmt: skip
    east, north, metres = _plane(points)
    with style(LARGE):
        room = _room(east, north, metres)
        high = WIDTH * (room[3] - room[2]) / (room[1] - room[0])
        figure = Plot(figsize=(WIDTH, high + 0.5))
        ax = figure.add_subplot()
        ax.set_xlim(room[0], room[1])
        ax.set_ylim(room[2], room[3])
        ax.set_aspect("equal", adjustable="box")
        looks: dict[str, Any] = {}
        for x, y, row in zip(east, north, points.itertuples(), strict=True):
            value = number(float(row.v), places)
            look = _look(value, float(row.v))
            marker = "x" if look == "unknown" else "D" if row.mine else "o"
            colour, less = _COLOURS[look], look == "less"
            mark = ax.plot([x], [y], ls="none", marker=marker, ms=11 if row.mine else 9,
                           color=colour if less else "white", mec=colour, mew=1.8,
                           gid="own" if row.mine else "other")[0]  # fmt: skip
            looks.setdefault(look, mark)
            if len(points) <= MOST // 2:
                told = value if look == "unknown" else f"{value} {own.unit}"
                plus = "+" if look == "more" else ""
                ax.annotate(f"{row.name}\n{plus}{told}", (x, y), (9, 0),
                            textcoords="offset points", va="center", size=LARGE - 2.5)  # fmt: skip
        _distance(ax, room, metres, system)
        ax.set_xticks([])
        ax.set_yticks([])
        for side in ("bottom", "top", "left", "right"):
            ax.spines[side].set_visible(True)
            ax.spines[side].set_color(FAINT)
        keyed = [(looks[k], words.MAP_KEY[k]) for k in words.MAP_KEY if k in looks]
        figure.legend([m for m, _ in keyed], [t for _, t in keyed], loc="outside upper left",
                      ncols=2, frameon=False, borderpad=0.1)  # fmt: skip
    figure.alt_text = words.mapped([
        (str(r.name), words.on_map(number(float(r.v), places), own.unit), bool(r.mine))
        for r in points.itertuples()
    ])  # fmt: skip
    return figure


def _look(shown: str, value: float) -> str:
    """What a difference is drawn and keyed as: as it is printed, so that 0.0 is none."""
    if not np.isfinite(value):
        return "unknown"
    if not any(c in "123456789" for c in shown):
        return "same"
    return "less" if value < 0 else "more"


def _plane(points: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, float]:
    """Points about their middle on a plane (m), and how far apart they lie, 800 m at least."""
    latitude = points["latitude"].to_numpy(float)
    longitude = points["longitude"].to_numpy(float)
    middle = np.radians(latitude.mean())
    # The mean radius of the earth, 6371 km: a map of a region, not a survey.
    degree = np.pi * 6_371_000.0 / 180.0
    # The shorter way round, where fields lie on both sides of 180 degrees.
    away = (longitude - longitude[0] + 180.0) % 360.0 - 180.0
    east = (away - away.mean()) * degree * np.cos(middle)
    north = (latitude - latitude.mean()) * degree
    return east, north, max(float(np.ptp(east)), float(np.ptp(north)), 800.0)


def _room(
    east: np.ndarray, north: np.ndarray, metres: float
) -> tuple[float, float, float, float]:  # fmt: skip
    """Ends of the axes: the points, room for their names to the right and the bar below; neither
    a tower nor a line."""
    left, right = float(east.min()) - 0.12 * metres, float(east.max()) + 0.62 * metres
    foot, head = float(north.min()) - 0.3 * metres, float(north.max()) + 0.15 * metres
    short = 0.5 * (right - left) - (head - foot)
    if short > 0:
        foot, head = foot - short / 2, head + short / 2
    narrow = (head - foot) / 1.2 - (right - left)
    if narrow > 0:
        left, right = left - narrow / 2, right + narrow / 2
    return left, right, foot, head


def _distance(
    ax: Axes, room: tuple[float, float, float, float], metres: float, system: str
) -> None:
    """A bar of a round length in the lower left corner."""
    size, unit = (1609.344, "mi") if system == "US" else (1000.0, "km")
    length = float(LENGTHS[np.abs(LENGTHS * size - metres / 3).argmin()])
    high = room[3] - room[2]
    left, foot = room[0] + 0.04 * (room[1] - room[0]), room[2] + 0.09 * high
    ax.plot([left, left + length * size], [foot, foot], color=INK, lw=2, solid_capstyle="butt",
            gid="distance")  # fmt: skip
    ax.text(left, foot - 0.015 * high, f"{length:g} {unit}", va="top", size=LARGE - 2)
