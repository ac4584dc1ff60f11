"""What a setup is worth to one grower, and what would change the answer."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

from trialkit import plots
from trialkit.decide import balance, comparison, payback, sensitivity
from trialkit.decide.prior import chance_with
from trialkit.decide.sensitivity import input_value
from trialkit.decide.verdict import hours_per_block, verdict
from trialkit.facts import Ends
from trialkit.pages import advice
from trialkit.pages.context import Context
from trialkit.pages.elements import Beside, Element, Sentence, bullets, figure, table
from trialkit.pages.registry import part
from trialkit.pages.what_if import WhatIf
from trialkit.quantities import lower_first, scales, span
from trialkit.words import chances
from trialkit.words import own_money as words
from trialkit.words.money import CAUTION_MORE, amount, area_unit

if TYPE_CHECKING:
    from trialkit.decide import Budget, Payback
    from trialkit.decide.break_even import BreakEven

# How far inputs are moved to show what they move, as shares of their value: examples.
MOVED = {
    "price": 0.25, "area": 0.5, "option_price": 0.25, "years": 0.4, "life_area": 0.4,
    "interest": 0.5, "repair": 0.5, "change_cost": 0.5,
}  # fmt: skip


def in_short(page: Context) -> str:
    """Worth and chance in one line, for the headline."""
    if page.timed:
        return _grain_and_time(page)
    panel = page.what_if
    if isinstance(panel, str):
        return panel
    shown = panel.figures()
    unit, size = area_unit(shown.system)
    choice = words.instead(page.found.label, page.found.reference_label)
    value = shown.grain.times(size)
    worth = words.grain_worth(choice, value, shown.currency, unit, page.percent)
    believed = _believed_in_short(page, panel)
    if shown.annual_cost == 0:
        return words.chance_of_grain(worth, shown.chance, believed)
    return words.balance_of_year(
        worth, Ends(*shown.net_per_year), shown.net.value * size, shown.annual_cost,
        shown.chance, believed, area=panel.given.area / size, currency=shown.currency,
        unit=unit,
    )  # fmt: skip


def _hours(page: Context) -> str:
    time = page.verdict.first.time
    assert time is not None
    return words.hours(*hours_per_block(time, page.config.units))


def _grain_and_time(page: Context) -> str:
    """What another ground speed saves or loses, and the hours it takes, in one line."""
    first = page.verdict.first
    choice = words.instead(first.primary.label, first.primary.reference_label)
    if first.balance is None:
        return words.hours_without_price(choice, _hours(page))
    unit, size = area_unit(page.config.units)
    grain = first.balance.grain.times(size)
    worth = words.grain_worth(choice, grain, page.config.currency, unit, page.percent)
    return words.grain_and_hours(worth, _hours(page))


def _by_hour(page: Context) -> Iterable[Element]:
    """The balance of another ground speed by what an hour costs."""
    text, config = page.letters.text, page.config
    own = page.verdict.first.primary
    yield Sentence(text(_grain_and_time(page)), "extent")
    if page.verdict.first.balance is None:
        return
    unit, size = area_unit(config.units)
    rows = []
    for cost in page.hour_costs:
        found = verdict(page.analysis, own.response, hour_cost=cost).of(own.factor, own.level)
        assert found.balance is not None
        net, low, high = (amount(v * size) for v in found.balance.net)
        rows.append([f"{config.currency} {amount(cost, 0)}", net, f"{low} to {high}"])
    caption = words.left_caption(own.label, own.reference_label, config.currency, unit)
    yield table(text(caption), ["an hour costs", "left", f"{page.percent} interval"], rows)
    yield Sentence(words.range_of_hours(not config.hour_cost), "quiet")
    yield Sentence(CAUTION_MORE)


def _believed(page: Context, panel: WhatIf) -> float | None:
    """The chance, with what was believed before the trial, that the panel's first numbers pay."""
    first, given = panel.scenarios[0], panel.given
    found = comparison(page.analysis, "header_loss", first.factor, first.level)
    assert found is not None
    return chance_with(found, page.config.model.prior, -float(given.needed))


def _believed_in_short(page: Context, panel: WhatIf) -> str:
    """The chance with what was believed before, where it is a step of the words away."""
    chance = _believed(page, panel)
    if chance is None or chances.chance(chance) == chances.chance(panel.figures().chance):
        return ""
    return words.believed_beside(chance)


