"""Where every number of the snapshot is taken from: the one file of it that knows the program.

A function per source returns names and numbers, flat: ``"header_loss/cushion,cushion/ratio"``.
Classes, modules and columns may change their names; then this file changes, and what it returns
does not. Names say what a number is, not where it is kept. (The file is not called ``numbers``:
that would hide the standard library's module from whatever is run in this folder.)

Left out: sentences; pictures (their alternative texts are read) and papers, which show the same
elements; numbers in pages' scripts; the footers of pages, which hold date, versions, fingerprint
and seed, and change from run to run (`UNREAD`, `VERSION`, `NOISE`); what is slow of generated
trials: on the grower's page the measured means and the effect along moisture and speed, most of the
researcher's report but for `WHOLE`; rounds and draws one by one, of which the tables are kept.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from bs4 import BeautifulSoup

import trialkit as tk
from trialkit import decide, units, words
from trialkit import plan as tp
from trialkit.analysis import TrialAnalysis
from trialkit.analysis.family import comparisons
from trialkit.decide import Advice, sensitivity
from trialkit.decide.what_if import Scenario, figures
from trialkit.header import HeaderReport, RowUnit, at_speeds, check_header
from trialkit.header.advice import GRADES
from trialkit.header.butts import butts_reaching
from trialkit.header.plates import STATIONS
from trialkit.intake.config import TrialConfig
from trialkit.pages import by_header, demo_dir
from trialkit.pages import header as header_page
from trialkit.pages.export import tables
from trialkit.responses import schema

Numbers = dict[str, float]

DEMOS = ("cushion_pairs", "gap_fields", "split_strips")
# Of `own_trials.TRIALS`: yes/no (2), on/off and damage first in SI (3), numbers in inches (5) and
# in mm (7), speeds with the price of an hour (12), names of one's own (14), two factors with prices
# (15), without (16) and in SI (18), speed with damage first and no price (19).
GENERATED = (2, 3, 5, 7, 12, 14, 15, 16, 18, 19)
# Generated trials whose whole researcher's report is read: it is slow.
WHOLE = (3, 5, 15)
# Generated trials whose power is looked at, besides that of the demo trials: speed in SI, and mm.
PLANNED = (7, 12)

ENDS = ("", "_low", "_high")
MEANS = ("estimate", "se", "df", "low", "high", "estimate_bu_ac", "low_bu_ac", "high_bu_ac")
CONTRASTS = (
    *(f"{what}{end}" for what in ("ratio", "difference") for end in ENDS),
    *(f"difference{end}_bu_ac" for end in ENDS),
    "df", "statistic", "p", "p_adjusted", "p_classical", "df_classical", "p_classical_adjusted",
    "p_rank", "n_blocks", "primary",
)  # fmt: skip
BY_FIELD = ("difference", "se", "df", "low", "high", "n_pairs", "difference_bu_ac")
LOSSES = ("kg_ha", "se_kg_ha", "bu_ac", "se_bu_ac", "percent_of_yield", "n_strips")


# ---------------------------------------------------------------- what all of them use
def put(out: Numbers, name: str, values: Mapping[str, Any]) -> None:
    """Numbers of a mapping under a name; what is None or no number is passed over."""
    for key, value in values.items():
        if isinstance(value, (bool, int, float, np.bool_, np.number)):
            out[f"{name}/{key}"] = float(value)
        elif isinstance(value, (tuple, list, np.ndarray)):
            put(out, f"{name}/{key}", dict(zip(map(str, range(len(value))), value, strict=True)))


def put_rows(
    out: Numbers, name: str, table: pd.DataFrame, by: Iterable[str], columns: Iterable[str] = ()
) -> None:
    """Columns of a table, all of numbers unless told, a row by its labels; and how many rows."""
    by = list(by)
    out[f"{name}/rows"] = float(len(table))
    wanted = [c for c in (columns or table.columns) if c in table and c not in by]
    for at, row in enumerate(table.to_dict("records")):
        label = ",".join(str(row[b]) for b in by) or str(at)
        put(out, f"{name}/{label}", {c: row[c] for c in wanted})


def fields_of(thing: Any) -> dict[str, Any]:
    """Attributes of a dataclass, those computed included."""
    names = [f.name for f in dataclasses.fields(thing)]
    names += [n for n, v in vars(type(thing)).items() if isinstance(v, property)]
    return {name: getattr(thing, name) for name in names}


def three(name: str, values: Iterable[float]) -> dict[str, float]:
    """An estimate and its ends by name."""
    return dict(zip((f"{name}{end}" for end in ENDS), values, strict=True))


# ---------------------------------------------------------------- analyse
def of_analysis(analysis: TrialAnalysis) -> Numbers:
    """Every response: comparisons, means, tests, variances, the fit, its grades, rows used."""
    out: Numbers = {"responses": float(len(analysis.responses)),
                    "skipped": float(len(analysis.skipped)),
                    "warnings": float(len(analysis.warnings))}  # fmt: skip
    trial = analysis.trial
    read = ("rows_in", "rows_kept", "rows_refused", "rows_not_filled")
    put_rows(out, "read", trial.read, ["table"], read)
    put_rows(out, "losses", analysis.losses.setups,
             [*(f.name for f in trial.config.setups), "source", "kind"], LOSSES)  # fmt: skip
    for name, result in analysis.responses.items():
        put_rows(out, f"{name}/mean", result.means, ["factor", "level"], MEANS)
        put_rows(out, name, result.contrasts, ["factor", "level"], CONTRASTS)
        for c in comparisons(result):
            out[f"{name}/{c.factor},{c.level}/grade"] = float(c.grade.strength)
            out[f"{name}/{c.factor},{c.level}/better"] = float(c.is_better)
        tests = result.term_tests.rename_axis("term").reset_index()
        put_rows(out, f"{name}/term", tests, ["term"], ("F", "num_df", "den_df", "p"))
        put_rows(out, f"{name}/variance", result.variances, ["level", "term"], ("variance", "sd"))
        put_rows(out, f"{name}/field", result.by_field, ["field", "factor", "level"], BY_FIELD)
        out[f"{name}/strips"] = float(len(result.by_strip))
        fit = result.fit
        put(out, f"{name}/fit", {
            "rows": len(result.data), "loglik": fit.loglik, "dispersion": fit.dispersion,
            "parameters": fit.n_parameters, "converged": fit.converged, "singular": fit.singular,
            "notes": len(result.notes),
        })  # fmt: skip
        put(out, f"{name}/fixed", dict(fit.fixed_effects))
        if (second := result.at_same) is not None:
            put_rows(out, f"{name}/same/mean", second.means, ["factor", "level"], MEANS)
            put_rows(out, f"{name}/same", second.contrasts, ["factor", "level"], CONTRASTS)
    return out


# ---------------------------------------------------------------- decide
def of_decisions(analysis: TrialAnalysis) -> Numbers:
    """The verdict and the money of every level; of what is bought, how it pays back."""
    found = decide.verdict(analysis)
    config = analysis.trial.config
    out: Numbers = {"levels": float(len(found.levels))}
    for rank, own in enumerate(found.levels):
        c = own.primary
        at = f"{c.factor},{c.level}"
        put(out, at, {
            "rank": rank, "advice": list(Advice).index(own.advice), "bought": own.bought,
            "grade": c.grade.strength, **three("difference", c.difference),
            **three("ratio", c.ratio), "better": len(own.better), "worse": len(own.worse),
            "others": len(own.others),
        })  # fmt: skip
        if own.time is not None:
            put(out, f"{at}/time", _time(own.time))
        if (balance := own.balance) is not None:
            put(out, f"{at}/balance", {
                **three("grain", balance.grain), "damage": balance.damage, "time": balance.time,
                "option": balance.option, **three("net", balance.net),
                "unpriced": len(balance.unpriced), "time_priced": balance.time_priced,
                "chance": balance.chance, "believed": balance.believed,
                "area": balance.area, **(three("hour", balance.hour) if balance.hour else {}),
            })  # fmt: skip
        _worth(out, at, analysis, own.bought, c.factor, c.level)
    headline = decide.balance(analysis)
    if headline is not None:
        put(out, "headline", _headline(headline))
    if config.option is not None and config.price_per_t:
        paid = decide.payback(analysis, config.option.factor, config.option.level, n=2000)
        put_rows(out, "payback", paid.table.rename_axis("what").reset_index(), ["what"])
        put(out, "payback", {"probability": paid.probability, "with_prior": paid.with_prior})
        for even in (paid.area, paid.price):
            put(out, f"payback/{even.what}", fields_of(even))
        base = paid.budget
        ends = {name: (0.8 * float(getattr(base, name)), 1.2 * float(getattr(base, name)))
                for name in ("price", "area", "option_price")}  # fmt: skip
        moved = sensitivity(base, ends).table.rename_axis("input").reset_index()
        put_rows(out, "sensitivity", moved, ["input"])
    return out


def _time(time: decide.ExtraTime) -> dict[str, Any]:
    """What a level takes of time, per ha and per acre."""
    acre = decide.HECTARES_PER_ACRE
    per_acre = {"hours_per_ac": acre * time.hours_per_ha, "cost_per_ac": acre * time.cost_per_ha}
    return fields_of(time) | per_acre


def _headline(balance: decide.Balance) -> dict[str, Any]:
    """The balance of the comparison that the decision is about, per ha and per acre."""
    acre = decide.HECTARES_PER_ACRE
    given, even = balance.given, balance.even_area
    value = balance.grain
    out = {
        **three("value_per_ha", value), **three("value_per_ac", value.times(acre)),
        "price_per_t": given.price,
        "price_per_bu": float(units.price_per_tonne_to_per_bushel(given.price)),
        "confidence": balance.confidence,
    }  # fmt: skip
    if not balance.bought:
        return out
    ends = (even.value, even.low, even.high)
    return out | {
        "annual_cost": balance.annual_cost, "value_per_year": balance.grain_per_year[0],
        "area_per_year": given.area,
        "net_per_year": balance.net_per_year[0], "cost_per_ha": -balance.option,
        "cost_per_ac": -balance.option * acre, **three("break_even_ha", ends),
        **three("break_even_ac", (v / acre for v in ends)),
    }  # fmt: skip


def _worth(
    out: Numbers, at: str, analysis: TrialAnalysis, bought: bool, factor: str, level: str
) -> None:
    """A level's budget and what it comes to, as it stands on a page that reckons it again."""
    found = decide.comparison(analysis, "header_loss", factor, level)
    if found is None or not analysis.trial.config.price_per_t:
        return
    free = {} if bought else {"area": 100.0, "option_price": 0.0, "years": 10.0, "interest": 0.08}
    budget = decide.budget(analysis, factor, level, **free)
    terms = fields_of(budget)
    del terms["grain_per_ha"]  # with "other_per_ha" it is "saving_per_ha"
    put(out, f"{at}/budget", terms)
    lost = found.distribution
    kept = dataclasses.replace(lost, value=-lost.value, skew=-lost.skew)
    scenario = Scenario(factor, level, found.label, found.reference_label, None, kept)
    told = figures(scenario, budget, analysis.level, "USD", "SI")
    put(out, f"{at}/figures", {
        **three("value_per_ha", told.grain), **three("net_per_ha", told.net),
        **three("value_per_year", told.grain_per_year), **three("net_per_year", told.net_per_year),
        "probability": told.chance, "annual_cost": told.annual_cost,
    })  # fmt: skip
    put(out, f"{at}/even", fields_of(told.even_area))


