"""A comparison of many trials in words people read, and its tables as files; letters for names."""

from __future__ import annotations

import json
from collections import Counter
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.facts import Ends, Grade
from trialkit.intake.level_names import labels_of
from trialkit.many import amounts
from trialkit.many.matching import factor_name, normalised
from trialkit.pages.compared_letters import ComparedLetters
from trialkit.pages.export import csv_bytes
from trialkit.quantities import Scale
from trialkit.words import comparisons as compared_words
from trialkit.words import many as words
from trialkit.words import many_scales as scale_words
from trialkit.words import matching as match_words
from trialkit.words.seasons_used import told_in_part, told_left_out

if TYPE_CHECKING:
    from trialkit.many import TrialsCompared

TABLES = ("trials", "skipped", "strips", "side_by_side", "effects", "by_trial", "by_field",
          "growers", "explained", "variances")  # fmt: skip


def effect_words(compared: TrialsCompared, value: float, low: float, high: float) -> str:
    """An effect and its interval on the model's scale: "31 % less (25 to 37 less)"; a difference
    in the trials' own unit."""
    return words.effect(Ends(value, low, high), compared.link, own_scale(compared))


def system_of(compared: TrialsCompared) -> str:
    """Units that pages over these trials speak in: "US" or "SI"."""
    config = amounts.newest(compared)
    return "SI" if config is None else config.units


def own_scale(compared: TrialsCompared) -> Scale:
    """The unit differences are told in, those of the newest trial first."""
    return compared_words.difference_units(compared.unit, system_of(compared))[0]


def first_of_all(compared: TrialsCompared) -> str:
    """The response that most of the trials are first of all about."""
    asked = Counter(config.model.primary for config in compared.settings.values())
    return asked.most_common(1)[0][0] if asked else compared.response


def told_grade(compared: TrialsCompared, word: str) -> Grade:
    """How far evidence goes as it is told: of a response that the trials are not first of all
    about none is told on a lean."""
    found = Grade(word)
    beside = compared.response != first_of_all(compared)
    return Grade.OPEN if beside and found is Grade.LEANING else found


def spelled(compared: TrialsCompared, factor: str) -> dict[str, str]:
    """Levels of a factor by common name, as most trials that use them write them."""
    times: dict[str, Counter[str]] = {}
    for config in compared.settings.values():
        for setup in config.setups:
            if factor_name(setup.name, compared.aliases) == factor:
                for name in setup.levels:
                    times.setdefault(normalised(name, {}), Counter())[name] += 1
    return {
        level: times[level].most_common(1)[0][0] if level in times else level
        for level in compared.factors[factor]
    }


def sentences(compared: TrialsCompared) -> list[str]:
    """What was compared, and for every setup the mean effect, what the trials found each by
    itself, and what the next field may show."""
    strips, of_all = compared.strips, compared.of_all
    names = {factor: spelled(compared, factor) for factor in compared.factors}
    out = [words.compared(
        compared.title, len(compared.trials), len(strips[["trial", "field"]].drop_duplicates()),
        len(strips), {factor: list(own.values()) for factor, own in names.items()}, compared.level,
    )]  # fmt: skip
    if of_all:
        out.append(words.smaller_than_alone(compared.title, of_all))
    if (first := first_of_all(compared)) != compared.response:
        title = SPECIFICATIONS[first].title if first in SPECIFICATIONS else first
        out.append(scale_words.beside_first(compared.title, title))
    system, scale = system_of(compared), own_scale(compared)
    every = zip(compared.effects.to_dict("records"), amounts.comparisons(compared), strict=True)
    for row, own_found in every:
        factor = str(row["factor"]).replace("_", " ")
        own_names = names[row["factor"]]
        label, reference = labels_of(
            factor, [own_names[row["level"]], own_names[row["reference"]]]
        )
        named = label if factor.casefold() in label.casefold() else f"{factor}, {label}"
        amount = compared_words.amounts(own_found, system)[0]
        share = ""
        if own_found.ratio.known:  # above zero, then
            share = words.effect(Ends(*np.log(own_found.ratio)), "log", scale)
        told = [words.in_unit(amount, share, compared.title)]
        if of_all or compared.link == "logit":
            model = effect_words(compared, row["estimate"], row["low"], row["high"])
            told.append(words.ratio_on_the_ground(model, of_all))
        said = [words.mean_effect(
            named, reference, told, row["n_trials"], row["n_fields"],
            told_grade(compared, row["evidence"]),
        )]  # fmt: skip
        own = compared.by_trial
        own = own[own["factor"].eq(row["factor"]) & own["level"].eq(row["level"])]
        found = own[own["evidence"].isin([g.word for g in Grade if g.found])]
        less = int((found["raw"] < 0).sum())
        said.append(words.each_alone(less, len(found) - less, len(own), compared.level))
        following = amounts.next_field(compared, row["factor"], row["level"])
        if following.known:
            shares = (row["same_direction_low"], row["same_direction_high"])
            _, low, high = following.times(scale.factor)
            said.append(words.next_field(low, high, shares, scale.unit))
        else:
            said.append(words.next_field_not_known(int(row["n_trials"])))
        out.append(" ".join(said))
    return out


