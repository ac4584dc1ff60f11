"""The mixed models another analyst might have fitted to the same rows, family by family.

* Counts: negative binomial instead of an effect of every row, and as a warning the Poisson model
  without either. So too where zones are compared.
* Shares of a number: beta-binomial, binomial with strips but no samples; as a warning, neither.
* Shares by mass, chosen as Gaussian on the logarithm: gamma with log link, Gaussian on the share.
* Quantities with a unit of their own, chosen as Gaussian: Gaussian on the logarithm (not of a
  score, whose steps are an order only), and blocks as fixed effects (a randomised block analysis of
  variance: nothing is learned from differences between blocks, and setup effects are the same in
  every field).

Akaike's criterion. A density of ``log y`` becomes one of ``y`` when divided by ``y``, so
``AIC_y = AIC_log + 2 sum(log y)``; with that models of a value and of its logarithm compare (Akaike
1978, J. R. Stat. Soc. D 27:217-235, as others cite it). With blocks as fixed effects it is about
these blocks, without, about blocks like them (Vaida & Blanchard 2005, Biometrika 92:351-370): those
two do not compare.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from trialkit.analysis.design import Design
from trialkit.analysis.estimates import Reading
from trialkit.analysis.judges import Judge
from trialkit.analysis.questions.refits import finer_levels, fit_again
from trialkit.analysis.result import ResponseResult
from trialkit.errors import ModelError
from trialkit.mixed import MixedFit
from trialkit.words import alternatives as words

CHOSEN, WARNING, OTHER = "chosen", "warning", "alternative"


@dataclass(frozen=True, slots=True)
class OtherModel:
    """One mixed model of a response's rows.

    Attributes
    ----------
    name : str
    role : {"chosen", "alternative", "warning"}
    fit : callable
        Fits it; raises ModelError where it cannot be fitted.
    design : Design
        Whose factors and most degrees of freedom hold.
    reading : Reading
        How means are read off it.
    aic_shift : float
        To be added to its AIC, so that all are of the densities of one quantity.
    compares : bool
        Whether its AIC answers the same question as the chosen model's.
    remark : str
    judged : mapping, optional
        What judges each factor, where that does not follow from fit and design.
    """

    name: str
    role: str
    fit: Callable[[], MixedFit]
    design: Design
    reading: Reading
    aic_shift: float = 0.0
    compares: bool = True
    remark: str = ""
    judged: Mapping[str, Judge] | None = None


def other_models(result: ResponseResult) -> list[OtherModel]:
    """The chosen model first, then its alternatives and, for counts, the warning."""
    make = {"poisson": _counts, "binomial": _shares_of_number, "lognormal": _shares_by_mass,
            "normal": _values}  # fmt: skip
    return make[result.specification.family](result)


def _same(result: ResponseResult, name: str, role: str, fit: Callable[[], MixedFit]):
    """A model read as the chosen one is."""
    return OtherModel(name, role, fit, result.design, result.reading)


# ---------------------------------------------------------------- counts
def _levels(result: ResponseResult, row: bool) -> list[str]:
    """The chosen model's random levels, with or without that of the row."""
    levels = [*result.design.nested, *finer_levels(result)]
    return [name for name in levels if row or name != result.specification.row]


def _counts(result: ResponseResult) -> list[OtherModel]:
    row = result.specification.row
    return [
        _same(result, words.with_row_effect("Poisson", row), CHOSEN, lambda: result.fit),
        _same(
            result, words.no_row_effect("Negative binomial", row), OTHER,
            lambda: fit_again(result, _levels(result, False), family="negative_binomial"),
        ),
        _warning(result, words.without_overdispersion("Poisson")),
    ]  # fmt: skip


