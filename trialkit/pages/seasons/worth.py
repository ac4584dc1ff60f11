"""What a setup is worth over the trials, with the prices of the newest one."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from trialkit.decide.break_even import break_even
from trialkit.display import number
from trialkit.facts import Ends
from trialkit.pages.elements import Element, Sentence, folded
from trialkit.pages.registry import part
from trialkit.pages.seasons.context import SeasonsContext
from trialkit.units import price_per_tonne_to_per_bushel
from trialkit.words import own_money as money_words
from trialkit.words import seasons as words
from trialkit.words.money import amount, area_unit

if TYPE_CHECKING:
    from trialkit.decide import Balance


def in_short(page: SeasonsContext) -> str:
    """Worth and chance in one line; why there is none where there is none."""
    found = page.money
    if found is None:
        return money_words.no_price() if page.response == "header_loss" else ""
    unit, size = area_unit(page.system)
    choice = money_words.instead(found.label, found.reference_label)
    worth = money_words.grain_worth(
        choice, found.grain.times(size), found.currency, unit, page.percent
    )
    if not found.bought:
        return money_words.chance_of_grain(worth, found.chance, "")
    return money_words.balance_of_year(
        worth, found.net_per_year, found.net.value * size, found.annual_cost, found.chance, "",
        area=float(found.given.area) / size, currency=found.currency, unit=unit,
    )  # fmt: skip


def pays_from(found: Balance) -> str:
    """From which area and from which price an option pays."""
    given, size = found.given, area_unit(found.system)[1]
    _, _, area, _ = found.sentences
    price = break_even(given, "price", found.saved.interval(found.confidence), found.confidence,
                       found.currency, found.system)  # fmt: skip
    unit = "per bu" if found.system == "US" else "per t"
    begin = money_words.begin_area(
        f"{amount(float(given.area) / size, 0)} {area_unit(found.system)[0]}"
    )
    told = money_words.threshold(
        "price", begin, Ends(*price.in_system), currency=found.currency, unit=unit,
        pays=found.net.value >= 0, level=f"{number(100 * found.confidence, 0)} %",
    )  # fmt: skip
    return f"{area} {told}"


def _prices(page: SeasonsContext) -> str:
    """Whose prices these are."""
    found = page.money
    assert found is not None
    unit, size = area_unit(page.system)
    us = page.system == "US"
    price = float(found.given.price)
    told = amount(float(price_per_tonne_to_per_bushel(price)) if us else price)
    area = f"{amount(found.area / size, 0)} {unit}" if found.area else ""
    per = f"{told} per {'bu' if us else 't'}"
    return words.prices_of(page.config.season, found.currency, per, area)


@part("worth", words.TITLES["worth"])
def worth(page: SeasonsContext) -> Iterable[Element]:
    """What the difference is worth, and whether the option pays."""
    text, found = page.letters.text, page.money
    if found is None:
        yield Sentence(text(in_short(page) or money_words.no_header_loss()))
        return
    first, *sums, _ = (text(told) for told in found.sentences)
    yield Sentence(first, "extent")
    yield Sentence(text(_prices(page)))
    yield from map(Sentence, sums)
    yield Sentence(words.where_from(), "quiet")
    yield Sentence(words.caution())


@part("worth", money_words.title())
def own_worth(page: SeasonsContext) -> Iterable[Element]:
    """The same with the reader's own numbers."""
    panel, text = page.what_if, page.letters.text
    if isinstance(panel, str):
        yield from worth(page)
        return
    yield Sentence(text(f"{panel.title}."), "extent")
    yield Sentence(text(panel.given_in_words()))
    yield Sentence(words.prices_from(page.config.season), "quiet")
    if not page.found.bought:
        yield Sentence(money_words.round_area())
    yield panel.form()
    yield folded(words.TITLES["model"], Sentence(words.where_from()))
    yield Sentence(words.caution())
