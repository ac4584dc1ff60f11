"""What follows from a verdict, as notes that `trialkit.words.advice` says: the same on every page.

Nothing is judged here: which notes a level gets follows from its `Advice` and its balance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from trialkit.decide.verdict import GRAIN, Advice, LevelVerdict, Verdict, hours_per_block
from trialkit.display import significant
from trialkit.errors import DesignError
from trialkit.facts import Comparison, Grade, Note
from trialkit.quantities import lower_first
from trialkit.words.comparisons import difference_units
from trialkit.words.counts import pair_or_block
from trialkit.words.money import area_unit

if TYPE_CHECKING:
    from trialkit.analysis import TrialAnalysis
    from trialkit.analysis.questions.power_attained import PowerAttained

EARS = "dropped_ears"
"""The response that loss at the header lies in besides `GRAIN`."""


def advised(
    verdict: Verdict, analysis: TrialAnalysis | None = None
) -> tuple[tuple[Note, ...], ...]:
    """What to do about every level of every setup factor, in the order of the verdict.

    Parameters
    ----------
    verdict : Verdict
    analysis : TrialAnalysis, optional
        To say too what a trial would need to settle what is not.

    Returns
    -------
    tuple of tuple of Note
        Those of a level together.
    """
    out = []
    for own in verdict.levels:
        notes = advised_of_level(own, verdict)
        if analysis is not None and own.advice is Advice.UNSETTLED:
            notes += needed_to_settle(own.primary, analysis)
        out.append(notes)
    return tuple(out)


def advised_of_level(own: LevelVerdict, verdict: Verdict) -> tuple[Note, ...]:
    """What to do about one level."""
    return (*_of_level(own, verdict), *_ears_other_way(own, verdict.system))


def _of_level(own: LevelVerdict, verdict: Verdict) -> tuple[Note, ...]:
    first = own.primary
    pair = {"label": lower_first(first.label), "reference": lower_first(first.reference_label)}
    if own.time is not None:
        return _of_speed(own, verdict)
    if own.advice is Advice.UNSETTLED:
        if first.grade is Grade.LEANING:
            return (Note("advice.leaning", pair),)
        return (Note("advice.not_settled", {"own": first, "system": verdict.system}),)
    if own.advice is Advice.TRY:
        return (Note("advice.try_it", pair | {"better": own.better}),)
    if own.advice is Advice.STAY:
        return (Note("advice.stay", pair | {"worse": own.worse}),)
    if own.bought:
        return _of_option(own, verdict)
    return (Note("advice.choose", pair | {"better": own.better, "worse": own.worse}),)


def _of_speed(own: LevelVerdict, verdict: Verdict) -> tuple[Note, ...]:
    """The slower speed against the faster."""
    assert own.time is not None
    faster = own.time.hours_per_ha < 0
    slow = own.primary.turned() if faster else own.primary
    hours = abs(hours_per_block(own.time, verdict.system)[0])
    out = [Note("advice.slower", {"slow": slow, "hours": hours, "system": verdict.system})]
    balance = own.balance
    if balance is not None:
        unit, size = area_unit(verdict.system)
        side = -size if faster else size  # money is told of the slower speed
        known = any(c.response == GRAIN for c in (*own.better, *own.worse))
        if known:
            out.append(Note("advice.grain_worth", {
                "worth": balance.grain.times(side), "currency": verdict.currency, "unit": unit,
            }))  # fmt: skip
        if balance.time_priced:
            out.append(_left_over(own, verdict, slow, side))
        elif known and balance.hour is not None and balance.hour.value > 0:
            out.append(Note("advice.hour_worth", {
                "hour": balance.hour, "currency": verdict.currency,
            }))  # fmt: skip
        out += _not_priced(own)
    if own.advice is Advice.CHOICE:
        out.append(Note("advice.yours"))
    return tuple(out)


def _of_option(own: LevelVerdict, verdict: Verdict) -> tuple[Note, ...]:
    """What is bought: what it saves against what it costs."""
    first, balance = own.primary, own.balance
    pair = {"label": lower_first(first.label), "reference": lower_first(first.reference_label)}
    if balance is None or balance.area is None:
        return (Note("advice.no_price", pair | {"found": own.better}),)
    found = own.better or own.worse
    out = [_left_over(own, verdict, first, area_unit(verdict.system)[1])]
    said = [c.response for c in found] not in ([], [first.response])  # the headline says one
    if said:
        out.insert(0, Note("advice.found_too", pair | {"found": found}))
    if own.advice is Advice.CHOICE:
        out.append(Note("advice.borrow_first", {
            "reference": pair["reference"], "found": found[0], "probability": balance.chance,
            "believed": balance.believed,
        }))  # fmt: skip
    return (*out, *_not_priced(own, found if said else ()))


def _left_over(own: LevelVerdict, verdict: Verdict, told: Comparison, size: float) -> Note:
    """The balance of a level, told of the level of `told`, per area of `size` ha."""
    balance = own.balance
    assert balance is not None
    acre = area_unit(verdict.system)[1]
    return Note("advice.left_over", {
        "label": lower_first(told.label), "reference": lower_first(told.reference_label),
        "net": balance.net.times(size), "system": verdict.system, "currency": verdict.currency,
        "damage": bool(balance.damage), "bought": own.bought, "hours": own.time is not None,
        "area": None if balance.area is None else balance.area / acre,
        "hour_cost": verdict.hour_cost,
        "trials": told.n_trials,
    })  # fmt: skip


def _not_priced(own: LevelVerdict, said: Sequence[Comparison] = ()) -> list[Note]:
    """What else was found that has no price, and is not said already."""
    unpriced = () if own.balance is None else own.balance.unpriced
    left = tuple(c for c in unpriced if c not in said)
    label = lower_first(own.primary.label)
    return [Note("advice.not_priced", {"label": label, "found": left})] if left else []


def _ears_other_way(own: LevelVerdict, system: str) -> tuple[Note, ...]:
    """Where dropped ears, not told apart themselves, point the other way by more than the loose
    kernels that were."""
    first = own.primary
    ears = next((c for c in own.others if c.response == EARS), None)
    if ears is None or first.response != GRAIN or not first.grade.found or ears.grade.found:
        return ()
    kernels, other = first.difference.value, ears.difference.value
    if kernels * other >= 0 or abs(other) <= abs(kernels):
        return ()
    return (Note("advice.ears_other_way", {"ears": ears, "system": system}),)


def needed_to_settle(found: Comparison, analysis: TrialAnalysis) -> tuple[Note, ...]:
    """What a trial would need to tell a level apart; nothing where it cannot be told."""
    strips = analysis.used.strips
    together = strips.groupby(["field", "pair"]).size()
    result = analysis.responses[found.response]
    try:
        power = result.power(found.factor, found.level)
    except (DesignError, ValueError, np.linalg.LinAlgError):
        return ()
    levels = result.design.levels[found.factor]
    word = pair_or_block(together.max(), len(levels))
    fields = strips["field"].nunique()
    note = next_finer(power, len(together), fields, word, analysis.trial.config.units)
    return () if note is None else (note,)


def next_finer(
    power: PowerAttained, pairs: int, fields: int, word: str, system: str
) -> Note | None:
    """The next finer difference a trial like this could tell, and the pairs or fields it takes.

    Parameters
    ----------
    power : PowerAttained
    pairs, fields : int
        Of the trial.
    word : str
        "pair" or "block".
    system : str
        Units the trial declares.
    """
    table = power.needed
    aims = table[table["aim"] != "half-width"]
    if aims.empty:
        return None
    # From the largest difference to the smallest; the first the trial was too small for.
    far = aims["value"].map(lambda v: abs(math.log(v)) if power.scale == "ratio" else abs(v))
    aims = aims.loc[far.sort_values(ascending=False, kind="stable").index]
    row = next(
        (r for r in aims.to_dict("records") if not r["pairs"] <= pairs), aims.iloc[-1].to_dict()
    )
    if power.scale == "ratio":
        size = f"{abs(1 - row['value']) * 100:.0f} %"
    else:
        own = difference_units(power.unit, system)[0]
        size = f"{significant(abs(row['value']) * own.factor, 2)} {own.unit}"
    need = {
        f"need_{name}": int(row[name]) if row[name] == row[name] else None
        for name in ("pairs", "fields")
    }
    return Note("advice.takes", {"size": size, "power": power.power, "pairs": pairs,
                                 "fields": fields, "word": word, **need})  # fmt: skip
