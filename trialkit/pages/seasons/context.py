"""Many trials as the parts of their pages see them: what several of them read, worked out once."""

from __future__ import annotations

from collections.abc import Mapping
from copy import copy
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.decide.over_trials import Farm, scenarios_over, verdict_over
from trialkit.display import number
from trialkit.facts import Comparison, Ends
from trialkit.many import amounts
from trialkit.many.comparing import as_measured
from trialkit.pages.seasons.letters import SeasonsLetters
from trialkit.pages.what_if import WhatIf
from trialkit.pages.wording import Finding
from trialkit.units import price_per_bushel_to_per_tonne
from trialkit.words import own_money as money_words
from trialkit.words.money import area_unit

if TYPE_CHECKING:
    from trialkit.decide import Balance
    from trialkit.decide.verdict import Verdict
    from trialkit.many import TrialsCompared

class SeasonsContext:
    """What parts of pages over many trials are made from.

    Parameters
    ----------
    compared : mapping of str to TrialsCompared
        By response, the one of the headline first.
    skipped : mapping of str to str
        Why other responses are not among them.
    grower : str, optional
        Whose page it is, as `SeasonsLetters`.
    area, price : float, optional
        The reader's corn a year (acres or ha) and net price (per bushel or tonne), in the units of
        the trial the prices are read from.
    """

    def __init__(
        self, compared: Mapping[str, TrialsCompared], skipped: Mapping[str, str] | None = None, *,
        grower: str | None = None, area: float | None = None, price: float | None = None,
    ) -> None:  # fmt: skip
        self.compared = dict(compared)
        self.skipped = dict(skipped or {})
        self._about: Comparison | None = None
        self.response, self.primary = next(iter(self.compared.items()))
        self.letters = SeasonsLetters(self.primary, grower)
        trials = dict.fromkeys(trial for trial, _ in self.letters.mine)
        config = amounts.newest(self.primary, list(trials) or None)
        assert config is not None
        self.config, self.system = config, config.units
        us = self.system == "US"
        self.farm = Farm(
            config, None if area is None else area * area_unit(self.system)[1],
            float(price_per_bushel_to_per_tonne(price)) if price and us else price,
        )  # fmt: skip

    @property
    def percent(self) -> str:
        """Level of intervals: "95 %"."""
        return f"{number(100 * self.primary.level, 0)} %"

    @property
    def own(self) -> bool:
        """Whether the page is one grower's."""
        return bool(self.letters.mine)

    @cached_property
    def others(self) -> int:
        """How many times fields of others were compared."""
        return len(self.letters.fields) - len(self.letters.mine)

    # ------------------------------------------------------------ what was found
    @cached_property
    def verdict(self) -> Verdict:
        """What follows for every level, with the farm's prices."""
        return verdict_over(self.compared, self.farm)

    @property
    def found(self) -> Comparison:
        """The comparison of the headline, or the one this is `about`."""
        return self._about or self.verdict.first.primary

    def about(self, own: Comparison) -> SeasonsContext:
        """The same with another comparison of the headline's response in its place."""
        out = copy(self)
        for name in ("fields", "next_field"):
            vars(out).pop(name, None)
        out._about = own
        return out

    @property
    def each(self) -> list[SeasonsContext]:
        """This page about every level and factor, the headline first."""
        return [self, *(self.about(v.primary) for v in self.verdict.levels[1:])]

    @property
    def finding(self) -> Finding:
        """The same beside the page's units."""
        return Finding(self.found, self.system)

    @property
    def others_found(self) -> list[Finding]:
        """The other levels and factors, in the headline's response."""
        return [Finding(v.primary, self.system) for v in self.verdict.levels[1:]]

    @cached_property
    def also(self) -> dict[str, list[Comparison]]:
        """Every comparison of the other responses by name."""
        bought = self.farm.bought(self.primary.aliases)
        every = {n: amounts.comparisons(c, bought) for n, c in self.compared.items()}
        found = amounts.one_family(every, self.response)
        return {name: own for name, own in found.items() if name != self.response}

    @property
    def money(self) -> Balance | None:
        """What the headline's level is worth."""
        return self.verdict.first.balance

    @cached_property
    def what_if(self) -> WhatIf | str:
        """The numbers a reader may change, or why money cannot be spoken of."""
        first = self.verdict.first
        if self.response != "header_loss":
            return money_words.no_header_loss()
        if first.time is not None and not first.bought:
            return money_words.told_by_the_hour()
        if first.balance is None:
            return money_words.no_price()
        return WhatIf(
            scenarios_over(self.verdict), first.balance.given, self.primary.level,
            self.config.currency, self.system, self.letters.text,
        )  # fmt: skip

    # ------------------------------------------------------------ field by field
    @cached_property
    def fields(self) -> pd.DataFrame:
        """The headline's effect in every field in the response's unit (`amounts.by_field`), with
        ``name`` as it may be shown, ``mine``, ``on_ground`` (all that lay there with the reference)
        and ``mean`` (the mean effect at that); by season, the reader's own first."""
        rows = amounts.by_field(self.primary, self.found.factor, self.found.level)
        keys = list(zip(rows["trial"], rows["field"], strict=True))
        own = set(self.letters.mine)
        rows["name"] = [self.letters.fields[key] for key in keys]
        rows["mine"] = [key in own for key in keys]
        rows["ground"] = [self.letters.ground[key] for key in keys]
        base = amounts.with_reference(self.primary, self.found.factor)
        places = pd.MultiIndex.from_tuples(keys)
        at = base.set_index(["trial", "field"])["on_ground"].reindex(places).to_numpy(float)
        estimate = np.array(float(self.effect["estimate"]))
        rows["on_ground"], rows["mean"] = at, amounts.difference(self.primary, estimate, at)
        return rows.sort_values(
            ["season", "mine", "name"], ascending=[True, False, True], kind="stable"
        ).reset_index(drop=True)

    @cached_property
    def measured(self) -> pd.DataFrame:
        """Strips with ``measured``, of which `TrialsCompared.side_by_side` has the means."""
        return self.primary.strips.assign(measured=as_measured(self.primary.strips))

    @cached_property
    def next_field(self) -> Ends:
        """What a field of the next trial may show."""
        return amounts.next_field(self.primary, self.found.factor, self.found.level)

    @property
    def effect(self) -> pd.Series:
        """The headline's row of `TrialsCompared.effects`."""
        rows = self.primary.effects
        own = rows["factor"].eq(self.found.factor) & rows["level"].eq(self.found.level)
        return rows[own].iloc[0]
