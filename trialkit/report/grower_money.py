"""What a setup is worth to one grower, and what would change the answer."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from trialkit import plots
from trialkit.decide import comparison, payback, sensitivity
from trialkit.decide import money as money_of
from trialkit.decide.break_even import BreakEven
from trialkit.decide.prior import chance_with
from trialkit.decide.sensitivity import input_value
from trialkit.decide.what_if import inputs, needed_saving, scenarios
from trialkit.decide.words import (
    CAUTION_MORE,
    EQUALLY,
    amount,
    area_unit,
    interval_of_saving,
    percent,
    whole_places,
)
from trialkit.errors import DesignError
from trialkit.quantities import lower_first, scales, span
from trialkit.report import chances
from trialkit.report.fragments import Fragment, bullets, figure, paragraph, section
from trialkit.report.what_if import WhatIf
from trialkit.report.wording import Grade, counted

if TYPE_CHECKING:
    from trialkit.decide import Budget, Payback
    from trialkit.report.grower import GrowerPage

# How far inputs are moved to show what they move, as shares of their value: examples.
MOVED = {"price": 0.25, "area": 0.5, "option_price": 0.25, "years": 0.4, "interest": 0.5}


def what_if(page: GrowerPage) -> WhatIf | str:
    """The numbers a reader may change, or why money cannot be spoken of."""
    analysis = page.analysis
    try:
        if "header_loss" not in analysis.responses:
            raise DesignError(analysis.skipped.get("header_loss", "Header loss was not analysed."))
        speed = page.speed_factor
        if speed is not None:
            own = speed if speed != page.found.factor else None
            every = scenarios(analysis, page.found.factor, speed=own)
        else:
            along = page.curve("speed_measured")  # of the headline's response
            curve = along if page.response == "header_loss" and not isinstance(along, str) else None
            every = scenarios(analysis, page.found.factor, curve=curve)
        # The decision's own level first.
        every = tuple(sorted(every, key=lambda s: s.level != page.found.level))
        given = inputs(analysis, every[0], area=_in_ha(page))
    except DesignError as error:
        return str(error)
    return WhatIf(
        every, given, analysis.level, page.config.currency, page.config.units, page.letters.text
    )


def _in_ha(page: GrowerPage) -> float | None:
    return None if page.area is None else page.area * area_unit(page.config.units)[1]


def _example(page: GrowerPage) -> bool:
    """Whether the area is a round example, stated by nobody."""
    return page.area is None and not page.found.bought


def in_short(page: GrowerPage) -> str:
    """Worth and chance in one line, for the headline."""
    panel = page.what_if
    if isinstance(panel, str):
        return panel
    shown = panel.figures()
    unit, size = area_unit(shown.system)
    value, low, high = (v * size for v in shown.value_per_ha)
    level = f"{page.percent} {interval_of_saving(low, high)}"
    words = (
        f"{page.found.label} instead of {lower_first(page.found.reference_label)} "
        f"{'saves' if value >= 0 else 'loses'} grain worth {shown.currency} "
        f"{amount(abs(value))} per {unit} ({level})"
    )
    if shown.annual_cost == 0:
        return (
            f"{words}; the chance that it saves grain at all is {percent(shown.probability)}"
            f"{_believed_in_short(page, panel)}."
        )
    net, least, most = shown.net_per_year
    whole = whole_places(net, least, most)
    left = "leaves" if net >= 0 else "costs"
    return (
        f"{words}. On {amount(panel.given.area / size, 0)} {unit} a year it {left} "
        f"{shown.currency} {amount(abs(net), whole)} a year "
        f"{'after' if net >= 0 else 'more than it saves, with'} its own cost of "
        f"{shown.currency} {amount(shown.annual_cost, 0)} (balance {amount(least, whole)} to "
        f"{amount(most, whole)}); the chance that it pays is {percent(shown.probability)}"
        f"{_believed_in_short(page, panel)}."
    )


def _believed(page: GrowerPage, panel: WhatIf) -> float | None:
    """The chance, with what was believed before the trial, that the panel's first numbers pay."""
    first, given = panel.scenarios[0], panel.given
    found = comparison(page.analysis, "header_loss", first.factor, first.level)
    assert found is not None
    needed = needed_saving(given)
    return chance_with(found, page.config.model.prior, -needed)