def grower_table(compared: TrialsCompared, letters: ComparedLetters) -> pd.DataFrame:
    """Every grower's own fields against the others', in words."""
    rows = []
    for _, row in letters.table(compared.growers).iterrows():
        what = words.over_setups()
        if row["factor"] != "mean":
            # The effect itself is compared: not how much is lost with the level.
            names = spelled(compared, row["factor"])
            two = [names[row["level"]], names[compared.factors[row["factor"]][0]]]
            sign = " \N{MINUS SIGN} " if compared.link == "identity" else " / "
            what = sign.join(labels_of(row["factor"], two))
        told = effect_words(compared, row["difference"], row["low"], row["high"])
        rows.append({"grower": row["grower"], "fields": row["n_fields"],
                     "others": row["n_other_fields"], "what": what,
                     words.against_others(): told})  # fmt: skip
    return pd.DataFrame(rows)


def growers_title(compared: TrialsCompared) -> str:
    """Title of `grower_table`, with what its shares are of."""
    return scale_words.growers(compared.of_all)


def explained_words(compared: TrialsCompared) -> list[str]:
    """What moisture, speed, hybrid and season have to do with the spread, a sentence each."""
    factor = own_scale(compared).factor if compared.link == "identity" else 1.0
    return [
        words.explains(
            row["variable"], compared.title, row["part"], row["p"], row["p_adjusted"],
            len(compared.explained), factor * row["sd_before"], factor * row["sd_after"],
            bool(np.isfinite(row["reduction"])),
            words.spread_of(compared.link, own_scale(compared).unit),
        )
        for _, row in compared.explained.iterrows()
    ]  # fmt: skip


def left_out(compared: TrialsCompared) -> list[str]:
    """Trials not used, by the names of their folders, with reasons: for the researcher alone."""
    return [words.by_name(row["trial"], row["reason"]) for _, row in compared.skipped.iterrows()]


def in_part(compared: TrialsCompared) -> list[str]:
    """Trials not all of whose strips were used, by the names of their folders, with what was left
    out: for the researcher alone."""
    noted = compared.trials[compared.trials["note"].fillna("") != ""]
    return [words.by_name(row["trial"], row["note"]) for _, row in noted.iterrows()]


def for_terminal(compared: TrialsCompared) -> list[str]:
    """What the terminal tells the researcher alone, by the trials' own names: trials used in part
    and left out, aliases that meet nothing, and which other factors could be asked for."""
    return [
        *map(told_in_part, in_part(compared)), *map(told_left_out, left_out(compared)),
        *(match_words.met_nothing(name, near) for name, near in compared.unmet.items()),
        *filter(None, [match_words.factors_found(compared.varied, list(compared.factors))]),
    ]  # fmt: skip


def scales(compared: TrialsCompared) -> dict[str, str]:
    """What the numbers of every table are, and in which unit."""
    return scale_words.scales(
        compared.title, compared.link, compared.unit, own_scale(compared).unit, compared.of_all
    )


