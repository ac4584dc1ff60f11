"""A response's model in mathematics: MathML for the screen, Typst for paper.

Each formula is written once in either notation by `Written`; labels that come from a user stand in
both as text, escaped (MathML) or as a string literal (Typst), never as notation.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from trialkit.quantities import number
from trialkit.report.letters import Letters
from trialkit.units import convert

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
    "gap_spread_centred": ("spread of the gap", "gap_sd", "mm", "in"),
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

    def html(self, about: str) -> str:
        """The formula as HTML that prints too; `about` says what it is, for a screen reader."""
        from latex2mathml.converter import convert as to_mathml

        mathml = to_mathml(self.latex, display="block")
        mathml = re.sub(
            r"LABELq(\d+)q", lambda m: escape(_printable(self.labels[int(m[1])])), mathml
        )
        return (
            f'<div class="formula scroll" role="group" tabindex="0" aria-label="{escape(about)}" '
            f'data-typst="{escape(self.typst)}">{mathml}</div>'
        )


def label(text: str) -> Written:
    """A user's words inside a formula."""
    text = " ".join(text.split())
    text = text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"
    literal = _printable(text).replace("\\", "\\\\").replace('"', '\\"')
    return Written(r"\text{LABELq0q}", f'"{literal}"', (text,))


def _printable(text: str) -> str:
    """No character that an XML document or a font may not hold."""
    return re.sub(r"[\x00-\x1f\x7f\ufffe\uffff]", "\ufffd", text)


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
        words = COVARIATES[name][0]
        word = sign(rf"\text{{{words}}}", f'"{words}"')
        mean = sub(word, sign(r"\cdot", "dot.c"))
        fixed.append(
            sub(GAMMA, word) + sign("(", "(") + sub(word, sign("s", "s")) + sign("-", "-") + mean
            + sign(")", ")")
        )  # fmt: skip
    lines = [sign(r"\eta_k =", "eta_k =") + joined(fixed[:PER_LINE], PLUS)]
    random = [term for term, _, _ in random_terms(result)]
    for terms in (fixed[PER_LINE:], random):
        for i in range(0, len(terms), PER_LINE):
            more = sign(r"\qquad\quad +", "quad quad +")
            lines.append(more + joined(terms[i : i + PER_LINE], PLUS))
    return lines


def random_terms(result: ResponseAnalysis) -> list[tuple[Written, Written, str]]:
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
            where = f" within {_word(upto[-2])}" if not row and len(upto) > 1 else ""
            words = f"every {name}: what counts vary beyond chance" if row else f"{name}{where}"
            out.append((sub(sign("u", "u"), index), sub(SIGMA, index), words))
        elif row:
            words = f"every {name} of one zone, beside that of both"
            out.append((sub(sign("v", "v"), index, sign("z", "z")),
                        sub(SIGMA, index, sign("z", "z")), words))  # fmt: skip
        else:
            setup = next((f.label for f in result.design.factors if f.name == term), term)
            which = label(setup)
            words = f"{setup} by {name}: an effect that differs between {name}s"
            out.append((sub(sign("w", "w"), index, which), sub(SIGMA, index, which), words))
    return out


def _word(level: str) -> str:
    return {"main_strip": "main strip"}.get(level, level)


def effects(result: ResponseAnalysis, letters: Letters) -> list[Written]:
    """The laws of the random effects, one line."""
    terms = random_terms(result)
    if not terms:
        return []
    normal = sign(r"\sim \text{N}(0,", '~ "N"(0,')
    square = sign("^2)", "^2)")
    laws = [effect + normal + sd + square for effect, sd, _ in terms]
    return [Written(w.latex, w.typst, tuple(letters.text(t) for t in w.labels)) for w in laws]


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
    row, thing = spec.row, spec.thing
    out = {
        "poisson": [
            f"y is the number of {thing}s in {row} k, a its area (the offset log a enters with "
            f"coefficient 1), λ the {thing}s per square metre."
        ],
        "binomial": [
            f"y is the number of {thing}s among the n examined of {row} k, π the share damaged."
        ],
        "lognormal": [f"y is the share of {thing} by mass in {row} k."],
        "normal": [f"y is the {thing} of {row} k, {result.unit}."],
    }[spec.family]
    own = "; ".join(
        f"{f.label} ({', '.join(_labels(f, design.levels[f.name]))})" for f in design.factors
    )
    out.append(
        f"μ is the intercept; β the fixed effect of the level the strip was run at: {own}. The "
        "first level named of a factor is the reference, its effect zero."
    )
    if spec.compared_zones:
        out.append(
            "Every fixed effect has a value in each zone z, the ground before and behind the "
            "machine's body; w is +1 for the ground behind the machine and -1 for the header zone."
        )
    if design.interactions:
        out.append("β of a product is what two factors do together beyond the sum of both.")
    for name in design.covariates:
        words, column, si, us = COVARIATES[name]
        mean = float(design.strips[column].mean())
        unit = us if system == "US" else si
        shown = mean if unit == si else float(convert(mean, si, unit))
        out.append(
            f"γ is the slope along {words} of the strip about its mean over strips, "
            f"{number(shown, 2 if unit == 'in' else 1)} {unit}."
        )
    units = "; ".join(f"{words}" for _, _, words in random_terms(result))
    if units:
        out.append(
            f"Normal effects with mean zero, nested: {units}. Pairs are numbered within fields, "
            "strips within pairs."
        )
    if spec.family in ("normal", "lognormal"):
        out.append(f"ε is what single {row}s differ by.")
    what = f"A mean M is in {result.unit}: the model's mean over the random effects"
    if len(design.factors) > 1:
        what += ", averaged over the C combinations of the other factors alike"
    what += f", times κ = {result.scale:.4g}"
    if spec.family == "poisson":
        what += f" {result.unit} per {thing} on a square metre"
    if result.offset is not None:
        what += (
            f", less P = {result.offset.value:.3g} {result.unit}, the loss before harvest by a "
            "model of its own"
        )
    out.append(f"{what}.")
    return [letters.text(sentence) for sentence in out]


def _labels(factor: object, levels: Iterable[str]) -> list[str]:
    known = dict(zip(factor.levels, factor.level_labels, strict=True))  # type: ignore[attr-defined]
    return [known[level] for level in levels]
