"""What follows from the trial, and what it cannot tell."""

from __future__ import annotations

from collections.abc import Iterable

from trialkit.errors import DesignError
from trialkit.facts import Grade
from trialkit.pages import advice
from trialkit.pages.context import Context
from trialkit.pages.elements import Element, bullets
from trialkit.pages.registry import part
from trialkit.units import convert
from trialkit.words import chances
from trialkit.words import field_day as words


@part("try", "What to try")
def what_to_try(page: Context) -> Iterable[Element]:
    """What the evidence is good for on the reader's own fields, and what to test first."""
    items = [page.letters.text(t) for t in advice.told(page.verdict, page.analysis)]
    speed = page.reading("speed_measured")
    unit = "mph" if page.config.units == "US" else "km/h"
    if speed is not None:
        low, high = (float(convert(v, "km/h", unit)) for v in speed)
        speed = (low, high)
    items.append(advice.holds_for(page.reading("moisture"), speed, unit))
    return (bullets(item for item in items if item),)


@part("unknown", words.unknown_title())
def unknown(page: Context) -> Iterable[Element]:
    """What this trial cannot tell."""
    items = [words.one_season(page.config.season, page.used.strips["field"].nunique())]
    items += _between_fields(page)
    if any(f.grade is Grade.OPEN for r in page.responses for f in page.every_finding(r)):
        items.append(words.hidden())
    items += map(page.letters.text, (*page.skipped.values(), *page.analysis.warnings))
    if page.plan is None:
        items.append(words.lot_not_known())
    items.append(words.estimates())
    return (bullets(dict.fromkeys(items)),)


def _between_fields(page: Context) -> list[str]:
    """How alike the fields are for the headline, where the model lets them differ."""
    first = page.findings(page.response)[0]
    try:
        pooled = page.result.field_effects(page.factor.name).pooled
    except DesignError:
        return []
    row = pooled.set_index("level").loc[first.level]
    alike = chances.across_fields(
        (float(row["same_direction_low"]), float(row["same_direction_high"])),
        float(row["predicted_low"]),
        float(row["predicted_high"]), int(row["n_fields"]), first.grade,
    )  # fmt: skip
    told = words.other_fields(first.own.label, alike)
    own = page.result.by_field
    own = own[(own["factor"] == first.factor) & (own["level"] == first.level)]
    change = own["difference"].dropna()
    if first.grade is not Grade.OPEN and len(change):
        same = int(((change < 0) == first.falls).sum())
        told += f" {chances.fields_counted(same, len(change))}"
    return [told]
