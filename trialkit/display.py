"""How a result looks at the end of a notebook's cell: a heading, sentences, compact tables.

The rounding rule is the Particle Data Group's (Review of Particle Physics, introduction,
"Rounding"): look at the first three digits of the uncertainty; 100 to 354 keeps two of them,
355 to 949 keeps one, 950 to 999 rounds up to 1000 and keeps two. The uncertainty is half the
width of the interval that is printed beside the number, or its standard error where there is none.
"""

from __future__ import annotations

import html
import math
import re
from collections.abc import Iterable, Mapping
from decimal import ROUND_HALF_EVEN, Context, Decimal
from typing import Any

import pandas as pd

# Digits enough for any number that a float can hold.
_HALVES_EVEN = Context(prec=400, rounding=ROUND_HALF_EVEN)
# What is no letter and may do harm where it is shown: control characters but for tab and ends of
# lines, marks that turn the direction of writing, invisible format characters, halves of surrogate
# pairs, noncharacters. Joiners of letters stay: scripts need them.
UNSEEN = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f"
    "\ud800-\udfff\ufdd0-\ufdef\ufeff\ufff9-\ufffb\ufffe\uffff\U000e0000-\U000e007f]"
)
ROWS = 20
LONG = 40
# What "low" and "high" without a name of their own belong to.
_ESTIMATES = ("estimate", "effect", "shrunken", "mean", "median", "probability", "expected")
_LIMITS = {math.inf: "no limit", -math.inf: "no limit"}


def decimals(uncertainty: float) -> int:
    """Decimal places the uncertainty allows; negative means tens, hundreds, ..."""
    if not math.isfinite(uncertainty) or uncertainty <= 0:
        return 1
    exponent = math.floor(math.log10(uncertainty))
    lead = round(uncertainty / 10.0**exponent * 100)
    if lead >= 1000:
        exponent, lead = exponent + 1, 100
    if lead >= 950:
        exponent, lead = exponent + 1, 100
    digits = 2 if lead < 355 else 1
    return digits - 1 - exponent


def number(value: float, places: int) -> str:
    """The value rounded to `places` decimals, thousands parted, with a true minus sign.

    It is first rounded to twelve digits, and a half then goes to the even digit: a share such as 79
    of 2,000 comes out of a model as 3.95 % to the last bit or so, and whether 3.9 or 4.0 is printed
    would hang on the processor.
    """
    if not math.isfinite(value):
        return "not known"
    last = Decimal(1).scaleb(-int(places))
    rounded = Decimal(f"{value:.12g}").quantize(last, context=_HALVES_EVEN)
    if rounded == 0:
        rounded = abs(rounded)  # no "-0"
    return f"{rounded:,.{max(places, 0)}f}".replace("-", "\N{MINUS SIGN}")


def freedom(df: float, places: int = 1) -> str:
    """Degrees of freedom; beyond 1,000, where t and F no longer change, only that they are."""
    if df > 1000:
        return "over 1,000" if math.isfinite(df) else "\N{INFINITY}"
    return number(df, places)


def visible(text: str) -> str:
    """Text for terminals and tables: what is `UNSEEN` is shown as an escape, such as \\x1b."""
    return UNSEEN.sub(lambda found: _escaped(found[0]), text)


def _escaped(letter: str) -> str:
    code = ord(letter)
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def printable(text: str) -> str:
    """Text for pages: what is `UNSEEN` becomes U+FFFD, letter for letter."""
    return UNSEEN.sub("\ufffd", text)


def escape(text: str) -> str:
    """Text of a user's for HTML: what is `UNSEEN` replaced, marks of HTML escaped."""
    return html.escape(printable(text))


def card(heading: str, sentences: Iterable[str] = (), *parts: str) -> str:
    """A heading, plain sentences (escaped here) and finished parts, such as `table` makes."""
    return f"<div><h4>{escape(heading)}</h4>{paragraphs(sentences)}{''.join(parts)}</div>"


def paragraphs(sentences: Iterable[str]) -> str:
    """Plain sentences as paragraphs, escaped here; empty ones are left out."""
    return "".join(f"<p>{escape(sentence)}</p>" for sentence in sentences if sentence)


def folded(summary: str, *parts: str) -> str:
    """Finished parts that unfold under a line of plain text."""
    return f"<details><summary>{escape(summary)}</summary>{''.join(parts)}</details>"


def table(
    frame: pd.DataFrame, caption: str = "", *, names: Mapping[str, str] | None = None,
    rows: int = ROWS,
) -> str:  # fmt: skip
    """A table as HTML: numbers rounded to their uncertainty, text escaped.

    ``ratio, ratio_low, ratio_high`` become one column, the interval in brackets, and so do
    ``estimate, low, high``; what is missing stays empty, and a
    column with nothing in it is left out.

    Parameters
    ----------
    frame : DataFrame
        An index with a name is shown as columns.
    caption : str
    names : mapping, optional
        Other headings than the column names, in which "_" is shown as a space.
    rows : int
        The first so many are shown; a line below says how many more there are.
    """
    if frame.empty:
        return ""
    if any(name is not None for name in frame.index.names):
        frame = frame.reset_index()
    left = len(frame) - rows
    columns = {k: v for k, v in _columns(frame.head(rows)).items() if any(v)}
    head = "".join(
        f'<th scope="col">{escape((names or {}).get(name, name))}</th>' for name in columns
    )
    body = "".join(
        "<tr>" + "".join(map(_td, cells)) + "</tr>" for cells in zip(*columns.values(), strict=True)
    )
    more = f"<p>... and {left:,} more rows.</p>" if left > 0 else ""
    title = f"<caption>{escape(caption)}</caption>" if caption else ""
    return (
        f'<div style="overflow-x:auto"><table style="white-space:nowrap">{title}'
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>{more}"
    )