def _believed_in_short(page: GrowerPage, panel: WhatIf) -> str:
    """The chance with what was believed before, where it is a step of the words away."""
    chance = _believed(page, panel)
    if chance is None or chances.chance(chance) == chances.chance(panel.figures().probability):
        return ""
    return f" by the trial alone, {percent(chance)} with what was believed before it"


def money(page: GrowerPage) -> Fragment:
    """The figures with controls, and the balance against the area."""
    title = "What it is worth to me"
    panel = page.what_if
    if isinstance(panel, str):
        return section("worth", title, paragraph(page.letters.text(panel)))
    text = page.letters.text
    words = [paragraph(text(panel.title) + ".", "extent")]
    words.append(paragraph(text(panel.given_in_words())))
    if _example(page):
        words.append(paragraph("The trial states no area for this; the area is a round example."))
    notes = [
        "The range comes from the trial's uncertainty about the grain saved, all its fields "
        "together; prices, acres and years are taken as certain. The cost of a year is the payment "
        "that repays the option with interest over its life.",
        f"The chance is what the trial alone says, {EQUALLY}."
        + chances.with_prior(
            panel.figures().probability, _believed(page, panel), page.config.model.prior
        ),
    ]
    if any(s.setting for s in panel.scenarios):
        notes.append("At a chosen ground speed the saving is that of the strips run at it.")
    elif any(not s.as_run for s in panel.scenarios):
        notes.append(
            "At a chosen ground speed the saving is read off the trial's curve along measured "
            "speed; its range is wider where few strips were run."
        )
    below = "".join(paragraph(note, "quiet") for note in notes) + paragraph(CAUTION_MORE)
    return section("worth", title, *words, panel.html(), below=below)


def what_would_change(page: GrowerPage) -> Fragment:
    """Prices, acres, years and results that would turn the answer."""
    title = "What would change the answer"
    panel = page.what_if
    if isinstance(panel, str):
        return section("change", title, paragraph(page.letters.text(panel)))
    text = page.letters.text
    if not page.found.bought:
        return section("change", title, bullets([text(t) for t in _free(page, panel)]))
    pay = payback(page.analysis, page.found.factor, page.found.level, area=panel.given.area)
    saved = pay.found.difference.interval(page.analysis.level)
    result = sensitivity(
        pay.budget, _ranges(pay.budget, (-saved[1], -saved[0])), currency=pay.currency,
        system=pay.system,
    )  # fmt: skip
    worth = money_of(page.analysis, page.found.factor, page.found.level)
    items = _turning(page, pay)
    picture = figure(
        plots.sensitivity_bars(result),
        f"One input moved at a time. Grain kept moves over its {page.percent} interval; the other "
        "ranges are examples.",
    )
    told = "".join(paragraph(text(sentence)) for sentence in result.sentences)
    below = f'<div class="pair">{picture}<div class="words">{told}</div></div>'
    words = bullets([text(item) for item in items])
    if worth is None or worth.annual_cost is None:
        return section("change", title, words, below=below)
    balance = figure(
        plots.money_by_area(worth),
        f"Value of the grain saved less the yearly cost. Band: {page.percent} interval.",
    )
    return section("change", title, words, picture=balance, below=below)


def _ranges(base: Budget, saved: tuple[float, float]) -> dict[str, tuple[float, float]]:
    out = {"saved": saved}
    for name, share in MOVED.items():
        value = float(getattr(base, name))
        if value > 0:
            out[name] = ((1 - share) * value, (1 + share) * value)
    return out


