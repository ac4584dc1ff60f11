"""Dates and times as people and spreadsheets write them, read only when one reading is possible."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import product

from trialkit.intake.config import DateOrder
from trialkit.words import readings, refusals

_ISO = re.compile(r"\d{4}-\d{1,2}-\d{1,2}(?:[T ]\d{1,2}:\d{2}(?::\d{2}(?:\.\d{1,6})?)?)?")
_SLASHED = re.compile(r"(\d{1,2})([/-])(\d{1,2})\2(\d{4}|\d{2})(?:[ T](.+))?")
_DOTTED = re.compile(r"(\d{1,2})\.\s?(\d{1,2})\.\s?(\d{4})(?:[ T](.+))?")
_YEAR_FIRST = re.compile(r"(\d{4})\.\s?(\d{1,2})\.\s?(\d{1,2})\.?(?:[ T](.+))?")
_SERIAL = re.compile(r"\d{5}(?:\.\d+)?")
_TIMES = ("%H:%M", "%H:%M:%S", "%I:%M%p", "%I:%M:%S%p")
_OTHER: dict[DateOrder, DateOrder] = {"month-first": "day-first", "day-first": "month-first"}
_NAMED = ("%d %b %Y", "%d %B %Y", "%b %d %Y", "%B %d %Y", "%d-%b-%Y", "%d-%b-%y", "%d-%B-%Y")

# Excel counts days from the last day of 1899, one too many since it believes in 29 February 1900.
_EXCEL_DAY_ZERO = datetime(1899, 12, 30)


def season_span(season: int) -> tuple[datetime, datetime]:
    """First moment in season and first moment after it: 1 January to 31 March of the next year.

    Both hemispheres harvest within it, and corn that stood through the winter counts.
    """
    return datetime(season, 1, 1), datetime(season + 1, 4, 1)


def read_dates(
    texts: Sequence[str], season: int, order: DateOrder | None, usual: DateOrder | None = None
) -> tuple[list[datetime | str], list[str]]:
    """Moments, or in words what was expected; and notes on how they were read.

    Parameters
    ----------
    texts : sequence of str
        Cells of one column, none of them empty.
    season : int
        Year of harvest; a moment outside `season_span` is refused.
    order : {"month-first", "day-first"} or None
        How 10/03/2026 is meant. With None it follows from the column's other dates when they
        allow one order only; otherwise `usual` says it.
    usual : {"month-first", "day-first"} or None
        How such dates are written where the trial was made. With None a date that could be read
        both ways is refused, and so it is in a column that holds dates of either order.
    """
    first, end = season_span(season)
    notes: list[str] = []
    if order is None:
        slashed = [m for t in texts if (m := _SLASHED.fullmatch(t))]
        possible = _orders(slashed, first, end)
        if len(possible) == 1 and slashed:
            order = possible[0]
            notes.append(readings.dates_read(order))
        elif usual in possible:
            doubtful = [m[0] for m in slashed if isinstance(_read(m[0], None), str)]
            if doubtful:
                order = usual
                notes.append(readings.dates_assumed(doubtful[0], str(usual), _OTHER[usual]))
    results: list[datetime | str] = []
    for text in texts:
        moment = _read(text, order)
        if isinstance(moment, datetime):
            if _SERIAL.fullmatch(text):
                notes.append(readings.day_numbers())
            if not first <= moment < end:
                ends = (f"{day:%Y-%m-%d}" for day in (first, end - timedelta(1)))
                moment = refusals.date_in_season(*ends)
        results.append(moment)
    return results, list(dict.fromkeys(notes))


def _read(text: str, order: DateOrder | None) -> datetime | str:
    if _ISO.fullmatch(text):
        date, _, time = text.replace("T", " ").partition(" ")
        year, month, day = map(int, date.split("-"))
        return _moment(year, month, day, time.split(".")[0]) or refusals.date_that_exists()
    if match := _SLASHED.fullmatch(text):
        readings = {o: _slashed(match, o) for o in ("month-first", "day-first")}
        sure = {r for r in readings.values() if r is not None}
        if order is None and len(sure) == 2:
            return refusals.date_read_one_way()
        reading = readings[order] if order else next(iter(sure), None)
        return reading or refusals.date_that_exists()
    if match := _DOTTED.fullmatch(text):
        day, month, year = map(int, match.groups()[:3])
        return _moment(year, month, day, match[4]) or refusals.date_that_exists()
    if match := _YEAR_FIRST.fullmatch(text):
        year, month, day = map(int, match.groups()[:3])
        return _moment(year, month, day, match[4]) or refusals.date_that_exists()
    if _SERIAL.fullmatch(text):
        return _EXCEL_DAY_ZERO + timedelta(seconds=round(float(text) * 86_400))
    return _named(text) or refusals.date_that_exists()


def _slashed(match: re.Match[str], order: str) -> datetime | None:
    a, b, year = int(match[1]), int(match[3]), int(match[4])
    month, day = (a, b) if order == "month-first" else (b, a)
    return _moment(year + (2000 if len(match[4]) == 2 else 0), month, day, match[5])


def _orders(matches: list[re.Match[str]], first: datetime, end: datetime) -> list[DateOrder]:
    """The orders in which every date that has a reading at all exists and is in season."""
    possible: dict[DateOrder, bool] = {"month-first": True, "day-first": True}
    for match in matches:
        good = {}
        for order in possible:
            moment = _slashed(match, order)
            good[order] = moment is not None and first <= moment < end
        if any(good.values()):
            possible = {order: possible[order] and good[order] for order in possible}
    return [order for order, fits in possible.items() if fits]


def _moment(year: int, month: int, day: int, time: str | None) -> datetime | None:
    try:
        date = datetime(year, month, day)
    except ValueError:
        return None
    for form in _TIMES if time else ():
        try:
            clock = datetime.strptime("".join((time or "").split()).upper(), form)
        except ValueError:
            continue
        return date.replace(hour=clock.hour, minute=clock.minute, second=clock.second)
    return None if time else date


def _named(text: str) -> datetime | None:
    plain = " ".join(text.replace(",", " ").split())
    for form, time in product(_NAMED, ("", " %H:%M")):
        try:
            return datetime.strptime(plain, form + time)
        except ValueError:
            continue
    return None
