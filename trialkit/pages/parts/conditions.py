"""At which grain moisture and ground speed the answer changes."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit import plots
from trialkit.analysis import crossing
from trialkit.analysis.questions.at_levels import effects_at
from trialkit.analysis.questions.curves import STANDS
from trialkit.analysis.questions.speed import COVARIATE
from trialkit.decide import best_speed, loss_curve
from trialkit.decide.capacity import EFFICIENCY
from trialkit.errors import DesignError
from trialkit.facts import Grade, ends, grade
from trialkit.pages.context import Context
from trialkit.pages.elements import (
    Beside,
    Element,
    Heading,
    Sentence,
    bullets,
    figure,
    folded,
    table,
)
from trialkit.pages.registry import part
from trialkit.pages.wording import change, of_difference, share_words
from trialkit.plots.curves import in_unit
from trialkit.quantities import lower_first, number, upper_first
from trialkit.words import grower as words
from trialkit.words import own_money
from trialkit.words.money import amount, area_unit
from trialkit.words.terms import terms

if TYPE_CHECKING:
    from trialkit.analysis.questions.crossing import Crossing
    from trialkit.analysis.questions.curves import EffectCurve
    from trialkit.decide import LossCurve, SpeedChoice

ALONG = {"moisture": "Grain moisture", "speed_measured": "Ground speed"}


@part("conditions", words.conditions_title())
def conditions(page: Context) -> Iterable[Element]:
    """The effect along moisture and speed, and the speed at which loss and time cost least."""
    parts: list[Element] = []
    untold = []
    for along, title in ALONG.items():
        if along == "speed_measured" and page.speed_factor is not None:
            parts += [Heading(title, 3), *_at_speeds(page, page.speed_factor)]
            continue
        curve = page.curve(along)
        if isinstance(curve, str):
            untold.append(curve.removesuffix(STANDS).rstrip())
        else:
            parts += [Heading(title, 3), _along(page, curve)]
    title = words.cheapest_title()
    try:
        parts += [Heading(title, 3), _cheapest(page)]
    except DesignError as error:
        untold.append(f"{title}: {lower_first(str(error))}")
    if untold:
        parts.append(Heading(words.cannot_tell_title(), 3))
        parts.append(bullets(page.letters.text(reason) for reason in untold))
    return parts


def _along(page: Context, curve: EffectCurve) -> Beside:
    system = page.config.units
    unit = "mph" if system == "US" and curve.along_unit == "km/h" else curve.along_unit
    reach = in_unit(curve.table["x"].to_numpy()[[0, -1]], curve.along_unit, unit)
    low, high = (number(float(x), 1) for x in reach)
    name = curve.along_label
    changes = grade(float(curve.interaction["p"]), 1.0, 1.0)
    at = [
        f"at {text} {unit}: {_effect(page, curve.table.iloc[i])}"
        for text, i in ((low, 0), (high, -1))
    ]
    sentence = words.between(words.effect_changes(changes, name), low, high, unit)
    told: list[Element] = [
        Sentence(sentence, "extent"),
        Sentence(page.letters.text(f"{upper_first('; '.join(at))}.")),
    ]
    found = _crossing(curve)
    if found is not None and changes is not Grade.OPEN:
        told.append(Sentence(_turns(curve, found, unit, page.percent)))
    told.append(Sentence(words.not_by_lot(upper_first(name))))
    record = [*curve.words, *([found.words] if found is not None else [])]
    test = Sentence(page.letters.text(" ".join(record)), "record")
    told.append(folded(words.test_title(), test))
    try:
        picture = plots.effect_along(curve, system=system)
    except DesignError:
        picture = plots.effect_along(curve, shown="difference", system=system)
    return Beside(figure(picture, words.curve_caption(page.percent)), tuple(told))


def _at_speeds(page: Context, speed: str) -> list[Element]:
    """The effect at each of the ground speeds that were set."""
    if speed == page.found.factor:
        return [Sentence(words.itself_compared())]
    result, found, text = page.result, page.found, page.letters.text
    effects = effects_at(result, found.factor, found.level, speed, confidence=page.analysis.level)
    tests = result.term_tests
    name = next((t for t in (f"{found.factor}:{speed}", f"{speed}:{found.factor}")
                 if t in tests.index), None)  # fmt: skip
    told: list[Element] = []
    if name is not None:
        changes = grade(float(tests.loc[name, "p"]), 1.0, 1.0)
        told.append(Sentence(f"{words.effect_changes(changes, 'ground speed')}.", "extent"))
    label = next(f.label for f in page.config.setups if f.name == speed)
    rows = [[text(str(row["label"])), text(_effect(page, row))] for _, row in effects.iterrows()]
    caption = words.intervals_caption(found.label, found.reference_label, page.percent)
    return [*told, table(text(caption), [text(label), text(result.title)], rows)]


def _effect(page: Context, row: pd.Series) -> str:
    if share := share_words(page.response, ends(row, "ratio")):
        return share
    shown = of_difference(page.result.unit, page.config.units, short=True)[0]
    return change(*ends(row, "difference"), shown, *terms(page.response).by_amount)


def _crossing(curve: EffectCurve) -> Crossing | None:
    for scale in ("ratio", "difference"):
        try:
            return crossing(curve, scale=scale)  # type: ignore[arg-type]
        except DesignError:
            continue
    return None


def _turns(curve: EffectCurve, found: Crossing, unit: str, percent: str) -> str:
    """Where the effect turns, in the reader's unit."""

    def shown(value: float) -> str:
        return number(float(in_unit(np.array([value]), curve.along_unit, unit)[0]), 1)

    within = [(shown(a), shown(b)) for a, b in found.intervals]
    whole = found.open_low and found.open_high and len(within) == 1
    return words.turning([shown(v) for v in found.at], within, whole, unit, percent)


