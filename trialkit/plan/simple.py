"""The common case of a plan in a few words: what is compared, the header, one kind of field."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from trialkit import units
from trialkit.errors import TrialError
from trialkit.plan.described import UNITS, in_si

# Factors known by their name alone; the first level stands for the usual setup unless told.
KNOWN: Mapping[str, Mapping[str, Any]] = {
    "cushion": {
        "label": "Gathering chain", "levels": ["standard", "cushion"],
        "labels": ["Standard chain", "Cushioned chain"], "hard_to_change": True,
    },
    "gap": {
        "label": "Stripper-plate gap", "levels": ["narrow", "usual", "wide"],
        "labels": ["Narrow gap", "Usual gap", "Wide gap"], "reference": "usual",
    },
    "speed": {
        "label": "Ground speed", "levels": ["slow", "fast"], "labels": ["Slow", "Fast"],
    },
}  # fmt: skip


def simple_description(
    compare: Sequence[str],
    *,
    length: float | str,
    fields: Sequence[str] = (),
    hard: Sequence[str] = (),
    system: str = "US",
    title: str = "",
    season: int | None = None,
    header_rows: int = 8,
    row_spacing: float | str | None = None,
    **ground: Any,
) -> dict[str, Any]:
    """What `check_description` reads, for fields of one size.

    Parameters
    ----------
    compare : sequence of str
        Factors: a name of `KNOWN`, or a name with its levels, as in ``"chain=plain,cushion"``.
    length : float or str
        Of every field along the rows: in ft or m by `system`, or with its unit.
    fields : sequence of str
        Names; one field named 1 unless told.
    hard : sequence of str
        Factors that are hard to change, beside those known to be.
    system : {"US", "SI"}
    title, season
        Those of the trial; made from what is compared, and this year, unless told.
    header_rows, row_spacing
        Of the header, whose width is their product; 8 rows and 30 in unless told.
    **ground
        Further keys of a ``[[field]]``; None for those not given.

    Raises
    ------
    TrialError
        For a factor that is not known and has no levels.
    """
    factors = [_factor(text) for text in compare]
    names = [f["name"] for f in factors]
    if unknown := [name for name in hard if name not in names]:
        raise TrialError(f"{unknown[0]!r} is not compared; hard to change may be {_listed(names)}.")
    for factor in factors:
        factor["hard_to_change"] = factor.get("hard_to_change", False) or factor["name"] in hard
    us = system == "US"
    inch, metre = UNITS["row_spacing"]
    spacing = 0.762 if row_spacing is None else in_si(row_spacing, inch if us else metre, "m")
    # A spacing that cannot be read is told with its field.
    width = header_rows * (spacing or 0.762)
    field: dict[str, Any] = {"length": length, "row_spacing": row_spacing, **ground}
    field = {key: value for key, value in field.items() if value is not None}
    labels = [f.get("label", f["name"]) for f in factors]
    return {
        "title": title or f"Comparison: {', '.join(labels)}",
        "season": date.today().year if season is None else season,
        "units": system,
        "header": {"rows": header_rows,
                   "width": float(units.convert(width, "m", "ft")) if us else width},
        "setup": factors,
        "field": [{"name": name, **field} for name in (fields or ["1"])],
    }  # fmt: skip


def _factor(text: str) -> dict[str, Any]:
    name, equals, levels = (part.strip() for part in text.partition("="))
    if equals:
        return {"name": name, "levels": [level.strip() for level in levels.split(",")]}
    if name.lower() in KNOWN:
        return {"name": name.lower(), **KNOWN[name.lower()]}
    near = difflib.get_close_matches(name.lower(), KNOWN, 1)
    hint = f" Perhaps {near[0]!r} is meant." if near else ""
    raise TrialError(
        f"{name!r} has no levels. Known by name alone are {_listed([*KNOWN])}; of any other factor "
        f"give the levels, as in {name or 'chain'}=standard,other.{hint}"
    )


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names)
