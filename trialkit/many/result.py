"""Many trials in one table and one model."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trialkit.analysis.questions.fields import SAME
from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.display import card, folded, paragraphs, table
from trialkit.intake import Prior
from trialkit.intake.config import LEAST_TIMES, TrialConfig
from trialkit.words import many as words


@dataclass(frozen=True, slots=True)
class TrialsCompared:
    """Many trials in one table and one model.

    Effects stand on the model's scale, `link`: logarithms of ratios ("log"), of odds ratios
    ("logit"), or differences in `unit` ("identity").

    Attributes
    ----------
    response, title, unit, link : str
    trials : DataFrame
        One row per trial used: ``trial`` (path below the folder), ``title, season, n_fields,
        n_strips, n_rows`` (measurements in the model), ``rows_refused, growers_agreed, simulated``;
        ``n_laid, n_lost`` (strips it was to have, and of those what was lost, see
        `trialkit.contradictions.lost`), ``at_most`` (the strongest grade it may be told with, ""
        without a limit), ``note``.
    skipped : DataFrame
        One row per trial not used: ``trial, kind`` ("unreadable", "repeated", "no data",
        "setups"), ``reason``; ``season, n_fields, n_strips``, missing where it could not be read.
    factors : dict of str to tuple of str
        The setup factors compared, by common name, with their levels, reference first.
    strips : DataFrame
        One row per strip in the model: ``trial, grower, field, season, hybrid, pair, strip``, the
        factors (common level names), ``moisture`` (%), ``speed_measured`` (km/h), ``n_rows``;
        ``amount, size``, totals of what was counted or weighed and of the area (m2), number
        examined or mass (g) it was found in; ``value, value_se``, measured (unit; the loss before
        harvest taken off where the response is defined so); ``on_ground``, the value before that
        was taken off, of which effects of such a response are ratios; ``latitude, longitude``
        (degrees) of the field where a trial gives them.
    side_by_side : DataFrame
        One row per field: ``trial, grower, season, field`` and the mean value of every setup; the
        loss before harvest, where it is taken off, is the field's mean, which no setup changes.
    effects : DataFrame
        One row per level against its reference: ``factor, level, reference, estimate, se, df, low,
        high`` (mean over trials, Kenward-Roger), ``sd_trial, sd_field`` (of the effect between
        trials, and between the fields of a trial; where every trial has one field, or a level too
        few units to tell, all of it stands in one of them and the other is zero),
        ``same_direction`` (expected share of fields) with its ``_low`` and ``_high``,
        ``predicted_low, predicted_high`` (a field of the next trial), ``n_trials, n_fields``; ``p,
        p_adjusted`` (Holm, within a factor) of no effect and
        ``evidence``, the grade (`trialkit.facts.Grade`) in a word; ``at_most``, its ceiling ("" for
        none), where the model had to take effects to be the same everywhere or trials that lost
        many strips carry much of it (`trialkit.many.lost`).
    by_trial : DataFrame
        What every trial shows by its own pairs alone: ``trial, factor, level, reference``; ``raw,
        raw_se, raw_low, raw_high, n_pairs``, ``p`` of the t test of its pairs and ``evidence``,
        the grade of that; missing where it has one pair.
    by_field : DataFrame
        The effect in every field: ``trial, grower, season, field, factor, level, reference``;
        ``raw, raw_se, raw_low, raw_high, n_pairs`` from its own pairs; ``shrunken, se, low, high``
        by the model, where units of trial or field are in it; ``latitude, longitude`` as above.
    growers : DataFrame
        Every grower's own fields less all others' fields, by the model: ``grower, factor`` ("mean"
        for the response itself over setups), ``level, n_fields, n_other_fields, difference, se,
        low, high``. Shrunken towards no difference. Empty where fewer than two growers are named.
    explained : DataFrame
        What moisture, speed, hybrid and season take away of the spread between trials and fields:
        ``variable, part`` ("mean" or the setup's "effect"), ``n_strips``; ``slope, slope_low,
        slope_high`` (per unit of the variable; of the effect where there is one); ``statistic, df,
        den_df, p, p_adjusted, test`` (Kenward-Roger F for moisture and speed, restricted likelihood
        ratio for hybrid and season; Holm over the table); ``sd_before, sd_after, reduction`` (share
        of the variance; may be below zero).
    variances : DataFrame
        Variance components of the model.
    notes : tuple of str
    level : float
    settings : dict of str to TrialConfig
        What every trial used states of itself: labels, prices, what is bought.
    aliases : dict of str to str
        Names taken to mean the same, as `compare` was told, normalised.
    varied : dict of str to int
        How many trials varied each factor, those compared by others too; most first.
    unmet : dict of str to tuple of str
        Names that should mean others and that no trial uses, with names spelt much alike.
    left_places : dict of str to tuple of (str, str)
        Grower ("" for none) and field of every field of a trial that was read and not used.

    Notes
    -----
    Fields', growers' and the next field's figures are averaged over the spread between trials and
    fields, under an empirical prior: its scale is read from the same data
    (`trialkit.analysis.averaged`).

    Measured by ``tests/calibration/across_trials.py``, in percent (standard errors up to 2.5):
    8 trials on 12 fields of 4 growers, 360 rounds, and 30 trials on 45 fields of 10 growers, 134
    rounds, the effect's standard deviation 0.1 between trials and 0.1 between fields. Coverage of
    95 % intervals: a field's effect 97 and 94; a grower's own fields less the others', effect 97
    and 94 (74 and 85 with variances taken as known and normal quantiles), mean 96 and 95; a field
    of the next trial 99 and 95 (91 and 91 by t with trials - 2 df); the mean effect 97 and 91. With
    standard deviations 0.3 and 0.2 the 8 trials cover 93 to 96 (176 rounds); with none at all the
    intervals of effects are too wide: 98 to 100. Tests at 5 % reject a true null of moisture in 5
    and 3 (mean), 3 and 4 (effect), of speed in 5 and 3, 8 and 5, of hybrid in 7 and 7, 1 and 2.

    Of few trials, with standard deviations 0.3 and 0.2: two (3 fields, 120 rounds) cover the mean
    effect in 100, a field's effect in 92; three (4 fields, 80 rounds) in 99 and 95, a field of the
    next trial in 95; four (6 fields, 80 rounds) in 99, 92 and 98. With 0.1 and 0.1 two and three
    cover the mean effect in 100, a field's in 97 and 96. From two trials nothing is said of the
    next: ``predicted_low, predicted_high`` are infinite and the shares missing.
    """

    response: str
    title: str
    unit: str
    link: str
    trials: pd.DataFrame
    skipped: pd.DataFrame
    factors: dict[str, tuple[str, ...]]
    strips: pd.DataFrame
    side_by_side: pd.DataFrame
    effects: pd.DataFrame
    by_trial: pd.DataFrame
    by_field: pd.DataFrame
    growers: pd.DataFrame
    explained: pd.DataFrame
    variances: pd.DataFrame
    notes: tuple[str, ...]
    level: float
    settings: Mapping[str, TrialConfig] = field(default_factory=dict)
    aliases: Mapping[str, str] = field(default_factory=dict)
    varied: Mapping[str, int] = field(default_factory=dict)
    unmet: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    left_places: Mapping[str, tuple[tuple[str, str], ...]] = field(default_factory=dict)

    def _repr_html_(self) -> str:
        kinds = self.skipped["kind"].value_counts()
        fields = self.strips[["trial", "field"]].drop_duplicates()
        more = [table(self.variances, words.HEADINGS["variances"])]
        if len(self.explained):
            more.append(table(self.explained, words.HEADINGS["explained"]))
        return card(
            words.HEADINGS["over"].format(title=self.title, n=len(self.trials)),
            [
                words.compared_and_left_out(
                    len(fields), len(self.strips), list(self.factors),
                    {str(kind): int(n) for kind, n in kinds.items()},
                ),
                words.in_brackets(self.words),
            ],
            table(self.told(), names=words.COLUMNS, rows=len(self.effects)),
            folded(words.HEADINGS["more"], *more, paragraphs(self.notes)),
            paragraphs([self.prior_words]),
        )  # fmt: skip

    @property
    def effects_vary(self) -> bool:
        """Whether the model lets the setup's effect differ between trials or fields."""
        between = self.variances["level"].isin(["trial", "field"])
        return bool((between & self.variances["term"].ne("Intercept")).any())

    @property
    def prior(self) -> Prior | None:
        """A sceptical prior for the next trial of such an option: no effect, give or take.

        Normal on the logarithm of the ratio about 0, its standard deviation the root mean square
        of the effects in single fields, ``sqrt(estimate^2 + sd_trial^2 + sd_field^2)``, over all
        levels: the spread of effects about no effect, between trials and between their fields, as
        of the predicted field. None for another response than header loss, which alone bears
        money, where the model takes effects to be the same everywhere, and where they come to
        nothing.
        """
        if self.response != "header_loss" or not self.effects_vary:
            return None
        squares = (self.effects[["estimate", "sd_trial", "sd_field"]] ** 2).sum(axis=1)
        prior = Prior.of_sd(float(np.sqrt(squares.mean())))
        return prior if prior.times >= LEAST_TIMES else None

    @property
    def prior_words(self) -> str:
        """`prior` as it may be written into trial.toml, and what it is; "" where there is none."""
        if self.prior is None:
            return ""
        return words.sceptical_prior(self.prior.times, self.of_all, self.prior.line)

    @property
    def words(self) -> str:
        """What `told` holds: ratios, odds ratios or differences, and at which level."""
        return words.effects_told(self.link, self.unit, self.of_all, self.level)

    @property
    def of_all(self) -> str:
        """What ratios are of where the loss before harvest is in the counts, else nothing."""
        spec = SPECIFICATIONS[self.response]
        return words.before_harvest_included(spec.thing) if spec.offset else ""

    def told(self) -> pd.DataFrame:
        """Mean effects as people read them: ratios (or differences) instead of logarithms.

        Returns
        -------
        DataFrame
            ``factor, level, reference, effect, low, high`` (mean over trials), ``next_low,
            next_high`` (a field of the next trial; missing where too little tells of it),
            ``same_direction`` with its ``_low`` and ``_high``, ``n_trials, n_fields``.
        """
        table = self.effects.rename(
            columns={"estimate": "effect", "predicted_low": "next_low",
                     "predicted_high": "next_high"}
        )  # fmt: skip
        columns = ["effect", "low", "high", "next_low", "next_high"]
        table[columns] = table[columns].where(np.isfinite(table[columns]))
        if self.link != "identity":
            table[columns] = np.exp(table[columns])
        return table[["factor", "level", "reference", *columns, *SAME, "n_trials",
                      "n_fields"]]  # fmt: skip