# ---------------------------------------------------------------- export
def of_export(analysis: TrialAnalysis) -> Numbers:
    """Of every exported table: its rows; of every column of numbers how many, and their mean."""
    out: Numbers = {}
    for name, table in tables(analysis).items():
        out[f"{name}/rows"] = float(len(table))
        for column in table.columns:
            if pd.api.types.is_numeric_dtype(table[column]):
                values = table[column].astype(float)
                put(out, f"{name}/{column}", {"n": values.notna().sum(), "mean": values.mean()})
    return out


# ---------------------------------------------------------------- power
def of_power(config: TrialConfig, response: str = "header_loss") -> Numbers:
    """A small grid: 2 numbers of pairs, 2 of frames; hours, widths, power, the best."""
    counts = (4, 8) if response == "header_loss" else (1, 3)
    rounds = 24 if len(config.setups) == 1 else 6  # many setups: a round takes ten times as long
    grid = tp.power(config, response=response, pairs=(3, 6), frames=counts, rounds=rounds,
                    seed=7, reduction=0.35)  # fmt: skip
    by = ["pairs", "frames", "fields", "factor", "level"]
    out: Numbers = {}
    put_rows(out, "plan", grid.table, by)
    put_rows(out, "half_reduction", grid.at(0.175).table, by, ("power", "power_se"))
    put_rows(out, "more", grid.better(3, counts[0]).table, ["what"])
    hours = grid.shown()["hours"]
    put(out, "hours", dict(zip(map(str, range(len(hours))), hours, strict=True)))
    if (best := grid.cheapest(0.5)) is not None:
        put(out, "cheapest", fields_of(best))
    return out