def _shares_of_number(result: ResponseResult) -> list[OtherModel]:
    row = result.specification.row

    def strips_only() -> MixedFit:
        if "strip" not in result.design.nested:
            raise ModelError(
                f"one {row} a strip: the {row} effect of the chosen model is the strip's effect."
            )
        return fit_again(result, _levels(result, False))

    return [
        _same(result, words.with_row_effect("Binomial", row), CHOSEN, lambda: result.fit),
        _same(
            result, words.no_row_effect("Beta-binomial", row), OTHER,
            lambda: fit_again(result, _levels(result, False), family="beta_binomial"),
        ),
        _same(result, words.strip_effect_only(), OTHER, strips_only),
        _warning(result, words.without_overdispersion("Binomial")),
    ]  # fmt: skip


def _warning(result: ResponseResult, name: str) -> OtherModel:
    """Blocks, but neither strips nor rows, and normal quantiles."""
    blocks = [level for level in result.design.nested if level in ("field", "pair")]
    thing = result.specification.thing.split()[-1]
    return OtherModel(
        name, WARNING, lambda: fit_again(result, blocks, slopes=False, method="ml"),
        result.design, result.reading, judged=dict.fromkeys(result.design.names, np.inf),
        remark=words.independent(thing),
    )  # fmt: skip


# ---------------------------------------------------------------- shares by mass
def _shares_by_mass(result: ResponseResult) -> list[OtherModel]:
    plain = dataclasses.replace(result.reading, log=False)
    logs = result.data["value"]
    data = result.data.assign(share=np.exp(logs))

    def of_share(family: str) -> Callable[[], MixedFit]:
        return lambda: fit_again(
            result, result.design.nested, family=family, response="share", data=data
        )

    return [
        OtherModel(
            words.logarithm_of_share(), CHOSEN, lambda: result.fit, result.design,
            result.reading, 2 * float(logs.sum()),
        ),
        OtherModel(
            words.gamma(), OTHER, of_share("gamma"), result.design, plain,
        ),
        OtherModel(
            words.share_itself(), OTHER, of_share("gaussian"), result.design, plain,
            remark=words.effects_add(),
        ),
    ]  # fmt: skip


# ---------------------------------------------------------------- values
def _values(result: ResponseResult) -> list[OtherModel]:
    spec = result.specification
    models = [_same(result, words.values(spec.ordinal), CHOSEN, lambda: result.fit)]
    values = result.data["value"]
    if not spec.ordinal:
        models.append(
            OtherModel(
                words.logarithm(), OTHER, lambda: _of_logs(result), result.design,
                dataclasses.replace(result.reading, log=True, ratios=True),
                2 * float(np.log(values).sum()) if (values > 0).all() else np.nan,
            )
        )  # fmt: skip
    design = result.design
    if design.strips.groupby(["field", "pair"]).ngroups > 1:
        models.append(
            OtherModel(
                words.fixed_blocks(), OTHER, lambda: _fixed_blocks(result),
                design, result.reading, compares=False,
                judged=dict.fromkeys(design.names, np.inf),  # its own degrees of freedom are exact
                remark=words.these_blocks(),
            )
        )  # fmt: skip
    return models


def _of_logs(result: ResponseResult) -> MixedFit:
    values = result.data["value"]
    none = result.data.loc[values <= 0, "strip"].astype(str)
    if len(none):
        raise ModelError(f"strip {', '.join(none)} is not above zero: it has no logarithm.")
    data = result.data.assign(log_value=np.log(values))
    return fit_again(result, result.design.nested, response="log_value", data=data)


def _fixed_blocks(result: ResponseResult) -> MixedFit:
    """Least squares with a column for every block; main strips keep their random effect."""
    data = result.data.assign(
        block=result.data.groupby(["field", "pair"]).ngroup().astype(str).astype("category")
    )
    if "main_strip" in result.design.nested:  # labels that may repeat between blocks
        keys = ["field", "pair", "main_strip"]
        data["main_strip"] = result.data.groupby(keys).ngroup().astype(str)
    nested = [level for level in result.design.nested if level not in ("field", "pair")]
    return fit_again(
        result, nested, fixed=f"{result.formula} + block", data=data, slopes=False
    )  # fmt: skip


def same_rows(result: ResponseResult) -> str:
    """What the models of one AIC describe: "counts of the same frames"."""
    spec = result.specification
    return words.same_rows(spec.row, spec.family in ("poisson", "binomial"))