def as_json(compared: TrialsCompared, letters: ComparedLetters) -> str:
    """All of the comparison for a program to read: tables as lists of rows, no value as null.

    ``differences`` are the mean effects in the response's unit (`trialkit.many.amounts`), in that
    of the trials' own settings too, and on the scale of the model where that is another. The tables
    are those of `TrialsCompared` with letters for names and levels as trials write them; ``scales``
    says what their numbers are. ``varied`` is how many trials varied each factor.
    """
    names = {factor: spelled(compared, factor) for factor in compared.factors}
    known = {
        "response": compared.response, "title": compared.title, "unit": compared.unit,
        "link": compared.link, "level": compared.level, "units": system_of(compared),
        "scales": scales(compared),
        "factors": {
            letters.text(factor): list(map(letters.text, own.values()))
            for factor, own in names.items()
        },
        "varied": {letters.text(factor): n for factor, n in compared.varied.items()},
        "differences": _differences(compared, letters, names),
        **{name: letters.table(told_table(compared, name)).to_dict("records") for name in TABLES},
        "notes": [letters.text(note) for note in compared.notes],
    }  # fmt: skip
    return json.dumps(_plain(known), ensure_ascii=False, allow_nan=False, indent=1)


def _differences(
    compared: TrialsCompared, letters: ComparedLetters, names: dict[str, dict[str, str]]
) -> list[dict[str, Any]]:
    """Every level's mean effect as `trialkit.many.amounts` has it, a row each."""
    scale = own_scale(compared)
    out = []
    every = zip(compared.effects.to_dict("records"), amounts.comparisons(compared), strict=True)
    for row, c in every:
        ends = ("difference", "low", "high")
        own = {
            "factor": letters.text(c.factor), "level": letters.text(names[c.factor][c.level]),
            "reference": letters.text(names[c.factor][c.reference]),
            "label": letters.text(c.label), "reference_label": letters.text(c.reference_label),
            "unit": c.unit, **dict(zip(ends, c.difference, strict=True)),
            "in_own_unit": {"unit": scale.unit,
                            **dict(zip(ends, c.difference.times(scale.factor), strict=True))},
            **dict(zip(("ratio", "ratio_low", "ratio_high"), c.ratio, strict=True)),
        }  # fmt: skip
        if compared.of_all:
            model = np.exp(np.array([row["estimate"], row["low"], row["high"]], dtype=float))
            own["on_ground"] = dict(zip(("ratio", "low", "high"), model, strict=True))
        out.append({**own, "p_adjusted": c.p_adjusted, "n_trials": c.n_trials,
                    "evidence": told_grade(compared, c.grade.word).word})  # fmt: skip
    return out


def told_table(compared: TrialsCompared, name: str) -> pd.DataFrame:
    """One of the comparison's tables with levels as trials write them, and evidence as it is told;
    names of trials, fields and growers as they were read."""
    out = getattr(compared, name).copy()
    setups = [""]
    for factor in compared.factors:
        known = spelled(compared, factor)
        setups = [f"{before}{level}, " for before in setups for level in known]
        if factor in out:
            out[factor] = out[factor].map(known)
        if "factor" in out:
            own = out["factor"].eq(factor)
            for column in {"level", "reference"} & set(out.columns):
                out[column] = out[column].mask(own, out[column].map(known))
    if name == "side_by_side":
        ways = [list(spelled(compared, factor).values()) for factor in compared.factors]
        written = map(", ".join, product(*ways))
        out = out.rename(columns=dict(zip((s[:-2] for s in setups), written, strict=True)))
    if "evidence" in out:
        out["evidence"] = [told_grade(compared, word).word for word in out["evidence"]]
    return out


def _plain(value: Any) -> Any:
    """What JSON holds: no value, and none that is no number, is null."""
    if isinstance(value, dict):
        return {str(key): _plain(v) for key, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or value is pd.NA or (isinstance(value, float) and not np.isfinite(value)):
        return None
    return value if isinstance(value, bool | int | float | str) else str(value)


def csv_files(compared: TrialsCompared, letters: ComparedLetters) -> dict[str, bytes]:
    """Every table of the comparison that holds a row, as CSV by file name."""
    tables = {name: told_table(compared, name) for name in TABLES}
    out = {f"{name}.csv": csv_bytes(letters.table(t)) for name, t in tables.items() if len(t)}
    told = [(name, what) for name, what in scales(compared).items() if f"{name}.csv" in out]
    return {**out, "scales.csv": csv_bytes(pd.DataFrame(told, columns=["table", "scale"]))}