# ---------------------------------------------------------------- compare
def of_comparison(folder: Path, response: str = "header_loss") -> Numbers:
    """Many trials in one model: per level, field, grower and what explains the spread."""
    found = tk.compare(folder, response=response)
    out: Numbers = {}
    by = ["factor", "level"]
    put_rows(out, "effect", found.effects, by)
    put_rows(out, "told", found.told(), by)
    put_rows(out, "trial", found.trials, ["trial"])
    put_rows(out, "field", found.by_field, ["trial", "field", *by])
    put_rows(out, "grower", found.growers, ["grower", *by])
    put_rows(out, "explained", found.explained, ["variable", "part"])
    put_rows(out, "variance", found.variances, ["level", "term"], ("variance", "sd"))
    side = found.side_by_side
    put_rows(out, "side_by_side", side, ["trial", "field"])
    put(out, "", {"skipped": len(found.skipped), "strips": len(found.strips),
                  "value": found.strips["value"].mean(), "notes": len(found.notes),
                  "prior": found.prior.times if found.prior else None})  # fmt: skip
    return out


# ---------------------------------------------------------------- header
def of_header(trial: tk.Trial, unit: RowUnit | None = None) -> Numbers:
    """Every header of a trial: rows, fields, repairs, findings, summary, speeds, ear butts."""
    out: Numbers = {}
    for header in dict.fromkeys(trial.header_check["header"]):
        report = check_header(trial, str(header), unit=unit)
        at = f"header {header}"
        rows = report.rows.drop(columns="bare")  # a mark, no measure
        put_rows(out, f"{at}/row", rows, ["row"])
        put_rows(out, f"{at}/field", report.fields, ["field"])
        put_rows(out, f"{at}/repair", report.repairs, ["row"])
        put_rows(out, f"{at}/speed", at_speeds(report), ["speed"])
        put(out, f"{at}/summary", dict(report.summary))
        put(out, at, _header(report))
        for item in report.items:
            put(out, f"{at}/item {item.rank}", {
                "places": item.places, "whole": item.whole, "grade": GRADES.index(item.grade),
                "kinds": len(item.kinds), "parts": len(item.parts), "found": len(item.found),
                "said": said(" ".join(words.said((*item.found, *item.do)))),
            })  # fmt: skip
    for name, own in trial.ear_butts.groupby("field", sort=False):
        reach = butts_reaching(own["diameter"], 32.0, depth=25.0)
        gaps = {f"gap of {g.share}": (g.gap, g.low, g.high) for g in reach.gaps}
        put(out, f"ear butts {name}", {"ears": reach.ears, "reached": reach.reached,
            "share": (reach.share, reach.low, reach.high), "mean": reach.mean, "sd": reach.sd}
            | gaps)  # fmt: skip
    return out


