"""The researcher's page over many trials: every comparison, the model, trial by trial, tables."""

from __future__ import annotations

import base64
import io
import zipfile
from collections.abc import Iterable

import numpy as np

from trialkit.analysis.specifications import SPECIFICATIONS
from trialkit.display import freedom, p_is, significant
from trialkit.many import amounts
from trialkit.many.lost import lost_told
from trialkit.many.meta import combine_trials
from trialkit.pages import compared
from trialkit.pages.elements import Element, File, Files, Group, Heading, Sentence, bullets, table
from trialkit.pages.registry import part
from trialkit.pages.seasons.context import SeasonsContext
from trialkit.pages.seasons.differs import notes_not_tried
from trialkit.pages.seasons.fields import signed
from trialkit.pages.seasons.head import few, over
from trialkit.pages.versions import versions
from trialkit.pages.wording import Finding, brackets, of_difference
from trialkit.quantities import number, scales, usual_places
from trialkit.words import comparisons
from trialkit.words import seasons as words
from trialkit.words import seasons_method as told_by

LEAST = 3
"""Trials whose own effects are held against one another."""


@part()
def question(page: SeasonsContext) -> Iterable[Element]:
    """The question, and the answer to it in brief."""
    text = page.letters.text
    factors = [amounts.labels(page.primary, name)[0] for name in page.primary.factors]
    found = []
    for own in (page.finding, *page.others_found):
        size = "; ".join([own.extent, *own.absolute[1:]])
        found.append(text(f"{own.sentence} {size}. {own.told}"))
    parts: tuple[Element, ...] = (
        Sentence(over(page), "kicker"),
        Heading(text(words.question(factors)), 1),
        bullets(found),
        *few(page),
        Sentence(brackets(page.primary.level), "quiet"),
    )
    return (Group("headline", parts, "header"),)


@part("answer", words.TITLES["answer"])
def answer(page: SeasonsContext) -> Iterable[Element]:
    """Every comparison of every response in one table."""
    every = [page.finding, *page.others_found]
    every += [Finding(c, page.system) for own in page.also.values() for c in own]
    rows = []
    for f in every:
        c = f.own
        rows.append([
            page.compared[c.response].title, page.letters.text(c.label), f.absolute[0],
            f.percent, freedom(c.df, 1), _p(c.p_adjusted), c.grade.word,
        ])  # fmt: skip
    yield table(told_by.answer_caption(page.percent), told_by.ANSWER_HEAD, rows)
    if page.also:
        yield Sentence(words.family_told(len(page.also)))
    if page.skipped:
        told = (told_by.not_compared(SPECIFICATIONS[n].title, why)
                for n, why in page.skipped.items())  # fmt: skip
        yield bullets(map(page.letters.unlettered, told))


@part("trials", words.TITLES["trials"])
def trials(page: SeasonsContext) -> Iterable[Element]:
    """What every trial shows by itself, and every grower's fields against the others'."""
    compared_by = page.primary
    for view in page.each:
        found = view.found
        rows = amounts.by_trial(compared_by, found.factor, found.level)
        own = of_difference(found.unit, page.system)[0]
        places = usual_places(rows["raw_low"], rows["raw_high"], own)
        out = [
            [page.letters.trials[row["trial"]], str(row["season"]), str(int(row["n_pairs"])),
             signed(row, ("raw", "raw_low", "raw_high"), own, places), _p(row["p"]),
             row["evidence"]]
            for row in rows.to_dict("records")
        ]  # fmt: skip
        caption = told_by.trials_caption(comparisons.against(found), page.percent, own.unit)
        yield table(page.letters.text(caption), told_by.TRIALS_HEAD, out)
        if alone := _combined(view):
            yield bullets(map(page.letters.text, alone))
    growers = compared.grower_table(compared_by, page.letters)
    if len(growers):
        yield table(told_by.growers_caption(compared_by.of_all), list(growers.columns),
                    growers.astype(str).to_numpy().tolist())  # fmt: skip