def _td(cell: str) -> str:
    """A cell; only sentences are broken into lines."""
    broken = ' style="white-space:normal;min-width:16em"' if len(cell) > LONG else ""
    return f"<td{broken}>{escape(cell)}</td>"


def _columns(frame: pd.DataFrame) -> dict[str, list[str]]:
    """Headings and cells as text, intervals joined with what they are of."""
    names = [str(name) for name in frame.columns]
    frame = frame.set_axis(names, axis=1)
    intervals = {n.removesuffix("_low"): n for n in names if n.endswith("_low")}
    intervals = {base: low for base, low in intervals.items() if f"{base}_high" in names}
    if {"low", "high"} <= {*names}:
        intervals[next((n for n in _ESTIMATES if n in names), "interval")] = "low"
    first = {low: base for base, low in intervals.items() if base not in names}
    taken = {end for low in intervals.values() for end in (low, f"{low.removesuffix('low')}high")}
    out: dict[str, list[str]] = {}
    for name in names:
        base = name if name in intervals else first.get(name)
        if base is not None:
            low = intervals[base]
            ends = frame[[low, f"{low.removesuffix('low')}high"]].to_numpy(float)
            values = frame[base].to_numpy(float) if base in names else [None] * len(frame)
            ratio = base.startswith(("ratio", "odds"))
            cells = [
                _with_interval(v, least, most, ratio)
                for v, (least, most) in zip(values, ends, strict=True)
            ]
        elif name in taken:
            continue
        elif name in ("estimate", "se") and "se" in names:
            cells = [
                _by(v, se) for v, se in zip(frame[name], frame["se"].to_numpy(float), strict=True)
            ]
        else:
            cells = [_cell(name, value) for value in frame[name].astype(object)]
        out[(base or name).replace("_", " ")] = cells
    return out


def _with_interval(value: float | None, low: float, high: float, ratio: bool) -> str:
    """Estimate and interval, or the interval alone; a ratio by the nearer of its two ends."""
    if math.isnan(low) and math.isnan(high):
        return "" if value is None else _cell("", value)
    half = (high - low) / 2
    if ratio and value is not None and low < value < high:
        half = min(value - low, high - value)
    places = decimals(half)
    if not math.isfinite(half) or half <= 0:
        known = next((x for x in (value, low, high) if x is not None and math.isfinite(x)), 0.0)
        places = _significant(known)
    ends = " to ".join(
        _LIMITS.get(x) or ("not known" if math.isnan(x) else number(x, places)) for x in (low, high)
    )
    if value is None:
        return ends
    shown = _LIMITS.get(value) or ("" if math.isnan(value) else number(value, places))
    return f"{shown} ({ends})".strip()


def _by(value: float, se: float) -> str:
    if not (math.isfinite(value) and math.isfinite(se)) or se <= 0:
        return _cell("", value)
    return number(value, decimals(se))


def _cell(name: str, value: Any) -> str:
    if value is None or value is pd.NA or value is pd.NaT or value != value:
        return ""
    if isinstance(value, str):
        return value
    if pd.api.types.is_bool(value):
        return "yes" if value else "no"
    if pd.api.types.is_integer(value):
        return f"{int(value):,}".replace("-", "\N{MINUS SIGN}")
    if not pd.api.types.is_float(value):
        return str(value)
    value = float(value)
    if name in ("df", "den_df"):
        return freedom(value)
    if not math.isfinite(value):
        return _LIMITS[value]
    if name == "p" or name.startswith("p_") or name.endswith("_p"):
        return p_text(value)
    if 0 < abs(value) < 1e-4:
        return f"{value:.1e}".replace("-", "\N{MINUS SIGN}")
    return number(value, _significant(value))


def p_text(p: float) -> str:
    """A p-value to two digits; none is called zero."""
    if math.isnan(p):
        return ""
    return "below 0.001" if p < 0.001 else f"{p:.2g}"


def p_is(p: float) -> str:
    """A p-value behind its letter: "= 0.034", "below 0.001"; "not known" where there is none."""
    text = p_text(p)
    return "not known" if not text else text if text.startswith("below") else f"= {text}"


def significant(value: float, digits: int = 3) -> str:
    """A value to so many significant digits, thousands parted, with a true minus sign: what has
    no interval to be rounded by."""
    if not value or not math.isfinite(value):
        return number(value, 0)
    if not 1e-4 <= abs(value) < 1e9:
        return f"{value:.{digits - 1}e}".replace("-", "\N{MINUS SIGN}")
    places = digits - 1 - math.floor(math.log10(abs(value)))
    text = number(value, places)
    return text.rstrip("0").rstrip(".") if "." in text else text


def _significant(value: float) -> int:
    """Decimal places for three significant digits; whole numbers keep all of theirs."""
    return max(0, 2 - math.floor(math.log10(abs(value)))) if value else 0