def _header(report: HeaderReport) -> dict[str, Any]:
    return {
        "target": tuple(report.target), "speed": report.speed, "fastest": report.fastest,
        "pull_speed": report.pull_speed, "rpm": report.rpm, "new_speeds": report.new_speeds,
        "medians": report.medians, "setting": report.setting, "aims": report.aims,
        "plates_out": report.plates_out, "gaps_after": report.gaps_after, "width": report.width,
        "row_units": report.row_units, "speeds": report.speeds, "items": len(report.items),
        "efficiency": report.efficiency, "notes": len(report.notes),
    }  # fmt: skip


def said(text: str) -> tuple[float, ...]:
    """Plain numbers of a sentence, in order of size: a sentence may be put otherwise."""
    return tuple(sorted(float(t.replace(",", "")) for t in tokens_of(text) if "/" not in t))


UNIT = RowUnit(roll_length=500, roll_diameter=100, pulled_length=900, chain_speed=2.5)


def faulty_trial() -> tk.Trial:
    """The first demo trial with a header of twelve rows and a fault of nearly every kind."""
    inch = 25.4
    sound = {
        "gap_front": 1.25, "gap_rear": 1.375, "plate_left_front": 0.625, "plate_right_front": 0.625,
        "plate_left_rear": 0.6875, "plate_right_rear": 0.6875, "set_front": 1.25,
        "set_rear": 1.375, "roll_left_wear_length": 1.0, "roll_right_wear_length": 1.0,
        **dict.fromkeys(STATIONS, 5.25), "roll_clearance": 0.08, "plate_edge_wear": 0.05,
        "chain_slack": 0.6,
    }  # fmt: skip
    faults = {
        "gap_front": {2: 1.55, 3: 1.0}, "gap_rear": {4: 1.1, 5: 1.8},
        "plate_left_rear": {6: 0.45}, "plate_right_rear": {6: 0.95},
        "roll_left_wear_length": {7: 4.0, 8: 9.0}, "roll_right_wear_length": {7: 1.5, 8: 9.0},
        STATIONS[2]: {9: 3.1}, "roll_clearance": {10: 0.4, 11: 0.0},
        "plate_edge_wear": {11: 0.3}, "chain_slack": {1: 1.9, 12: 0.05},
    }  # fmt: skip
    table = pd.DataFrame({"header": "1", "row": [str(i) for i in range(1, 13)]})
    for column, inches in sound.items():
        table[column] = [inch * faults.get(column, {}).get(i, inches) for i in range(1, 13)]
    table["chain_stretch"] = [3.0 if i == 12 else 0.5 for i in range(1, 13)]
    table["flaps"] = ["torn" if i == 4 else "good" for i in range(1, 13)]
    trial = tk.load_trial(demo_dir())
    tidied = schema.tidy(table, "header_check")
    return dataclasses.replace(trial, header_check=tidied,
                               strips=trial.strips.assign(roll_rpm=900.0))  # fmt: skip