def _turning(page: GrowerPage, pay: Payback) -> list[str]:
    """The price, area, saving and life at which the balance turns, in words."""
    base, system = pay.budget, pay.system
    unit, size = area_unit(system)
    pays = float(base.net_per_year) > 0
    here = f"{amount(base.area / size, 0)} {unit}"
    price = input_value("price", base.price, system)
    out = [
        _threshold(pay.price, f"With {here} a year: if corn were", pays, page),
        _threshold(pay.area, f"With corn at {pay.currency} {price}: on", pays, page),
    ]
    needed = needed_saving(base)
    own = scales("kg/ha", system)[0]
    found = pay.found.difference
    low, high = (-v for v in reversed(found.interval(pay.confidence)))
    s = span(-found.value, low, high, own)
    out.append(
        f"If it saved less than {input_value('saved', needed, system)} it would not pay; the trial "
        f"puts the saving at {s.value} {own.unit} ({s.interval})."
    )
    years = pay.table.loc["years"]
    if math.isfinite(years["median"]):
        latest = (
            f"{amount(years['low'], 0)} to {amount(years['high'], 0)} years"
            if math.isfinite(years["high"])
            else f"from {amount(years['low'], 0)} years, with no upper limit"
        )
        out.append(
            f"If it did not last {amount(years['median'], 1)} years it would not have repaid its "
            f"price with interest ({page.percent} range {latest})."
        )
    else:
        out.append("At the middle of the range the saving never repays its price.")
    out.append(
        f"The saving is that of {counted(len(page.mine) + len(page.others), 'field')} in one "
        "season, with corn that stood and shelled as it did there; other corn would change it."
    )
    return out


def _threshold(found: BreakEven, begin: str, pays: bool, page: GrowerPage) -> str:
    """ "With 600 ac a year: if corn were below USD 3.33 per bu it would not pay (...)." """
    value, low, high = found.in_system
    places = whole_places(value, low, high) if found.what == "area" else 2
    money = f"{found.currency} " if found.what == "price" else ""
    unit = {"area": f"{area_unit(found.system)[0]} a year",
            "price": "per bu" if found.system == "US" else "per t"}[found.what]  # fmt: skip
    if not math.isfinite(value):
        head = f"No {'grain price' if found.what == 'price' else 'area'} pays at the estimate"
        if not math.isfinite(low):
            return f"{head}, nor anywhere in the {page.percent} interval of the saving."
        return f"{head}; the interval begins at {money}{amount(low, places)} {unit}."
    if found.what == "price":
        side = "below" if pays else "above"
    else:
        side = "fewer than" if pays else "more than"
    reach = (
        f"{money}{amount(low, places)} to {amount(high, places)}"
        if math.isfinite(high)
        else f"from {money}{amount(low, places)}, with no upper limit"
    )
    return (
        f"{begin} {side} {money}{amount(value, places)} {unit} it would "
        f"{'not pay' if pays else 'pay'} ({page.percent} interval of that turning point {reach})."
    )


def _free(page: GrowerPage, panel: WhatIf) -> list[str]:
    """What turns the answer where nothing is bought."""
    shown = panel.figures()
    unit, size = area_unit(shown.system)
    value, low, high = shown.value_per_ha
    sums = [v * panel.given.area for v in (value, low, high)]
    per_year = [amount(v, whole_places(*sums)) for v in sums]
    area = f"{amount(panel.given.area / size, 0)} {unit}"
    label = page.found.label
    first = page.findings("header_loss")[0]
    out = []
    if first.grade in (Grade.OPEN, Grade.LEANING):
        out.append(
            f"{first.grade.value} More pairs, or another season, would change the answer before "
            "any price does."
        )
    elif value < 0:
        out.append(
            f"No price, and no area, makes {lower_first(label)} pay for grain: it loses grain over "
            "the whole interval. Something else that it does would have to be worth more than that."
        )
    else:
        out.append(f"At any price of grain {lower_first(label)} keeps more of it.")
    cover = (
        "; a change of setup that costs more than that a year is not covered by grain"
        if value > 0
        else ""
    )
    out.append(
        f"On {area} a year the grain comes to {shown.currency} {per_year[0]} a year "
        f"({page.percent} interval {per_year[1]} to {per_year[2]}){cover}."
    )
    out.append(
        "Twice the price of grain or twice the acres double every figure; its sign they do not "
        "change."
    )
    return out
