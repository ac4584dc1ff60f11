"""What the difference is worth, and whether the option pays."""

from __future__ import annotations

from collections.abc import Iterable

from trialkit import plots
from trialkit.pages import captions
from trialkit.pages.context import Context
from trialkit.pages.elements import Beside, Element, Marked, Sentence, figure, folded
from trialkit.pages.needs import priced
from trialkit.pages.registry import part
from trialkit.quantities import number
from trialkit.words import chances
from trialkit.words import field_day as words
from trialkit.words.money import area_unit


@part("worth", words.worth_title(), [priced])
def worth(page: Context) -> Iterable[Element]:
    """What the difference is worth, and whether the option pays."""
    money = page.money
    assert money is not None
    first, *sums, caution = (page.letters.text(text) for text in money.sentences)
    told: list[Element] = [Sentence(first, "extent")]
    if sums:
        told.append(folded("The sums", *map(Sentence, sums)))
    told.append(Sentence(caution))
    if page.verdict.first.time is not None:
        told.append(Sentence(words.time_aside()))
    if not money.bought:
        return told
    pays = _pays(page)
    plot = plots.money_by_area(money)
    plot.alt_text = f"{plot.alt_text} {pays}".strip()
    # On the handout the picture stands without the words beside it.
    caption = (Marked(f"{first} ", "paper"), captions.of_balance(money.confidence, pays))
    return (Beside(figure(plot, caption), tuple(told)),)


def _pays(page: Context) -> str:
    """The chance that the option pays on the area given; "" where it cannot be told."""
    balance = next((v.balance for v in page.verdict.levels if v.bought), None)
    if balance is None or not balance.area:
        return ""
    unit, size = area_unit(page.config.units)
    return chances.pays(
        balance.chance, f"{number(balance.area / size, 0)} {unit}", balance.believed,
        page.config.model.prior,
    )  # fmt: skip
