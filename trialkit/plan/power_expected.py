"""What a trial is expected to find: loss, damage, and how much units of every level vary.

Variation between pairs, strips and frames under the header has no published figure that we know
of: those standard deviations are assumptions of this project, of the size its demo trials use.
`trialkit.plan.learn` replaces them by those of past trials, `trialkit.plan.sensitivity` shows what
hangs on them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.display import card, folded, table
from trialkit.errors import DesignError
from trialkit.facts import Note
from trialkit.responses import RESPONSES, Drawn
from trialkit.simulate import Truth
from trialkit.words import expected as words
from trialkit.words import power, said

if TYPE_CHECKING:
    from trialkit.intake.config import TrialConfig

Reductions = Mapping[str, Mapping[str, float]]

BETWEEN_FIELDS = 0.34
"""Half of 0.68, the standard deviation between 30 Missouri fields (25,199 to 399,414 kernels per
acre, Shauck & Smeda 2011: the range of the logarithms over 4.09, the mean range of 30 standard
normal values, Tippett 1925, Biometrika 17:364-387). Half is assumed: fields of one trial share
header, crew and season."""
PREHARVEST_SHARE = 1 / 3
"""Loose kernels on the ground before harvest over those the header loses. Published with ears on
both sides: 65/233 = 0.28 and 54/141 = 0.38 (INTA, Argentina, 2005 and 2007; their mean is taken),
and 132/(0.66 x 232) = 0.86 (84 Iowa fields, Vagts 2003 as quoted by Stephens et al. 2024, with 66 %
of the machine's loss at the header)."""
SD = MappingProxyType(
    {"field": BETWEEN_FIELDS, "setup_by_field": 0.10, "pair": 0.12, "main_strip": 0.12,
     "strip": 0.12, "frame": 0.40}
)  # fmt: skip
PREHARVEST_SD = MappingProxyType({"field": BETWEEN_FIELDS, "strip": 0.15, "frame": 0.40})
# Half of 0.59 and 0.68, see `trialkit.words.expected`: logarithms of shares, nearly their logits
# while they are small.
DAMAGE_SD = MappingProxyType(
    {"field": 0.30, "setup_by_field": 0.05, "pair": 0.08, "main_strip": 0.08, "strip": 0.10,
     "sample": 0.10}
)  # fmt: skip
_LEVELS = {
    "sd": (*SD,), "preharvest_sd": ("field", "pair", "strip", "frame"), "damage_sd": (*DAMAGE_SD,)
}  # fmt: skip
# Wider spreads multiply a mean by e^4.5 and more, which no loss in a field does.
LARGEST_SD = 3.0


@dataclass(frozen=True, slots=True)
class Expected:
    """What simulated trials are drawn about, SI units.

    Attributes
    ----------
    loss : float
        Header loss of loose kernels at the reference setup (kg/ha), mean over the trial.
    preharvest : float
        Loose kernels on the ground before harvest (kg/ha), mean over the trial.
    damage : float
        Share of damaged kernels at the reference setup, of a typical sample; damage as those who
        examine the samples count it.
    sd : mapping
        Standard deviations of the header's loss on the log scale: ``field``, ``setup_by_field``
        (each level of each factor in each field), ``pair``, ``main_strip``, ``strip``, ``frame``. A
        level left out does not vary.
    preharvest_sd : mapping
        The same for what lay there before: ``field, pair, strip, frame``.
    damage_sd : mapping
        Logit scale: as `sd`, with ``sample`` for ``frame``.
    basis : mapping
        Where each number is from: keys "loss", "sd pair", ...
    others : mapping of str to Drawn
        Of further responses, by name (`trialkit.responses.Drawn`); those left out are as their
        records expect them.
    trials : int
        Past trials they were learned from; 0 where none.
    notes : tuple of Note
        What to know of numbers that were learned.

    Raises
    ------
    DesignError
        For a negative loss, a share outside 0 to 1, an unknown level or a standard deviation
        outside 0 to 3.
    """

    loss: float = units.KG_HA_PER_BU_AC
    preharvest: float = units.KG_HA_PER_BU_AC * PREHARVEST_SHARE
    damage: float = 0.05
    sd: Mapping[str, float] = field(default_factory=lambda: dict(SD))
    preharvest_sd: Mapping[str, float] = field(default_factory=lambda: dict(PREHARVEST_SD))
    damage_sd: Mapping[str, float] = field(default_factory=lambda: dict(DAMAGE_SD))
    basis: Mapping[str, str] = field(default_factory=dict)
    trials: int = 0
    notes: tuple[Note, ...] = ()
    others: Mapping[str, Drawn] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not 0 < self.loss < 1e5 or not 0 <= self.preharvest < 1e5:
            raise DesignError(
                "The expected header loss (kg/ha) is above zero, the preharvest loss not below."
            )
        if not 0 < self.damage < 1:
            raise DesignError("The expected share of damaged kernels lies between 0 and 1.")
        for name, levels in _LEVELS.items():
            for level, value in getattr(self, name).items():
                if level not in levels:
                    raise DesignError(
                        f"{name} has no level {level!r}; the levels are {', '.join(levels)}."
                    )
                if not 0 <= value <= LARGEST_SD:
                    raise DesignError(
                        f"{name} of {level} is {value!r}; give a standard deviation of logarithms, "
                        f"0 to {LARGEST_SD:g}."
                    )

    def times(self, factor: float, level: str = "") -> Expected:
        """With every variance, or those of one level, times `factor`."""
        scaled = {
            name: {
                key: value * (np.sqrt(factor) if level in ("", key) else 1.0)
                for key, value in getattr(self, name).items()
            }
            for name in _LEVELS
        }
        own = {f.name: getattr(self, f.name) for f in fields(self)}
        others = {
            name: replace(self.of(name), sd={
                key: value * (np.sqrt(factor) if level in ("", key) else 1.0)
                for key, value in self.of(name).sd.items()
            })
            for name, response in RESPONSES.items() if response.outlook is not None
        }  # fmt: skip
        return Expected(**{**own, **scaled, "others": others})

    def stated(self, loss: float | None = None, damage: float | None = None) -> Expected:
        """With another level of loss (kg/ha) or damage (share), as far as they are given.

        What lies on the ground before harvest keeps its share of the loss, unless it was learned.
        """
        levels: dict[str, float] = {}
        if loss is not None:
            levels["loss"] = loss
            if not self.trials:
                levels["preharvest"] = PREHARVEST_SHARE * loss
        if damage is not None:
            levels["damage"] = damage
        basis = {key: text for key, text in self.basis.items() if key not in levels}
        return replace(self, **levels, basis=basis)  # type: ignore[arg-type]

    def of(self, response: str) -> Drawn:
        """What a response is drawn from: share or density at the reference, its spreads."""
        if RESPONSES[response].expectation == "damage":
            return Drawn(self.damage, sd=self.damage_sd)
        if RESPONSES[response].expectation == "loss":
            return Drawn(self.loss, sd=self.sd)
        own = self.others.get(response, RESPONSES[response].outlook)
        if own is None:
            title = RESPONSES[response].title.lower()
            raise DesignError(f"Nothing says what to expect of {title}.")
        return own

    def at_level(self, response: str, times: float) -> Expected:
        """With `times` as much of a response; of a share no more than half."""
        if RESPONSES[response].expectation == "loss":
            return replace(self, loss=self.loss * times, preharvest=self.preharvest * times)
        own = self.of(response)
        share = RESPONSES[response].family == "binomial"
        typical = min(own.typical * times, 0.5) if share else own.typical * times
        if RESPONSES[response].expectation == "damage":
            return replace(self, damage=typical)
        return replace(self, others={**self.others, response: replace(own, typical=typical)})

    def lying(self, response: str) -> float:
        """What lies there whatever the setup, in the unit of `of`."""
        return self.preharvest if RESPONSES[response].offset else 0.0

    def drawn(self, response: str, reductions: Reductions) -> Drawn:
        """`of` a response with these reductions, as ratios of what is counted or of its odds."""
        own = self.of(response)
        return replace(own, ratios=_ratios(own.typical, RESPONSES[response].family, reductions))

    def check_shares(self, response: str, reductions: Reductions) -> None:
        """Refuse reductions, below zero, of a share that would become all or more."""
        typical, noun = self.of(response).typical, RESPONSES[response].terms.noun
        for own in reductions.values():
            for level, r in own.items():
                if typical * (1 - r) >= 1:
                    raise DesignError(
                        f"{100 * typical:.3g} % {noun} and {-100 * r:.3g} % more "
                        f"under {level} would be all of them or more."
                    )

    def truth(
        self, config: TrialConfig, reductions: Reductions, n_fields: int, split: bool
    ) -> Truth:
        """What `trialkit.simulate` would draw such trials from.

        Parameters
        ----------
        reductions : mapping
            ``{factor: {level: share}}``: by how much less the level loses, or damages, than its
            reference; below zero for more.
        n_fields : int
            Fields; the effects of one field alone are not drawn.
        split : bool
            Whether there are main strips.
        """
        kernel = float(units.kernels_per_m2_to_kg_ha(1.0, config.thousand_kernel_mass))
        several = n_fields > 1
        times = {"field": several, "setup_by_field": several * len(config.setups),
                 "main_strip": split}  # fmt: skip

        def typical(mean: float, sd: Mapping[str, float]) -> float:
            spread = sum(times.get(level, 1) * value**2 for level, value in sd.items())
            return mean / kernel / float(np.exp(spread / 2))

        p = self.damage
        ratios = _ratios(self.loss, "poisson", reductions)
        odds = _ratios(p, "binomial", reductions)
        return Truth(
            preharvest=typical(self.preharvest, self.preharvest_sd),
            header=typical(self.loss, self.sd), header_ratios=ratios, sd=dict(self.sd),
            preharvest_sd=dict(self.preharvest_sd), damage=p, damage_odds=odds,
            damage_sd=dict(self.damage_sd),
        )  # fmt: skip

    def table(self) -> pd.DataFrame:
        """Every number with its basis: ``what, level, value, basis``."""
        rows = [
            {"what": name, "level": "", "value": getattr(self, name), "basis": self._of(name)}
            for name in ("loss", "preharvest", "damage")
        ]
        rows += [
            {"what": name, "level": level, "value": float(value),
             "basis": self._of(f"{name} {level}")}
            for name in _LEVELS
            for level, value in getattr(self, name).items()
        ]  # fmt: skip
        return pd.DataFrame(rows)

    def _of(self, key: str) -> str:
        if key in self.basis:
            return self.basis[key]
        name, _, level = key.partition(" ")
        own, default = getattr(self, name), getattr(DEFAULT, name)
        same = own == default if not level else own.get(level) == default.get(level)
        return words.basis(name, level) if same else words.AS_STATED

    def _repr_html_(self) -> str:
        return card(
            power.expected_heading(),
            [*said(self.notes), power.expected_units()],
            folded(power.expected_basis(), table(self.table(), rows=40)),
        )


def _ratios(p: float, family: str, reductions: Reductions) -> dict[str, dict[str, float]]:
    """Ratios that reductions make, or ratios of odds about a share `p`."""
    ratios = {f: {level: 1 - r for level, r in own.items()} for f, own in reductions.items()}
    if family != "binomial":
        return ratios
    return {
        f: {
            level: (p * q / (1 - p * q)) / (p / (1 - p))
            for level, q in own.items()
            if p * q < 1
        }
        for f, own in ratios.items()
    }


DEFAULT = Expected()


def as_shares(config: TrialConfig, reduction: float | Reductions) -> dict[str, dict[str, float]]:
    """Reductions of every level but the reference that has one."""
    known = {f.name: f for f in config.setups}
    if isinstance(reduction, Mapping):
        shares = {f: {level: float(r) for level, r in own.items()} for f, own in reduction.items()}
        for name, own in shares.items():
            if name not in known:
                raise DesignError(
                    f"reduction names {name!r}; the setup factors are {', '.join(known)}."
                )
            others = [v for v in known[name].levels if v != known[name].reference]
            if unknown := [level for level in own if level not in others]:
                raise DesignError(
                    f"reduction names level {unknown[0]!r} of {name}; compared with "
                    f"{known[name].reference} are {', '.join(others)}."
                )
    else:
        shares = {
            f.name: {v: float(reduction) for v in f.levels if v != f.reference}
            for f in config.setups
        }
    for own in shares.values():
        if not all(-9 <= r < 1 for r in own.values()):
            raise DesignError("A reduction is a share below 1: 0.3 for 30 % less, -0.2 for more.")
    return shares