def _cheapest(page: Context) -> Beside:
    """Best speeds for several costs of an hour.

    Raises
    ------
    DesignError
        Why there are none.
    """
    config = page.config
    if config.price_per_t is None:
        raise DesignError(own_money.no_price())
    curve = _loss_curve(page)
    unit = area_unit(config.units)[0]
    speed = "mph" if config.units == "US" else "km/h"

    def shown(value: float) -> str:
        return number(float(in_unit(np.array([value]), "km/h", speed)[0]), 1)

    choices = {cost: _choice(page, curve, cost) for cost in page.hour_costs}
    rows = []
    for cost, choice in choices.items():
        end = choice.end
        beyond = f", the {end} run" if end else ""
        spread = words.not_known_beyond() if end else ""
        rows.append([
            f"{config.currency} {amount(cost, 0)}", f"{shown(choice.best)}{beyond}",
            spread or f"{shown(choice.best_low)} to {shown(choice.best_high)}",
            f"{shown(choice.flat_low)} to {shown(choice.flat_high)}",
        ])  # fmt: skip
    cost = page.hour_costs[len(page.hour_costs) // 2]
    middle = choices[cost]
    head = ["an hour costs", "least at", f"{page.percent} interval",
            f"within {config.currency} 1 per {unit}"]  # fmt: skip
    lead = words.if_an_hour(
        f"{config.currency} {amount(cost, 0)}", cost != config.hour_cost, _width(page),
        number(100 * EFFICIENCY, 0),
    )  # fmt: skip
    told: list[Element] = [Sentence(lead), *map(Sentence, middle.sentences[:-1])]
    if page.speed_factor is None:
        told.append(Sentence(words.not_by_lot("Ground speed")))
    told.append(table(words.cheapest_caption(speed), head, rows))
    return Beside(figure(plots.cost_by_speed(middle), words.cost_caption()), tuple(told))


def _width(page: Context) -> str:
    metres = page.config.header.width
    return f"{number(metres / 0.3048, 0)} ft" if page.config.units == "US" else f"{metres:.3g} m"


def _choice(page: Context, curve: LossCurve, hour: float) -> SpeedChoice:
    config = page.config
    assert config.price_per_t is not None
    return best_speed(
        curve, price_per_t=config.price_per_t, cost_per_hour=hour, width=config.header.width,
        efficiency=EFFICIENCY, within=1.0 / area_unit(config.units)[1],
        level=page.analysis.level, currency=config.currency, system=config.units,
    )  # fmt: skip


def _loss_curve(page: Context) -> LossCurve:
    """Loss against speed: by the setup factor whose levels are speeds, else as measured."""
    if "header_loss" not in page.analysis.responses:
        raise DesignError(page.analysis.skipped.get("header_loss", own_money.no_header_loss()))
    design = page.result.design
    if page.speed_factor is None and COVARIATE not in (*design.covariates, *design.measured_after):
        raise DesignError(words.several_speeds())
    return loss_curve(page.analysis, page.speed_factor)