@part("worth", words.title())
def money(page: Context) -> Iterable[Element]:
    """What the setup is worth with the reader's own numbers."""
    panel, text = page.what_if, page.letters.text
    if page.timed:
        yield from _by_hour(page)
        return
    if isinstance(panel, str):
        yield Sentence(text(panel))
        return
    yield Sentence(f"{text(panel.title)}.", "extent")
    yield Sentence(text(panel.given_in_words()))
    if page.verdict.first.time is not None:
        yield Sentence(text(words.time_beside(page.found.label, _hours(page))))
    if page.area is None and not page.found.bought:
        yield Sentence(words.round_area())
    yield panel.form()
    before = chances.with_prior(
        panel.figures().chance, _believed(page, panel), page.config.model.prior
    )
    yield Sentence(words.where_from(), "quiet")
    yield Sentence(words.chance_is(before), "quiet")
    if any(s.setting or not s.as_run for s in panel.scenarios):
        set_apart = any(s.setting for s in panel.scenarios)
        yield Sentence(words.at_chosen_speed(set_apart), "quiet")
    yield Sentence(CAUTION_MORE)


@part("change", words.change_title())
def what_would_change(page: Context) -> Iterable[Element]:
    """Prices, acres, years and results that would turn the answer."""
    text, panel = page.letters.text, page.what_if
    if page.timed:
        return (bullets([text(advice.of_level(page.verdict.first, page.verdict))]),)
    if isinstance(panel, str):
        return (Sentence(text(panel)),)
    if not page.found.bought:
        return (bullets(map(text, _free(page, panel))),)
    pay = payback(page.analysis, page.found.factor, page.found.level, area=panel.given.area)
    saved = pay.found.distribution.interval(page.analysis.level)
    result = sensitivity(
        pay.budget, _ranges(pay.budget, (-saved[1], -saved[0])), currency=pay.currency,
        system=pay.system, bought=text(lower_first(page.found.label)),
    )  # fmt: skip
    worth = balance(page.analysis, page.found.factor, page.found.level)
    items = bullets(map(text, _turning(page, pay)))
    told = tuple(Sentence(text(sentence)) for sentence in result.sentences)
    moved = figure(plots.sensitivity_bars(result), words.moved_caption(page.percent))
    if worth is None or not worth.bought:
        return (items, Beside(moved, told))
    by_area = figure(plots.money_by_area(worth), words.balance_caption(page.percent))
    return (Beside(by_area, (items,)), Beside(moved, told))


def _ranges(base: Budget, saved: tuple[float, float]) -> dict[str, tuple[float, float]]:
    out = {"saved": saved}
    for name, share in MOVED.items():
        value = float(getattr(base, name))
        if not 0 < value < math.inf:
            continue
        ends = ((1 - share) * value, (1 + share) * value)
        left = [float(replace(base, **{name: end}).net_per_year) for end in ends]
        if left[0] != left[1]:  # years and area: where the other one ends its life
            out[name] = ends
    return out


def _turning(page: Context, pay: Payback) -> list[str]:
    """The price, area, saving and life at which the balance turns, in words."""
    base, system = pay.budget, pay.system
    unit, size = area_unit(system)
    pays = float(base.net_per_year) > 0
    here = f"{amount(base.area / size, 0)} {unit}"
    price = f"{pay.currency} {input_value('price', base.price, system)}"
    needed = float(base.needed)
    own = scales("kg/ha", system)[0]
    found = pay.found.distribution
    low, high = (-v for v in reversed(found.interval(pay.confidence)))
    s = span(-found.value, low, high, own)
    years = Ends(*(float(pay.table.loc["years", c]) for c in ("median", "low", "high")))
    if math.isfinite(years.value):
        corn = f"{amount(years.value * base.area / size, -1)} {unit}"
        last = words.must_last(years, corn, base.life, page.percent)
    else:
        last = words.never_repaid()
    return [
        _threshold(pay.price, words.begin_area(here), pays, page),
        _threshold(pay.area, words.begin_price(price), pays, page),
        words.must_save(
            input_value("saved", needed, system), f"{s.value} {own.unit}", s.interval,
            -found.value < needed,
        ),
        last,
        words.saving_of(len(page.mine) + len(page.others)),
    ]  # fmt: skip


def _threshold(found: BreakEven, begin: str, pays: bool, page: Context) -> str:
    unit = {"area": f"{area_unit(found.system)[0]} a year",
            "price": "per bu" if found.system == "US" else "per t"}[found.what]  # fmt: skip
    return words.threshold(
        found.what, begin, Ends(*found.in_system), currency=found.currency, unit=unit, pays=pays,
        level=page.percent,
    )  # fmt: skip


def _free(page: Context, panel: WhatIf) -> list[str]:
    """What turns the answer where nothing is bought."""
    shown = panel.figures()
    unit, size = area_unit(shown.system)
    first = page.decided("header_loss")[0]
    if not first.grade.found:
        out = [words.more_pairs(first.evidence)]
    elif shown.grain.value < 0:
        out = [words.at_no_price(page.found.label)]
    else:
        out = [words.at_any_price(page.found.label)]
    worth = shown.grain.times(panel.given.area)
    area = f"{amount(panel.given.area / size, 0)} {unit}"
    out.append(words.grain_of_year(area, worth, shown.currency, page.percent))
    out.append(words.doubles())
    return out
