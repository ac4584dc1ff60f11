"""Frozen numbers: kept in JSON files beside this one, read, compared and written here."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path

HERE = Path(__file__).parent
DIGITS = 10
"""Digits a number is frozen with."""
RELATIVE, FLOOR = 1e-6, 1e-9
"""What may differ. Computed with another linear algebra kernel, without the processor's vector
instructions and with other threads and hash seeds, 23,000 numbers came out within 1.2e-9 of
themselves, besides likelihood ratio statistics of nothing (1e-11, which the floor is for)."""
P, OF_P = ("p", "p_adjusted"), 1e-5
"""Of a p-value: that of such a statistic moved by 1.2e-6, as the root of it does."""

SHOWN = 60
"""Changes that a failing test tells; ``freeze.py`` tells all."""

Frozen = dict[str, dict[str, float]]


def path(source: str) -> Path:
    """The file of a source."""
    return HERE / f"{source}.json"


@cache
def read(source: str) -> Frozen:
    """Names and numbers of a source, by trial."""
    data = json.loads(path(source).read_text(encoding="utf-8"))
    return {of: {k: float(v) for k, v in own.items()} for of, own in data.items()}


@cache
def read_pages() -> dict[str, set[str]]:
    """Numbers of every page, by its name."""
    data = json.loads(path("pages").read_text(encoding="utf-8"))
    return {page: set(words.split()) for page, words in data.items()}


def write(source: str, found: Mapping[str, Mapping[str, float]]) -> None:
    """Freeze a source: a line a number, sorted; what is not finite as text."""
    data = {of: {k: _short(v) for k, v in sorted(own.items())} for of, own in sorted(found.items())}
    _write(source, data)


def write_pages(found: Mapping[str, Iterable[str]]) -> None:
    """Freeze pages: a line a page."""
    _write("pages", {page: " ".join(sorted(words, key=_order))
                     for page, words in sorted(found.items())})  # fmt: skip


def _write(source: str, data: Mapping[str, object]) -> None:
    text = json.dumps(data, indent=0, ensure_ascii=False)
    path(source).write_text(text + "\n", encoding="utf-8")


def _short(value: float) -> float | int | str:
    if not math.isfinite(value):
        return str(value)
    short = float(f"{value:.{DIGITS}g}")
    return int(short) if short.is_integer() and abs(short) < 1e15 else short


def _order(word: str) -> tuple[float, str]:
    parts = word.replace("-", " -").split("/")[0].split()
    return float(parts[0]), word


def same(name: str, before: float, now: float) -> bool:
    """Whether two numbers of this name agree."""
    if math.isnan(before) or math.isnan(now):
        return math.isnan(before) and math.isnan(now)
    relative = OF_P if name.rsplit("/")[-1] in P else RELATIVE
    return math.isclose(before, now, rel_tol=relative, abs_tol=FLOOR)


def changes(before: Mapping[str, float], now: Mapping[str, float]) -> list[str]:
    """A line for every number that is gone, is another, or is new."""
    out = []
    for name in sorted(before.keys() | now):
        if name not in now:
            out.append(f"{name}: {before[name]:.{DIGITS}g} is gone")
        elif name not in before:
            out.append(f"{name}: {now[name]:.{DIGITS}g} is new")
        elif not same(name, before[name], now[name]):
            out.append(f"{name}: {before[name]:.{DIGITS}g} became {now[name]:.{DIGITS}g}")
    return out


def changes_of_page(before: set[str], now: set[str]) -> list[str]:
    """What vanished from a page and what came."""
    gone, new = sorted(before - now, key=_order), sorted(now - before, key=_order)
    return [f"{what}: {' '.join(words)}" for what, words in (("vanished", gone), ("came", new))
            if words]  # fmt: skip


def hold(where: str, told: list[str]) -> None:
    """Fails where something changed, and says what."""
    assert not told, "\n".join([f"{where}: {len(told)} changed", *told[:SHOWN]])
