"""A response's model in mathematics, as elements.

Each formula is written once in LaTeX (for MathML) and in Typst by `Written`; labels that come from
a user stand in both as text, never as notation.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit.pages.elements import Formula
from trialkit.pages.letters import Letters
from trialkit.pages.printing import literal
from trialkit.units import convert
from trialkit.words import symbols as words
from trialkit.words.adjusting import SHORT

if TYPE_CHECKING:
    from trialkit.analysis import ResponseAnalysis

_LONGEST = 36  # characters of a label inside a formula
PER_LINE = 3  # terms of a predictor
# Letter of a unit's index, coarse to fine; the row's own is k.
INDEX = {"field": "f", "pair": "p", "main_strip": "m", "strip": "s", "zone": "z"}
COVARIATES = {
    "speed_centred": ("speed", "speed_measured", "km/h", "mph"),
    "moisture_centred": ("moisture", "moisture", "%", "%"),
    "gap_centred": ("measured gap", "gap_adjusted", "mm", "in"),
    "gap_spread_centred": (SHORT["gap_spread_centred"], "gap_sd", "mm", "in"),
}


@dataclass(frozen=True, slots=True)
class Written:
    """A piece of mathematics in LaTeX (labels as marks) and in Typst.

    `labels` are the texts behind the marks ``LABELq0q``, ``LABELq1q``, ... of the LaTeX.
    """

    latex: str
    typst: str
    labels: tuple[str, ...] = ()

    def __add__(self, other: Written) -> Written:
        moved = re.sub(
            r"LABELq(\d+)q", lambda m: f"LABELq{int(m[1]) + len(self.labels)}q", other.latex
        )
        return Written(
            f"{self.latex} {moved}", f"{self.typst} {other.typst}", self.labels + other.labels
        )

    def element(self, about: str) -> Formula:
        """The formula of a page; `about` says what it is, for a screen reader."""
        return Formula(self.latex, self.typst, about, self.labels)


def label(text: str) -> Written:
    """A user's words inside a formula."""
    text = " ".join(text.split())
    text = text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"
    return Written(r"\text{LABELq0q}", literal(text), (text,))


def sub(base: Written, *below: Written) -> Written:
    """`base` with subscripts, comma between them."""
    inside = joined(below, Written(",", ", "))
    return Written(f"{base.latex}_{{", f"{base.typst}_(") + inside + Written("}", ")")


def joined(parts: Iterable[Written], between: Written) -> Written:
    """Parts with something between them."""
    out: Written | None = None
    for part in parts:
        out = part if out is None else out + between + part
    return out or Written("", "")


def beside(parts: Iterable[Written]) -> Written:
    """Formulas on one line."""
    return joined(parts, Written(r", \qquad", ", quad quad"))


def sign(latex: str, typst: str) -> Written:
    return Written(latex, typst)


PLUS = sign("+", "+")
BETA, GAMMA, SIGMA = sign(r"\beta", "beta"), sign(r"\gamma", "gamma"), sign(r"\sigma", "sigma")


def _letters(text: str) -> Written:
    return Written(text, " ".join(text))


def law(result: ResponseAnalysis) -> list[Written]:
    """Distribution of a row and link, without the linear predictor."""
    family = result.specification.family
    if family == "poisson":
        return [
            sign(r"y_k \mid u \sim \mathrm{Poisson}(a_k \lambda_k)",
                 'y_k | u ~ "Poisson"(a_k lambda_k)'),
            sign(r"\log \lambda_k = \eta_k", "log lambda_k = eta_k"),
        ]  # fmt: skip
    if family == "binomial":
        return [
            sign(r"y_k \mid u \sim \mathrm{Binomial}(n_k, \pi_k)",
                 'y_k | u ~ "Binomial"(n_k, pi_k)'),
            sign(r"\log \frac{\pi_k}{1 - \pi_k} = \eta_k",
                 "log frac(pi_k, 1 - pi_k) = eta_k"),
        ]  # fmt: skip
    left = sign(r"\log y_k", "log y_k") if family == "lognormal" else sign("y_k", "y_k")
    return [
        left + sign(r"= \eta_k + \varepsilon_k, \quad \varepsilon_k \sim \text{N}(0, \sigma^2)",
                    'eq eta_k + epsilon_k, quad epsilon_k ~ "N"(0, sigma^2)'.replace("eq", "=", 1))
    ]  # fmt: skip