def _combined(page: SeasonsContext) -> list[str]:
    """Whether trials' own effects agree, and what the mean of them is without each of them."""
    rows = page.primary.by_trial
    rows = rows[rows["factor"].eq(page.found.factor) & rows["level"].eq(page.found.level)]
    rows = rows[np.isfinite(rows["raw_se"]) & rows["raw_se"].gt(0)]
    if len(rows) < LEAST or page.primary.link != "log":
        return []
    names = [page.letters.trials[trial] for trial in rows["trial"]]
    y, se = rows["raw"].to_numpy(float), rows["raw_se"].to_numpy(float)
    whole = combine_trials(y, se, names=names, level=page.primary.level)
    mean = float(whole.models.at["reml", "estimate"])
    without = {}
    for i, name in enumerate(names):
        left = np.arange(len(y)) != i
        without[name] = float(
            combine_trials(y[left], se[left]).models.at["reml", "estimate"]
        )
    ends = sorted(without, key=lambda name: without[name])
    return [
        told_by.agree(whole.q, whole.df, whole.p, float(whole.models.at["reml", "i2"]),
                      float(np.sqrt(whole.models.at["reml", "tau2"]))),
        told_by.one_left_out(mean, (without[ends[0]], ends[0]), (without[ends[-1]], ends[-1]),
                             float(page.effect["estimate"])),
    ]  # fmt: skip


def _p(value: float) -> str:
    return p_is(float(value)).removeprefix("= ") if np.isfinite(value) else ""


@part("model", words.TITLES["model"])
def model(page: SeasonsContext) -> Iterable[Element]:
    """The model, its variances, how amounts follow from it, and what it said of itself."""
    found, text = page.primary, page.letters.text
    spec = SPECIFICATIONS[page.response]
    table_of = found.variances
    plain = table_of["term"].eq("Intercept")
    yield Sentence(text(told_by.model_told(
        spec.distribution, list(dict.fromkeys(table_of.loc[plain, "level"])),
        [f"{unit}s" for unit in dict.fromkeys(table_of.loc[~plain, "level"])], found.level,
    )))  # fmt: skip
    base = amounts.reference_level(found, page.found.factor)
    own = scales(found.unit, page.system)[0]
    if found.link == "log" and spec.offset:
        lay = (f"{number(v * own.factor, 2)} {own.unit}" for v in (base.on_ground, base.value))
        yield Sentence(told_by.in_unit(found.title, *lay))
    rows = [[r["level"], r["term"], significant(r["variance"], 3), significant(r["sd"], 3)]
            for r in table_of.to_dict("records")]  # fmt: skip
    yield table(told_by.variances_caption(), told_by.VARIANCES_HEAD, rows)
    yield bullets(map(text, _reckoned(page)))
    told = [*notes_not_tried(page), lost_told(found.trials, found.trials["trial"])]
    if notes := [note for note in found.notes if note not in told]:
        yield bullets(map(page.letters.unlettered, notes))


def _reckoned(page: SeasonsContext) -> list[str]:
    """How ranges, shares, amounts and spreads come about, line by line."""
    found = page.primary
    log = found.link == "log"
    out = [told_by.own_pairs()] if log else []
    if log and found.effects_vary:
        out.append(told_by.by_model())
        for view in page.each:
            row = view.effect
            what = comparisons.against(view.found)
            out.append(told_by.spreads(what, float(row["sd_trial"]), float(row["sd_field"])))
            if np.isfinite(row["same_direction"]):
                out.append(told_by.next_shares(
                    what, float(row["predicted_low"]), float(row["predicted_high"]),
                    float(row["same_direction"]),
                ))  # fmt: skip
    first = page.found
    out.append(told_by.degrees(first.df, first.n_trials, len(page.letters.fields)))
    if len(found.explained):
        out.append(told_by.tests_adjusted(len(found.explained)))
    if log and SPECIFICATIONS[page.response].offset:
        settings = [found.settings[t] for t in found.trials["trial"] if t in found.settings]
        masses = [c.thousand_kernel_mass for c in settings]
        out.append(told_by.conversion(
            min(masses), max(masses), sum(not c.kernel_mass_stated for c in settings),
            len(settings), sorted({float(c.base_moisture) for c in settings}), page.system,
        ))  # fmt: skip
    return [*out, told_by.not_checked()]


@part("downloads", words.TITLES["downloads"])
def downloads(page: SeasonsContext) -> Iterable[Element]:
    """Every table of the comparison, in one file to save."""
    files = compared.csv_files(page.primary, page.letters)
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0)), content)
    data = base64.b64encode(buffer.getvalue()).decode()
    yield Files((File("trials.zip", "application/zip", data, "trials.zip", ""),))
    yield Sentence(told_by.files(len(files)), "quiet")


@part("reproduce", words.TITLES["reproduce"])
def reproduce(page: SeasonsContext) -> Iterable[Element]:
    """Versions of what computed the numbers."""
    del page
    yield Sentence(", ".join(f"{name} {value}" for name, value in versions().items()))


