"""A reference figure against ours: the table every worked example ends in.

A cell that calls `compare` begins with ``# NBVAL_CHECK_OUTPUT``, so that the stored table, from
which `figures_by_kind` counts, is the one its code makes.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from decimal import Decimal
from pathlib import Path
from typing import NamedTuple

import pandas as pd
from IPython.display import display

KINDS = ("looked up", "from memory", "ours")
# A figure this close, of its own size, to halfway between two roundings may be printed as either:
# 2.5 worked out in floating point is 2.4999999999999996 as easily.
_LAST_BITS = Decimal("1e-12")


class Row(NamedTuple):
    """One figure.

    ``published`` is the reference figure as printed, "< 0.0001" where only a bound is; ours must
    round to it at its last digit. ``kind`` says where it is from: "looked up" in the source or in a
    public copy of it; "from memory"; "ours", which nobody published: another program run for this
    comparison, or another method worked in the notebook. Where it is right that ours differs,
    ``instead`` is our figure in as many digits, held as strictly, and ``reason`` says why.
    """

    quantity: str
    published: str
    ours: float
    source: str
    kind: str = "looked up"
    instead: str = ""
    reason: str = ""


def rounds_to(ours: float, printed: str) -> bool:
    """Whether ours, rounded to the digits of the printed figure, is that figure."""
    if printed.startswith("<"):
        return ours < float(printed[1:])
    return _number(printed) in _roundings(ours, printed)


def compare(*rows: Row) -> None:
    """Show the table, then fail if any of our figures does not round to the one expected."""
    shown, wrong = [], []
    for row in rows:
        _refuse(row)
        expected = row.instead or row.published
        if rounds_to(row.ours, expected):
            ours, verdict = expected, f"rightly differs: {row.reason}" if row.instead else "agrees"
        else:
            ours, verdict = _as_printed(row.ours, expected), "DIFFERS"
            wrong.append(f"{row.quantity} ({ours} for {expected})")
        shown.append((row.quantity, row.published, ours, row.kind, row.source, verdict))
    columns = ["quantity", "reference", "ours", "kind", "source", "verdict"]
    table = pd.DataFrame(shown, columns=columns)
    found = Counter(row.kind for row in rows)
    total = ", ".join(f"{found[kind]} {kind}" for kind in KINDS if found[kind])
    counted = f"Reference figures: {total}."
    with pd.option_context("display.max_colwidth", None):
        html = table.to_html(index=False, justify="left", border=0)
    display({"text/html": f"{html}\n<p>{counted}</p>", "text/plain": counted}, raw=True)
    assert not wrong, f"does not round to the figure expected: {', '.join(wrong)}"


def figures_by_kind(folder: str | Path = ".") -> pd.DataFrame:
    """Number of reference figures of each kind in the stored tables of each notebook."""
    counted = {}
    for path in sorted(Path(folder).glob("*.ipynb")):
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        plain = [
            "".join(output["data"]["text/plain"])
            for cell in cells for output in cell.get("outputs", [])
            if output["output_type"] == "display_data"
        ]
        found = Counter()
        for text in plain:
            if text.startswith("Reference figures: "):
                found.update({kind: int(n) for n, kind in re.findall(r"(\d+) ([a-z ]+)", text)})
        if found:
            counted[path.name] = [found[kind] for kind in KINDS]
    return pd.DataFrame.from_dict(counted, orient="index", columns=list(KINDS))


def _refuse(row: Row) -> None:
    if row.kind not in KINDS:
        raise ValueError(f"{row.quantity}: kind must be one of {', '.join(KINDS)}")
    if bool(row.instead) != bool(row.reason):
        raise ValueError(f"{row.quantity}: a figure instead needs a reason, and a reason a figure")
    printed = (row.published, row.instead or row.published)
    if not any(p.startswith("<") for p in printed) and len({_digits(p) for p in printed}) > 1:
        raise ValueError(f"{row.quantity}: the figure instead needs as many digits")
    if row.instead == row.published:
        raise ValueError(f"{row.quantity}: the figure instead is the published one")


def _number(printed: str) -> Decimal:
    return Decimal(printed.replace(",", ""))


def _digits(printed: str) -> tuple[bool, int]:
    """Whether it is written with a power of ten, and the decimals before that."""
    mantissa, power, _ = printed.lower().partition("e")
    return bool(power), len(mantissa.partition(".")[2])


def _roundings(ours: float, printed: str) -> set[Decimal]:
    """Ours at the last digit of the printed figure: one value, or two when it is halfway."""
    exact = Decimal(float(ours))
    if not exact.is_finite():
        return set()
    last = Decimal((0, (1,), _number(printed).as_tuple().exponent))
    return {(exact * (1 + side * _LAST_BITS)).quantize(last) for side in (-1, 1)}


def _as_printed(ours: float, printed: str) -> str:
    power, decimals = _digits(printed.lstrip("< "))
    return f"{ours:.{decimals}{'e' if power else 'f'}}"