def predictor(result: ResponseAnalysis, letters: Letters) -> list[Written]:
    """The linear predictor, the fixed part before the random effects, a few terms a line."""
    design = result.design
    names = {f.name: label(letters.text(f.label)) for f in design.factors}
    zone = [sign("z", "z")] if result.specification.compared_zones else []
    fixed = [sub(sign(r"\mu", "mu"), *zone) if zone else sign(r"\mu", "mu")]
    fixed += [sub(BETA, name, *zone) for name in names.values()]
    fixed += [
        sub(BETA, names[a] + sign(r"\times", "times") + names[b], *zone)
        for a, b in design.interactions
    ]
    for name in design.covariates:
        told = COVARIATES[name][0]
        word = sign(rf"\text{{{told}}}", f'"{told}"')
        mean = sub(word, sign(r"\cdot", "dot.c"))
        fixed.append(
            sub(GAMMA, word) + sign("(", "(") + sub(word, sign("s", "s")) + sign("-", "-") + mean
            + sign(")", ")")
        )  # fmt: skip
    lines = [sign(r"\eta_k =", "eta_k =") + joined(fixed[:PER_LINE], PLUS)]
    random = [term for term, _, _ in random_terms(result, letters)]
    for terms in (fixed[PER_LINE:], random):
        for i in range(0, len(terms), PER_LINE):
            more = sign(r"\qquad\quad +", "quad quad +")
            lines.append(more + joined(terms[i : i + PER_LINE], PLUS))
    return lines


def random_terms(
    result: ResponseAnalysis, letters: Letters
) -> list[tuple[Written, Written, str]]:  # fmt: skip
    """Every random effect of the fit: the effect, its standard deviation, what it is in words."""
    spec = result.specification
    present = [level for level in dict.fromkeys(result.variances["level"]) if level != spec.row]
    out = []
    seen: set[tuple[str, str]] = set()
    for level, term in result.variances[["level", "term"]].itertuples(index=False):
        if (level, term) in seen:
            continue
        seen.add((level, term))
        row = level == spec.row
        upto = present if row else present[: present.index(level) + 1]
        index = _letters("k" if row else "".join(INDEX[name] for name in upto))
        name = {"main_strip": "main strip", "zone": "zone within strip"}.get(level, level)
        if term == "Intercept":
            above = _word(upto[-2]) if not row and len(upto) > 1 else ""
            told = words.every_row(name) if row else words.unit_effect(name, above)
            out.append((sub(sign("u", "u"), index), sub(SIGMA, index), told))
        elif row:
            z = sign("z", "z")
            out.append((sub(sign("v", "v"), index, z), sub(SIGMA, index, z),
                        words.row_of_one_zone(name)))  # fmt: skip
        else:
            setup = next((f.label for f in result.design.factors if f.name == term), term)
            setup = letters.text(setup)
            which = label(setup)
            out.append((sub(sign("w", "w"), index, which), sub(SIGMA, index, which),
                        words.effect_by_unit(setup, name)))  # fmt: skip
    return out


def _word(level: str) -> str:
    return {"main_strip": "main strip"}.get(level, level)


def effects(result: ResponseAnalysis, letters: Letters) -> list[Written]:
    """The laws of the random effects, one line."""
    terms = random_terms(result, letters)
    if not terms:
        return []
    normal = sign(r"\sim \text{N}(0,", '~ "N"(0,')
    square = sign("^2)", "^2)")
    return [effect + normal + sd + square for effect, sd, _ in terms]


