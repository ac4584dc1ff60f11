"""Every estimate of a response: means, contrasts, variance components, tests of terms."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from trialkit.display import freedom
from trialkit.errors import ModelError
from trialkit.pages import second_answer
from trialkit.pages.cells import figures, p_value, ratio_of, span_of, with_interval
from trialkit.pages.elements import Element, Table, bullets, table
from trialkit.pages.response.asked import Asked
from trialkit.pages.wording import findings
from trialkit.quantities import lower_first, number, span
from trialkit.words import response as words
from trialkit.words.adjusting import SHORT
from trialkit.words.comparisons import against


def answers(asked: Asked) -> Iterable[Element]:
    """Every contrast in graded words, for a screen: on paper they are near above."""
    text = asked.letters.text
    yield bullets(
        f"{text(against(found.own))}: {found.absolute[0]}. {text(found.told)}"
        for found in findings(asked.result, asked.system)
    )


def estimates(asked: Asked, level: int = 3) -> Iterable[Element]:
    """Adjusted means and contrasts with every number of the analysis."""
    yield asked.heading("estimates", words.TITLES["estimates"], level)
    yield means(asked)
    yield from contrasts(asked)
    yield from all_pairs(asked)
    yield from at_same(asked)


def means(asked: Asked) -> Table:
    """Adjusted means."""
    rows = []
    for row in asked.result.means.to_dict("records"):
        ends = (row["estimate"], row["low"], row["high"])
        cells = [asked.label(row["factor"], row["level"])]
        cells += [with_interval(span(*ends, s)) for s in asked.scales]
        cells += [figures(row["se"] * asked.scales[0].factor), freedom(row["df"])]
        rows.append(cells)
    own = asked.scales[0].unit
    head = ["setup", *(s.unit for s in asked.scales), f"se, {own}", "df"]
    return table(words.means(asked.result.title, asked.percent), head, rows)


def contrasts(asked: Asked) -> Iterable[Element]:
    """Every level against its reference."""
    return _compared(asked, asked.result.contrasts, words.from_the_reference())


def at_same(asked: Asked) -> Iterable[Element]:
    """The second answer, where there is one: what it is, and its contrasts."""
    second = asked.result.at_same
    if second is None:
        return
    said = [second.words, *second_answer.apart(asked.result, asked.system), *second.sentences]
    yield from map(asked.sentence, said)
    if not second.contrasts.empty:
        yield from _compared(asked, second.contrasts, words.at_the_same(second.what))


def _compared(asked: Asked, contrasts: pd.DataFrame, what: str) -> Iterable[Element]:
    scales = asked.differences
    ratios = contrasts["ratio"].notna().any()
    # nothing to show where no strip design has a simpler test
    classical = bool(contrasts.get("p_classical_adjusted", pd.Series()).notna().any())
    rows = []
    for row in contrasts.to_dict("records"):
        cells = [asked.against(row)]
        cells += [with_interval(span_of(row, "difference", s)) for s in scales]
        if ratios:
            cells.append(ratio_of(row))
        cells += [freedom(row["df"]), p_value(row["p"]), p_value(row["p_adjusted"])]
        if classical:
            cells += [p_value(row["p_classical"]), p_value(row["p_classical_adjusted"])]
        if "p_rank" in row:
            cells.append(p_value(row["p_rank"]))
        rows.append(cells)
    head = ["comparison", *(s.unit for s in scales), *(["ratio"] if ratios else []),
            "df", "p", "p, Holm"]  # fmt: skip
    if classical:
        head += ["simpler p", "simpler p, Holm"]
    if "p_rank" in contrasts:
        head.append("p, ranks")
    result = asked.result
    caption = words.differences(result.title, what, asked.percent, result.adjusted_within)
    yield table(caption, head, rows)
    if classical:
        known = contrasts[contrasts["p_classical"].notna()].drop_duplicates("classical")
        named = [(r.classical, freedom(r.df_classical, 0)) for r in known.itertuples()]
        yield asked.sentence(words.simpler_tests(named))


def all_pairs(asked: Asked) -> Iterable[Element]:
    """Every two levels of a factor of three or more."""
    for factor, pairs in asked.pairwise.items():
        yield _pairs(asked, factor, pairs)


def _pairs(asked: Asked, factor: str, pairs: pd.DataFrame) -> Table:
    own = asked.differences[0]
    title = next(f.label for f in asked.result.design.factors if f.name == factor)
    ratios = pairs["ratio"].notna().any()
    rows = []
    for row in pairs.to_dict("records"):
        cells = [asked.against(row | {"factor": factor, "reference": row["against"]})]
        cells.append(with_interval(span_of(row, "difference", own)))
        if ratios:
            cells.append(ratio_of(row))
        rows.append([*cells, freedom(row["df"]), p_value(row["p"]), p_value(row["p_adjusted"])])
    head = ["comparison", own.unit, *(["ratio"] if ratios else []), "df", "p", "p, Tukey"]
    caption = words.every_two_levels(
        asked.letters.text(title), lower_first(asked.result.title), asked.percent
    )
    return table(caption, head, rows)


# ---------------------------------------------------------------- variances and terms
def variances(asked: Asked, level: int = 3) -> Iterable[Element]:
    """Variance components and tests of the terms."""
    result = asked.result
    terms = {f.name: asked.letters.text(f.label) for f in result.design.factors}
    rows = []
    for row in result.variances.to_dict("records"):
        name = str(row["level"]).replace("_", " ")
        if row["term"] != "Intercept":
            name = f"{terms.get(str(row['term']), str(row['term']))} by {name}"
        rows.append([name, figures(row["variance"]), figures(row["sd"]),
                     _spread(asked, float(row["sd"]))])  # fmt: skip
    if not result.fit.family.counts:
        sd = float(result.fit.dispersion)
        rows.append([f"residual ({result.specification.row})", figures(sd**2), figures(sd),
                     _spread(asked, sd)])  # fmt: skip
    scale = {"log": "logarithm", "logit": "logit"}.get(result.specification.link, result.unit)
    yield asked.heading("variances", words.TITLES["variances"], level)
    yield table(words.components(result.title, scale), list(words.COMPONENTS), rows)
    yield asked.sentence(_intraclass(asked))
    yield _tests(asked)


def _spread(asked: Asked, sd: float) -> str:
    link = asked.result.specification.link
    if sd == 0:
        return words.variance_zero()
    if link == "identity":
        own = asked.scales[0]
        return words.two_thirds_within(figures(sd * own.factor), own.unit)
    return words.two_thirds_by_factor("odds" if link == "logit" else "values", sd)


def _intraclass(asked: Asked) -> str:
    result = asked.result
    if result.fit.family.counts:
        return words.no_intraclass_of_counts()
    try:
        found = result.fit.intraclass_correlation(result.level)
    except ModelError as error:
        return words.no_intraclass(str(error))
    parts = [
        (str(r.level).replace("_", " "), float(r.estimate), float(r.low), float(r.high))
        for r in found.itertuples()
    ]
    return words.intraclass(asked.percent, parts)


def _tests(asked: Asked) -> Table:
    result = asked.result
    names = {f.name: f.label for f in result.design.factors}
    rows = []
    for term, row in result.term_tests.iterrows():
        told = " by ".join(names.get(part, SHORT.get(part, part)) for part in str(term).split(":"))
        rows.append([asked.letters.text(told), number(row["F"], 2), number(row["num_df"], 0),
                     freedom(row["den_df"]), p_value(row["p"])])  # fmt: skip
    return table(words.f_tests(result.title), ["term", "F", "df", "denominator df", "p"], rows)
