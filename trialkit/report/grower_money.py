"""What a setup is worth to one grower, and what would change the answer."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from trialkit import plots
from trialkit.analysis.grades import Grade
from trialkit.decide import comparison, payback, sensitivity
from trialkit.decide import money as money_of
from trialkit.decide.break_even import BreakEven
from trialkit.decide.prior import chance_with
from trialkit.decide.sensitivity import input_value
from trialkit.decide.verdict import hours_per_block, verdict
from trialkit.decide.what_if import inputs, needed_saving, scenarios
from trialkit.decide.words import (
    CAUTION_MORE,
    EQUALLY,
    amount,
    area_unit,
    balance_words,
    interval_of_saving,
    percent,
    whole_places,
)
from trialkit.errors import DesignError
from trialkit.quantities import lower_first, number, scales, span, upper_first
from trialkit.report import advice, chances
from trialkit.report.fragments import Fragment, bullets, figure, paragraph, section, table
from trialkit.report.what_if import WhatIf
from trialkit.report.wording import counted

if TYPE_CHECKING:
    from trialkit.decide import Budget, Payback
    from trialkit.report.grower import GrowerPage

# How far inputs are moved to show what they move, as shares of their value: examples.
MOVED = {
    "price": 0.25, "area": 0.5, "option_price": 0.25, "years": 0.4, "life_area": 0.4,
    "interest": 0.5, "repair": 0.5, "change_cost": 0.5,
}  # fmt: skip


def what_if(page: GrowerPage) -> WhatIf | str:
    """The numbers a reader may change, or why money cannot be spoken of."""
    analysis = page.analysis
    try:
        if "header_loss" not in analysis.responses:
            raise DesignError(analysis.skipped.get("header_loss", "Header loss was not analysed."))
        if _timed(page):
            raise DesignError("Time belongs to this choice: it is told by what an hour costs.")
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


def _timed(page: GrowerPage) -> bool:
    """Whether time, and nothing that is bought, stands against grain."""
    first = page.verdict.first
    return first.time is not None and not first.bought


def _example(page: GrowerPage) -> bool:
    """Whether the area is a round example, stated by nobody."""
    return page.area is None and not page.found.bought


def in_short(page: GrowerPage) -> str:
    """Worth and chance in one line, for the headline."""
    if _timed(page):
        return _grain_and_time(page)
    panel = page.what_if
    if isinstance(panel, str):
        return panel
    shown = panel.figures()
    unit, size = area_unit(shown.system)
    value, low, high = (v * size for v in shown.value_per_ha)
    level = f"{page.percent} {interval_of_saving(low, high)}"
    words = (
        f"{upper_first(page.found.label)} instead of {lower_first(page.found.reference_label)} "
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
    left, rest = ("leaves", "") if net >= 0 else ("costs", " more than it saves")
    return (
        f"{words}. On {amount(panel.given.area / size, 0)} {unit} a year it {left} "
        f"{shown.currency} {amount(abs(net), whole)} a year ({shown.currency} "
        f"{amount(abs(shown.net_per_ha[0]) * size)} per {unit}){rest}, its own cost of "
        f"{shown.currency} {amount(shown.annual_cost, 0)} counted; the range runs "
        f"{balance_words(least, most, whole)}. The chance that it pays is "
        f"{percent(shown.probability)}{_believed_in_short(page, panel)}."
    )


def _time_beside(page: GrowerPage) -> str:
    """That figures of grain leave the time out, and how much it is."""
    own = page.verdict.first
    assert own.time is not None
    hours, area = hours_per_block(own.time, page.config.units)
    return (
        f"Time is not in this: {lower_first(page.found.label)} takes {number(abs(hours), 1)} hours "
        f"{'more' if hours > 0 else 'less'} per {area}; see What to do."
    )


def _grain_and_time(page: GrowerPage) -> str:
    """What another ground speed saves or loses, and the hours it takes, in one line."""
    first = page.verdict.first
    own = first.primary
    label = f"{upper_first(own.label)} instead of {lower_first(own.reference_label)}"
    assert first.time is not None
    hours, area = hours_per_block(first.time, page.config.units)
    takes = f"takes {number(abs(hours), 1)} hours {'more' if hours > 0 else 'less'} per {area}"
    if first.balance is None:
        return f"{label} {takes}; no price of grain is given."
    unit, size = area_unit(page.config.units)
    value, low, high = (v * size for v in first.balance.grain)
    return (
        f"{label} {'saves' if value >= 0 else 'loses'} grain worth {page.config.currency} "
        f"{amount(abs(value))} per {unit} ({page.percent} {interval_of_saving(low, high)}) and "
        f"{takes}; see What to do."
    )


def _by_hour(page: GrowerPage) -> Fragment:
    """The balance of another ground speed by what an hour costs."""
    title, text = "What it is worth to me", page.letters.text
    own = page.verdict.first.primary
    told = paragraph(text(_grain_and_time(page)), "extent")
    if page.verdict.first.balance is None:
        return section("worth", title, told)
    unit, size = area_unit(page.config.units)
    rows = []
    for cost in page.hour_costs:
        found = verdict(page.analysis, own.response, hour_cost=cost).of(own.factor, own.level)
        assert found.balance is not None
        net, low, high = (amount(v * size) for v in found.balance.net)
        rows.append([f"{page.config.currency} {amount(cost, 0)}", net, f"{low} to {high}"])
    caption = (
        f"Left by {lower_first(own.label)} instead of {lower_first(own.reference_label)}, "
        f"{page.config.currency} per {unit}: grain and time; below zero it costs"
    )
    shown = table(text(caption), ["an hour costs", "left", f"{page.percent} interval"], rows)
    examples = "" if page.config.hour_cost else "What an hour costs stands here as an example. "
    note = f"{examples}The range comes from the trial's uncertainty about the grain."
    return section("worth", title, told, shown, paragraph(note, "quiet"), paragraph(CAUTION_MORE))


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
    if _timed(page):
        return _by_hour(page)
    title = "What it is worth to me"
    panel = page.what_if
    if isinstance(panel, str):
        return section("worth", title, paragraph(page.letters.text(panel)))
    text = page.letters.text
    words = [paragraph(text(panel.title) + ".", "extent")]
    words.append(paragraph(text(panel.given_in_words())))
    if page.verdict.first.time is not None:
        words.append(paragraph(text(_time_beside(page))))
    if _example(page):
        words.append(paragraph("The trial states no area for this; the area is a round example."))
    notes = [
        "The range comes from the trial's uncertainty about the grain saved, all its fields "
        "together; prices, area and life are taken as certain. The cost of a year is the payment "
        "that repays the price with interest over its life (in years or in area harvested, "
        "whichever ends first), with repair and labour. A balance below zero: it costs more than "
        "it saves.",
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
    if _timed(page):
        told = advice.of_level(page.verdict.first, page.verdict)
        return section("change", title, bullets([page.letters.text(told)]))
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
        system=pay.system, bought=text(lower_first(page.found.label)),
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
        if not 0 < value < math.inf:
            continue
        ends = ((1 - share) * value, (1 + share) * value)
        left = [float(replace(base, **{name: end}).net_per_year) for end in ends]
        if left[0] != left[1]:  # years and area: where the other one ends its life
            out[name] = ends
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
    short = "so it falls short" if -found.value < needed else "more than that"
    out.append(
        f"It must save {input_value('saved', needed, system)} to pay; the best guess is {s.value} "
        f"{own.unit} ({s.interval}), {short}."
    )
    years = pay.table.loc["years"]
    if math.isfinite(years["median"]):
        latest = (
            f"{amount(years['low'], 0)} to {amount(years['high'], 0)} years"
            if math.isfinite(years["high"])
            else f"from {amount(years['low'], 0)} years, with no upper limit"
        )
        corn = f"{amount(years['median'] * base.area / size, -1)} {unit}"
        out.append(
            f"It would have to last {amount(years['median'], 1)} years, which is {corn} (stated: "
            f"{amount(base.life, 1)} years), to repay its price with interest ({page.percent} "
            f"range {latest})."
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
    value = shown.value_per_ha[0]
    sums = [v * panel.given.area for v in shown.value_per_ha]
    if value < 0:  # told as a loss
        sums = [-sums[0], -sums[2], -sums[1]]
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
            f"At no price, and on no area, does {lower_first(label)} pay in grain: it loses grain "
            "over the whole interval. Something else that it does would have to be worth more."
        )
    else:
        out.append(f"At any price of grain {lower_first(label)} keeps more of it.")
    cover = (
        "; a change of setup that costs more than that a year is not covered by grain"
        if value > 0
        else ""
    )
    out.append(
        f"On {area} a year the grain {'saved' if value >= 0 else 'lost'} comes to "
        f"{shown.currency} {per_year[0]} a year ({page.percent} interval {per_year[1]} to "
        f"{per_year[2]}){cover}."
    )
    out.append("Twice the price of grain or twice the area doubles every figure.")
    return out