def reported(result: ResponseAnalysis) -> Written:
    """How a reported mean is read off the model."""
    latex, typst = {"poisson": (r"\lambda", "lambda"), "binomial": (r"\pi", "pi")}.get(
        result.specification.family, ("y", "y")
    )
    several = len(result.design.factors) > 1
    out = sign(r"M_a = \kappa", "M_a = kappa thin")
    if several:
        out += sign(r"\frac{1}{C} \sum_{c=1}^{C}", "1/C sum_(c=1)^C")
    if result.specification.compared_zones:
        out += sign(r"\sum_z w_z", "sum_z w_z thin")
    given = "a, c" if several else "a"
    out += sign(rf"\text{{E}}_u [{latex} \mid {given}]", f'"E"_u [{typst} | {given}]')
    return out + sign("- P", "- P") if result.offset is not None else out


def likelihood(gaussian: bool) -> Written:
    """What is maximised for the variances."""
    if gaussian:
        return sign(
            r"\ell_R(\theta) = -\tfrac{1}{2}\left\{\log|V| + \log|X' V^{-1} X| "
            r"+ r' V^{-1} r\right\}, \quad r = y - X\hat\beta(\theta)",
            "ell_R (theta) = -1/2 {log |V| + log |X' V^(-1) X| + r' V^(-1) r}, quad "
            "r = y - X hat(beta)(theta)",
        )
    return sign(
        r"L_R(\theta) = \int\!\!\int \prod_k p(y_k \mid \beta, u) \, \varphi(u; \theta) "
        r"\, du \, d\beta",
        "L_R (theta) = integral integral product_k p(y_k | beta, u) thin phi(u; theta) "
        "thin d u thin d beta",
    )


def integrated_test() -> Written:
    """The test of a contrast integrated over the spread of its error (`mixed.integrated`)."""
    return sign(
        r"t = \frac{\bar m}{\mathrm{se}}, \quad \mathrm{se}^2 = e^{A - \log(\nu/2) + \psi(\nu/2)} "
        r"+ \sum_j p_j (m_j - \bar m)^2, \quad \psi'(\nu/2) = \sum_j p_j (\log v_j - A)^2, \quad "
        r"A = \sum_j p_j \log v_j",
        't = frac(overline(m), "se"), quad "se"^2 = e^(A - log(nu/2) + psi(nu/2)) '
        "+ sum_j p_j (m_j - overline(m))^2, quad psi'(nu/2) = sum_j p_j (log v_j - A)^2, quad "
        "A = sum_j p_j log v_j",
    )


def test_statistic() -> Written:
    """The test of a contrast of Gaussian values."""
    return sign(
        r"t = \frac{c'\hat\beta}{\sqrt{c' \hat\Phi_A c}}, \quad "
        r"\nu = \min(\nu_{\mathrm{KR}}, \nu_{\mathrm{layout}})",
        "T = frac(c' hat(beta), sqrt(c' hat(Phi)_A c)), quad "
        'nu = min(nu_"KR", nu_"layout")'.replace("T =", "t ="),
    )


def in_words(result: ResponseAnalysis, letters: Letters, system: str) -> list[str]:
    """Every symbol of the formulas, in sentences."""
    spec, design = result.specification, result.design
    out = [words.row(spec.family, spec.row, spec.thing, result.unit)]
    factors = []
    for f in design.factors:
        known = dict(zip(f.levels, f.level_labels, strict=True))
        factors.append((f.label, [known[level] for level in design.levels[f.name]]))
    out.append(words.fixed(factors))
    if spec.compared_zones:
        out.append(words.zones())
    if design.interactions:
        out.append(words.products())
    for name in design.covariates:
        told, column, si, us = COVARIATES[name]
        mean = float(design.strips[column].mean())
        unit = us if system == "US" else si
        out.append(words.slope(told, mean if unit == si else float(convert(mean, si, unit)), unit))
    if units := [told for _, _, told in random_terms(result, letters)]:
        out.append(words.random(units))
    if spec.family in ("normal", "lognormal"):
        out.append(words.residual(spec.row))
    out.append(
        words.mean(
            result.unit, len(design.factors) > 1, result.scale,
            spec.thing if spec.family == "poisson" else "",
            None if result.offset is None else result.offset.value,
        )
    )  # fmt: skip
    return [letters.text(sentence) for sentence in out]
