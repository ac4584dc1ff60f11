"""Models as statements of two general statistics languages, R and PROC GLIMMIX.

Both are written from one `StatedModel`; what they have in common and what not says
`words.statements`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from textwrap import wrap

from trialkit.analysis.model_rows import AHEAD, RandomTerm, StatedModel
from trialkit.pages.elements import Code, Element, Folded, Heading, Sentence, bullets
from trialkit.quantities import lower_first
from trialkit.words import statements as words

_WIDE = 84  # characters of a line of comment
_LAWS = {"poisson": 'poisson(link = "log")', "binomial": 'binomial(link = "logit")',
         "gaussian": "gaussian()"}  # fmt: skip
_DISTRIBUTIONS = {"poisson": "dist=poisson link=log", "binomial": "dist=binomial link=logit",
                  "gaussian": "dist=normal link=identity"}  # fmt: skip


def printed(models: Sequence[StatedModel], integrated: bool) -> Iterable[Element]:
    """A response's model, and what is taken off after it, in both languages; what differs.

    Parameters
    ----------
    models : sequence of StatedModel
        Of one response, its own first.
    integrated : bool
        Whether comparisons integrate over the spread of their error.
    """
    own = models[0]
    gaussian = own.family == "gaussian"
    zero = [term for model in models for term in _zeros(model)]
    told = [
        words.columns(),
        words.law(own.family, own.logarithm),
        *words.likelihoods(gaussian),
        *([words.one_variance()] if _shared(own) else []),
        words.standard_errors(gaussian),
        words.integrated() if integrated else words.layout_df(),
        *([words.zero_variances(zero)] if zero else []),
        words.mean(own.family, own.logarithm, own.scale, own.unit),
    ]
    if own.taken_off is not None:
        told.append(words.taken_off(own.taken_off, own.unit, len(models) > 1))
    yield Heading(words.title(), 3)
    yield Sentence(words.inside(lower_first(own.title)))
    yield bullets([*told, words.not_run()])
    for title, script in ((words.by_r(), in_r(models)), (words.by_glimmix(), in_glimmix(models))):
        yield Folded(Heading(title, 4), (Code(script, title),))


# ---------------------------------------------------------------- R
def in_r(models: Sequence[StatedModel]) -> str:
    """A script that fits the models to the rows in ``model_rows.csv``."""
    texts = sorted({name for m in models for name in m.factors})
    classes = ", ".join(f'{name} = "character"' for name in texts)
    head = [
        *_comments("# ", words.script(words.R)),
        "library(lme4)",
        "library(glmmTMB)",
        'rows <- read.csv("model_rows.csv", fileEncoding = "UTF-8-BOM",',
        f"                 colClasses = c({classes}))",
    ]
    return _joined(head, models, _r)


def _r(model: StatedModel) -> list[str]:
    response, part = model.rows.columns[:2]
    name = "ahead" if model.part == AHEAD else "fit"
    lines = _comments("# ", _told(model))
    lines.append(
        f"d <- subset(rows, {response} == {_r_text(model.response)} & {part} == "
        f"{_r_text(model.part)})"
    )
    for factor, levels in model.factors.items():
        own = ", ".join(map(_r_text, levels))
        lines.append(f"d${factor} <- factor(d${factor}, levels = c({own}))")
    y = f"cbind({model.y}, {model.size} - {model.y})" if model.family == "binomial" else model.y
    offset = [f"offset({model.offset})"] if model.offset else []
    terms = [model.fixed, *offset, *map(_r_random, model.random)]
    lines += [f"{name} <- {_r_function(model)}(", f"  {y} ~ {_broken(terms, ' +')},"]
    lines += [f"  data = d{_r_options(model)}", ")", f"summary({name})"]
    lines.append(f"logLik({name}, REML = TRUE)" if not model.random else f"logLik({name})")
    if model.part == AHEAD:
        value = f"{model.scale!r} * exp(fixef(ahead)$cond[[1]] + spread / 2)"
        told = words.found_off(model.taken_off or 0.0, model.unit)
        lines += ["spread <- sum(unlist(VarCorr(ahead)$cond))", f"before <- {value}  # {told}"]
    return lines


def _r_function(model: StatedModel) -> str:
    if not model.random:
        return "lm"
    return "lmer" if model.family == "gaussian" and not _shared(model) else "glmmTMB"


def _r_options(model: StatedModel) -> str:
    function = _r_function(model)
    if function == "lm":
        return ""
    if function == "lmer":
        return ", REML = TRUE"
    out = f", family = {_LAWS[model.family]}, REML = TRUE"
    if not _shared(model):
        return out
    sizes = [max(len(term.columns), 1) for term in model.random]
    same = ", ".join(str(i + 1) for i, size in enumerate(sizes) for _ in range(size))
    # From zero the search of values in large units ends elsewhere.
    start = "log(sd(d$y) / 2)".replace("y", model.y) if model.family == "gaussian" else "0"
    return (
        f"{out},\n  map = list(theta = factor(c({same}))),\n"
        f"  start = list(theta = rep({start}, {sum(sizes)}))"
    )


def _r_random(term: RandomTerm) -> str:
    if not term.columns:
        return f"(1 | {term.unit})"
    inside = f"0 + {' + '.join(term.columns)} | {term.unit}"
    return f"({inside})" if len(term.columns) == 1 else f"diag({inside})"


def _r_text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _shared(model: StatedModel) -> bool:
    """Whether several columns have one variance."""
    return any(len(term.columns) > 1 for term in model.random)


# ---------------------------------------------------------------- PROC GLIMMIX
def in_glimmix(models: Sequence[StatedModel]) -> str:
    """Steps that fit the models to the rows in ``model_rows.csv``."""
    head = [
        *_comments("/* ", words.script(words.GLIMMIX), " */"),
        'proc import datafile="model_rows.csv" out=model_rows dbms=csv replace;',
        "  guessingrows=max;",
        "run;",
    ]
    return _joined(head, models, _glimmix)


def _glimmix(model: StatedModel) -> list[str]:
    response, part = model.rows.columns[:2]
    gaussian = model.family == "gaussian"
    classes = [f"{name} (ref={_sas_text(own[0])})" for name, own in model.factors.items()]
    classes += dict.fromkeys(term.unit for term in model.random)
    y = f"{model.y}/{model.size}" if model.family == "binomial" else model.y
    fixed = " ".join(term.replace(":", "*") for term in model.terms)
    options = [_DISTRIBUTIONS[model.family], f"offset={model.offset}" if model.offset else "",
               "ddfm=kr" if gaussian else "", "solution"]  # fmt: skip
    lines = _comments("/* ", _told(model), " */")
    lines += [
        f"proc glimmix data=model_rows method={'rspl' if gaussian else 'laplace'};",
        f"  where {response} = {_sas_text(model.response)} and {part} = {_sas_text(model.part)};",
        *([f"  class {_broken(classes, '', 3)};"] if classes else []),
        f"  model {y} = {fixed} / {' '.join(filter(None, options))};".replace("=  /", "= /"),
    ]
    for term in model.random:
        kind = " type=toep(1)" if len(term.columns) > 1 else ""
        effects = " ".join(term.columns) or "intercept"
        lines.append(f"  random {effects} / subject={term.unit}{kind};")
    return [*lines, "run;"]


def _sas_text(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


# ---------------------------------------------------------------- of both
def _told(model: StatedModel) -> list[str]:
    law = words.law(model.family, model.logarithm)
    own = [words.before(model.title)] if model.part == AHEAD else [f"{model.title}.", law]
    zero = _zeros(model)
    told = [*own, words.found(model.fit.loglik, model.loglik_ml)]
    return [*told, *([words.found_zero(zero)] if zero else [])]


def _zeros(model: StatedModel) -> list[str]:
    """Terms whose variance is estimated at zero."""
    return [" ".join((*t.columns, t.unit)) for t in model.random if t.variance == 0]


def _comments(sign: str, texts: Iterable[str], end: str = "") -> list[str]:
    """Comments, none of which ends before its end."""
    lines = (line for text in texts for line in wrap(text.replace("*/", "* /"), _WIDE))
    return [f"{sign}{line}{end}" for line in lines]


def _broken(parts: Sequence[str], between: str, per_line: int = 1) -> str:
    """Parts over several lines."""
    lines = [" ".join(parts[i : i + per_line]) for i in range(0, len(parts), per_line)]
    return f"{between}\n    ".join(lines)


def _joined(
    head: Sequence[str], models: Iterable[StatedModel], state: Callable[[StatedModel], list[str]]
) -> str:
    return "\n".join([*head, *(line for m in models for line in ("", *state(m)))]) + "\n"
