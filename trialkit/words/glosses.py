"""What a farmer calls a thing, beside the trade's term."""

from __future__ import annotations

from collections.abc import Iterable

from trialkit.quantities import upper_first

GLOSSES = {
    "header loss": "loss at the header",
    "material other than grain": "trash in the sample",
    "preharvest loss": "already on the ground before the machine came",
    "stripper-plate gap": "between the stripper, or deck, plates",
}
"""What a farmer calls it, beside the trade's term where a page first uses that."""


def glossed(terms: Iterable[str]) -> str:
    """`GLOSSES` of those of these terms that have one, for a table's legend."""
    lower = " ".join(terms).lower()
    return " ".join(f"{upper_first(t)}: {g}." for t, g in GLOSSES.items() if t in lower)
