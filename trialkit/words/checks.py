"""What a check of a model says, no stronger than its numbers."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.display import decimals, number, p_is
from trialkit.quantities import difference_unit, scales
from trialkit.words.counts import plural

# Units that are named before the rest is counted.
NAMED = 5


def _adjusted(text: str, p: float) -> str:
    return f"{text[0].upper()}{text[1:]} (p {p_is(p)}, adjusted for the number of checks)."


def residuals(p: float) -> str:
    return _adjusted("residuals are shaped differently from the model's", p)


def dispersion(ratio: float, p: float) -> str:
    text = f"counts vary about their units {number(ratio, 2)} times as much as they should"
    return _adjusted(text, p)


def zeros(observed: float, expected: float, row: str, thing: str, p: float) -> str:
    return _adjusted(
        f"{number(observed, 0)} {plural(row)} hold no {thing} where {expected:.3g} fit", p
    )


def unit_effects(level: str, p: float) -> str:
    name = level.replace("_", " ")
    return _adjusted(
        f"the effects of {name}s are not those of a normal law: one stands far out", p
    )


def unit_named(unit: str, field: str, pair: str, several: bool) -> str:
    """ "pair 3", with its field where there are several."""
    if unit == "field":
        return f"field {field}"
    return f"pair {pair} of field {field}" if several else f"pair {pair}"


def stands_apart(
    named: str, label: str, what: str, own: float, others: float, spread: float, unit: str,
    system: str, source: str, p: float,
) -> str:  # fmt: skip
    """A block whose own comparison is far from those of the others.

    Parameters
    ----------
    what : {"ratio", "odds ratio", "difference", "share"}
        Of which `own` and the mean of the `others` are: a ratio itself, a share of what was found
        in the block, or a difference in the result's `unit`.
    spread : float
        Standard deviation of the others.
    source : str
        Where to look its values up again.
    """
    if what == "share":
        effects = (
            f"a difference of {number(100 * own, 0)} % of what was found in the block there and of "
            f"{number(100 * others, 0)} %"
        )
    elif what == "difference":
        scale = scales(unit, system)[0]
        places = decimals(scale.factor * spread)
        there, elsewhere = (number(scale.factor * v, places) for v in (own, others))
        effects = (
            f"a difference of {there} {difference_unit(scale.unit)} there and of {elsewhere}"
        )
    else:
        article = "an" if what[0] in "aeiou" else "a"
        effects = f"{article} {what} of {number(own, 2)} there and of {number(others, 2)}"
    return _adjusted(
        f"{named} stands apart from the other pairs: {label} against its reference has {effects} "
        f"over the others; check its {source}", p,
    )  # fmt: skip


# ---------------------------------------------------------------- what one unit decides
def _influence(text: str, label: str, missing: int = 0, unit: str = "") -> str:
    """`label` names the contrast where there are several."""
    lead = f"{label} against its reference: " if label else ""
    tail = f" {missing} {unit}s cannot be left out." if missing else ""
    return f"{lead}{text if lead else text[0].upper() + text[1:]}{tail}"


def indispensable(unit: str, label: str) -> str:
    return _influence(f"the model cannot do without any {unit}.", label)


def changes_nothing(
    unit: str, label: str, ratio: bool, low: float, high: float, half: float, missing: int
) -> str:
    """What is told apart stays so; `half` is half the width of an interval."""
    what, places = ("ratio", 2) if ratio else ("difference", decimals(half))
    ends = f"{number(low, places)} and {number(high, places)}"
    return _influence(
        f"leaving out any one {unit} changes the {what} to between {ends}, and not what is told "
        "apart.", label, missing, unit,
    )  # fmt: skip


def without_it(
    ratio: bool, value: float, low: float, high: float, p: float, adjusted: bool
) -> str:
    """The answer without a unit."""
    name = "ratio" if ratio else "difference"
    places = 2 if ratio else decimals((high - low) / 2)
    found, least, most = (number(v, places) for v in (value, low, high))
    also = " adjusted for the number of setups" if adjusted else ""
    return f"the {name} is {found} ({least} to {most}), p {p_is(p)}{also}"


def one_decides(
    unit: str, named: str, label: str, answer: str, before: bool, level: float, missing: int
) -> str:
    """`before` says whether the setup is told apart with everything in."""
    after = "is no longer" if before else "would be"
    return _influence(
        f"one {unit} decides the result: without {named} {answer}, and the setup {after} told "
        f"apart at {100 * level:g} %.", label, missing, unit,
    )  # fmt: skip


def several_decide(
    unit: str, named: Sequence[str], of: int, label: str, answer: str, before: bool, level: float,
    missing: int,
) -> str:  # fmt: skip
    """Any one of several units would change what is told apart."""
    some = named if len(named) == NAMED + 1 else named[:NAMED]
    shown = ", ".join(some)
    if len(named) > len(some):
        shown += f" and {len(named) - len(some)} more"
    return _influence(
        f"the result is on the edge: without any one of {len(named)} of {of} {unit}s ({shown}) the "
        f"setup is {'no longer' if before else 'then'} told apart at {100 * level:g} %; without "
        f"the one that moves it most {answer}.", label, missing, unit,
    )  # fmt: skip


# ---------------------------------------------------------------- the verdict
def lead(shape: str) -> str:
    """What the findings about the model's shape come to: "doubt", "note" or "quiet"."""
    return {
        "doubt": "The model is doubtful.",
        "note": "Something leans against the model.",
        "quiet": "The checks of fit find no fault in the model.",
    }[shape]


def only_gross_faults(strips: int) -> str:
    return f"With {strips} strips only gross faults would show."


def heading(title: str) -> str:
    return f"{title}: does the model hold?"


def without_each() -> str:
    return "The answer without each pair and field"


# ---------------------------------------------------------------- while it is done
def simulating() -> str:
    return "Effects of simulated data"


def leaving_out(unit: str, n: int, of: int) -> str:
    return f"Leaving out {unit} {n} of {of}"