def faulty_page() -> str:
    """The header page of `faulty_trial`: what to repair, and the drawings in words."""
    page = header_page(faulty_trial())
    parts = [page.headline(), page.limits()]
    for one in by_header(page):
        parts += [one.title(), one.fix_first(), one.drawing()]
    return "".join(part._repr_html_() for part in parts)


# ---------------------------------------------------------------- pages
# Besides scripts and the like: footers (date, fingerprint, seed, versions), and the cells of the
# notebook that lie hidden in a printed page.
UNREAD = ("script", "style", "template", "svg", "footer", "head", "pre")
VERSION = re.compile(r"\b\d+(?:\.\d+){2,}\b")
"""Of this program and of others, in the text on methods: left out."""
NOISE = 1e-9
"""What is printed smaller than this is a rounding error of the machine, and left out."""
# A mixed or simple fraction; else a number that no letter touches: "5.5", "-1,200.25", "1e-04".
# A minus counts where it cannot be a hyphen or a dash between two numbers.
TOKEN = re.compile(
    r"(?<![\w.,/])(?:\d+-)?\d+/\d+(?![\w/])"
    r"|(?:(?<![\w.)\]%-])-)?(?<![\w.])\d+(?:,\d{3})*(?:\.\d+)?(?:e-?\d+)?(?![\w])"
)
SPACES = dict.fromkeys(map(ord, "\u00a0\u2007\u2009\u200a\u202f"), " ")
MINUS = {ord("\u2212"): "-", ord("\u2044"): "/", ord("\u2011"): "-"}


def tokens_of(text: str) -> set[str]:
    """Numbers as they are printed: without commas of thousands, with an ASCII minus."""
    plain = VERSION.sub(" ", text.translate(SPACES | MINUS))
    found = {token.replace(",", "") for token in TOKEN.findall(plain)}
    return {token for token in found if "e" not in token or abs(float(token)) > NOISE}


def of_page(html: str) -> set[str]:
    """Numbers a reader of the page sees or has read to them; see the module for what is not."""
    soup = BeautifulSoup(html, "html.parser")
    for unread in soup.find_all(UNREAD):
        unread.decompose()
    words = [soup.get_text(" ")]
    for name in ("alt", "aria-label", "title", "value"):
        words += [str(tag[name]) for tag in soup.find_all(attrs={name: True})]
    return tokens_of(" \n ".join(words))
