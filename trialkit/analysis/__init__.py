"""From a trial to the models its design calls for.

The design decides the model, not the data: setup factors are fixed (with two-way interactions
where their combinations were run), fields, pairs, main strips, strips and single frames or samples
are normal effects on the log or logit scale, and with three or more fields a setup's effect
varies between them. A comparison is the whole effect of choosing a setup. It is adjusted only for
what was fixed before the setup was applied: grain moisture where strips of a pair were cut on one
day, and the gap measured on the headers where several of them ran the strips and are set apart
neither by the setups nor by the pairs (`covariates`). Measured ground speed follows from how a
setup lets one drive: a second answer is adjusted for it (`at_same`). The settings may ask
otherwise. `estimates` states the approximations.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from trialkit.analysis.asked import ResponseAnalysis, TrialAnalysis
from trialkit.analysis.family import hold_down, hold_families
from trialkit.analysis.gaps import with_measured_gaps
from trialkit.analysis.questions.at_levels import effects_at
from trialkit.analysis.questions.crossing import crossing
from trialkit.analysis.questions.curves import effect_curve
from trialkit.analysis.questions.equivalence import equivalence, no_more_than
from trialkit.analysis.questions.ordinal import ordinal_model
from trialkit.analysis.questions.surface import response_surface
from trialkit.analysis.responses import analyse_response
from trialkit.analysis.specifications import SPECIFICATIONS, STILL
from trialkit.contradictions import contradictions
from trialkit.errors import DesignError, ModelError
from trialkit.responses.fate import told
from trialkit.trial import Trial
from trialkit.words import fates as fate_words
from trialkit.words import model as words
from trialkit.words import said

__all__ = [
    "SPECIFICATIONS",
    "ResponseAnalysis",
    "TrialAnalysis",
    "analyse",
    "crossing",
    "effect_curve",
    "effects_at",
    "equivalence",
    "no_more_than",
    "ordinal_model",
    "response_surface",
]


def analyse(
    trial: Trial, *, level: float = 0.95, responses: Iterable[str] | None = None,
    progress: Callable[[str], None] | None = None,
) -> TrialAnalysis:  # fmt: skip
    """Analyse every response the trial has data for.

    Strips that their status leaves out take no part (`trialkit.responses.fate`) and are counted
    among the warnings.

    Parameters
    ----------
    trial : Trial
    level : float
        Confidence level of the intervals, above 0 and below 1.
    responses : iterable of str, optional
        Names of `SPECIFICATIONS` to analyse; all that the trial has data for unless told. Those
        that are analysed together are the family that p-values are adjusted for (`family`): of a
        few alone, the comparisons of the others do not count.
    progress : callable, optional
        Called with what is being done, in words.

    Returns
    -------
    TrialAnalysis
        Responses that cannot be analysed stand in ``skipped`` with the reason; so do those whose
        analysis broke off with any other error.

    Raises
    ------
    DesignError
        When no response can be analysed; the message gives the reasons and what to do.
    ValueError
        For a level outside 0 to 1 or an unknown response.
    """
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, not {level!r}.")
    names = list(SPECIFICATIONS if responses is None else responses)
    if unknown := [name for name in names if name not in SPECIFICATIONS]:
        raise ValueError(
            f"no response {', '.join(map(repr, unknown))}; choose from {', '.join(SPECIFICATIONS)}."
        )
    whole, trial = trial, trial.used
    if trial.strips.empty and len(whole.strips):
        raise DesignError(fate_words.all_left_out())
    losses = trial.losses()
    measured = with_measured_gaps(trial)
    done: dict[str, ResponseAnalysis] = {}
    skipped: dict[str, str] = {}
    for name in names:
        spec = SPECIFICATIONS[name]
        if not spec.expected and not spec.given(trial.tables):
            continue
        if progress is not None:
            progress(words.fitting(name))
        try:
            done[name] = analyse_response(spec, measured, losses, level)
        except DesignError as error:
            skipped[name] = str(error)
        except ModelError as error:
            why = str(error).strip().rstrip(".")
            skipped[name] = words.none_fitted(spec.title, why, STILL)
        except Exception as error:  # a fault of ours in one response must not cost the others
            why = " ".join(str(error).split()).rstrip(".")
            skipped[name] = words.broke_off(spec.title, type(error).__name__, why, STILL)
    if not done:
        reasons = (reason.removesuffix(STILL).rstrip() for reason in skipped.values())
        left = [STILL] if any(reason.endswith(STILL) for reason in skipped.values()) else []
        unfilled = [trial.to_fill] if trial.to_fill else []
        raise DesignError(
            " ".join([*_refused(trial), *dict.fromkeys(reasons), *left, *unfilled])
            or "The trial holds no data of these responses."
        )
    found = said(contradictions(trial))
    warnings = (*_refused(trial), *filter(None, [told(whole.strips)]), *_seasons(trial),
                *found, *losses.notes)  # fmt: skip
    held, lost = hold_down(hold_families(done, trial.config.model.primary), whole)
    return TrialAnalysis(whole, losses, held, skipped, level, warnings, lost)


def _refused(trial: Trial) -> list[str]:
    """Strips that never reached the trial, and cells of the others, and why: no analysis can name
    them."""
    files = trial.read.loc[trial.read["table"].eq("strips"), "file"]
    faults = trial.refused[trial.refused["file"].isin(files)]
    told = []
    for lost in ("row", "cell"):
        of_kind = faults[faults["lost"] == lost]
        if of_kind.empty:
            continue
        first = of_kind.iloc[0]
        place = (first["file"], int(first["line"]), first["column"] or "row", first["value"],
                 first["expected"])  # fmt: skip
        if lost == "row":
            told.append(words.strips_refused(of_kind["line"].nunique(), *place))
        else:
            dated = bool(of_kind["column"].eq("harvested_at").any())
            told.append(words.strips_lack(len(of_kind), *place, dated))
    return told


def _seasons(trial: Trial) -> list[str]:
    years = trial.strips["harvested_at"].dropna().dt.year.value_counts().sort_index()
    if len(years) < 2:
        return []
    return [words.several_years(list(years.items()))]
