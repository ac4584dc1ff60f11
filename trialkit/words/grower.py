"""One grower's page: what it says of the own fields beside the others'."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.facts import Grade
from trialkit.quantities import listed, lower_first, upper_first
from trialkit.words.counts import counted


# ---------------------------------------------------------------- the head of the page
def whose(fields: Sequence[str], capital: bool = False) -> str:
    """ "my 2 fields", or the name of the only one."""
    if len(fields) == 1:
        return fields[0]
    words = f"my {len(fields)} fields"
    return upper_first(words) if capital else words


def of_whom(grower: str, fields: Sequence[str], others: int) -> str:
    """Whose page it is, on which fields of how many."""
    own = f"{grower}: " if grower else ""
    rest = f" of {counted(len(fields) + others, 'field')}" if others else ""
    # How many there are is told where it is not seen at once.
    several = f" ({len(fields)}{rest})" if rest or len(fields) > 1 else ""
    return f"{own}{listed(fields)}{several}"


def own_alone() -> str:
    """Where the trial ran on one field."""
    return "The trial ran on this field alone: all figures here are its own."


def not_measured(fields: str) -> str:
    """Where no field of the grower's has both setups."""
    return f"{fields}: not measured with both setups."


def own_measured(each: str) -> str:
    """Figures of single fields as measured."""
    return f"{each} (measured)."


def own_modelled(each: str, together: str) -> str:
    """Figures of single fields by the model."""
    return (
        f"{each}. A field's figure is the model's, drawn towards all fields together: "
        f"{together}."
    )


# ---------------------------------------------------------------- fields
def fields_title(others: bool) -> str:
    """Heading."""
    return "My fields against the others" if others else "Field by field"


def only_field(field: str) -> str:
    """Where there is nothing to compare a field with."""
    return (
        f"{field} was the trial's only field, so there is no other to compare "
        "it with, and nothing here tells how a second field would answer."
    )


def field_by_field(label: str, reference: str) -> str:
    """What is compared."""
    return f"{upper_first(label)} against {reference}, field by field."


def lettered() -> str:
    """What stands for others' names."""
    return "Fields of other growers go by letters."


def odds_by_field() -> str:
    """Why a model of scores or shares has no figure of its own for a field."""
    return "By the model a field's effect is a ratio of odds; measured figures stand here."


def fields_caption(whose: str, percent: str, modelled: bool) -> str:
    """Under the figure of fields."""
    caption = (
        f"Diamonds and bold: {whose}. Rings: the others. Bar: {percent} interval. "
        "Wide diamond: all fields together."
    )
    return f"{caption} Cross: the field's own strips alone." if modelled else caption


def few_pairs() -> str:
    """How to read figures of single fields without a model."""
    return (
        "Each bar is a field's own pairs alone; few pairs make long bars. Where the bars of "
        "two fields overlap widely, the trial has not shown that they differ."
    )


def together_outside(by_ratio: bool) -> str:
    """Why the figure of all fields lies beyond those of every single one."""
    why = (
        "it compares by ratio, so one very high count moves it less than plain differences"
        if by_ratio
        else "it weighs pairs, and whatever else was set, otherwise than plain differences do"
    )
    return (
        "All fields together lies beyond every field's own figure: those are plain differences of "
        f"what was measured, while all fields together, as in the headline, is the model's: {why}."
    )


def together(share: str) -> str:
    """The mean effect."""
    return f"All fields together: {share}."


def fields_differ(grade: Grade, p: str, pairs: int) -> str:
    """How sure it is that the effect differs between fields.

    Parameters
    ----------
    grade : Grade
        Of the test of their spread.
    p : str
        "= 0.03".
    pairs : int
        The most that a field has.
    """
    if grade is Grade.OPEN:
        return (
            "The trial cannot tell the effect in one field from that in another, which is not the "
            "same as being equal; the model's figures therefore lie close together."
        )
    signs = {Grade.CLEAR: "clear signs", Grade.GOOD: "signs"}.get(grade, "weak signs")
    return (
        f"There are {signs} (p {p}) that the effect differs between "
        f"fields; with {counted(pairs, 'pair')} a field no single field's figure is sure."
    )


def further_field(effect: str) -> str:
    """What another field may show."""
    return f"In a further field like these: {effect}."


def drawn_together(reference: str) -> str:
    """What the model's figure of a field is."""
    return (
        f"Per cent are of the mean with {reference} over all fields. A field's figure by the model "
        "is drawn towards that of all fields, the more so the less its own strips say."
    )


def measured_heads(units: Sequence[str]) -> list[str]:
    """Heads of columns with differences as measured."""
    return [f"measured in this field, {unit}" for unit in units]


def modelled_heads() -> list[str]:
    """Heads of columns with effects in per cent, of a field alone and by the model."""
    return ["measured, % of all fields' mean", "by the model, drawn to the mean, %"]


def differences_caption(title: str, label: str, reference: str, percent: str) -> str:
    """Over the table of fields."""
    return f"{title}: {label} minus {reference}, with {percent} intervals; below zero is less"


# ---------------------------------------------------------------- setups side by side
def beside_title() -> str:
    """Heading."""
    return "The setups side by side"


def as_it_lay() -> str:
    """What plain means are, beside the headline."""
    return (
        "What was measured, as it lay on the ground: plain means over strips. The headline is "
        "the model's, which weighs pairs and whatever else was set, so it need not be their exact "
        "difference."
    )


def marks(label: str) -> str:
    """Under a figure of setups; their factor's label, "" where it has none."""
    return f"{label or 'Setups'}: large marks are means, small ones below them single strips."


def means_caption(title: str, factor: str, unit: str, other: str, least: int, most: int) -> str:
    """Over the table of means."""
    brackets = f", in brackets {other}" if other else ""
    over = counted(most, "strip") if least == most else f"{least} to {most} strips"
    return f"{title} by {lower_first(factor) or 'setup'}, {unit}{brackets}; means of {over}"


# ---------------------------------------------------------------- conditions
def conditions_title() -> str:
    """Heading."""
    return "When the answer changes"


def cannot_tell_title() -> str:
    """Heading over what is not there."""
    return "What this trial cannot tell"


def not_by_lot(what: str) -> str:
    """What a covariate carries with it."""
    return (
        f"{what} was not set by lot (drawn at random): what went with it, such as hybrid, day or "
        "field, is part of this."
    )


def effect_changes(grade: Grade, name: str) -> str:
    """How sure it is that the effect changes with something, by the grade of its test."""
    return {
        Grade.CLEAR: f"The effect clearly changes with {name}",
        Grade.GOOD: f"The effect changes with {name}",
        Grade.LEANING: f"The effect may change with {name}",
        Grade.OPEN: f"The trial cannot tell whether the effect changes with {name}",
    }[grade]


def between(sentence: str, low: str, high: str, unit: str) -> str:
    """A sentence with its range."""
    return f"{sentence} between {low} and {high} {unit}."


def curve_caption(percent: str) -> str:
    """Under an effect along moisture or speed."""
    return (
        f"Line: the effect. Dark band: {percent} interval at one value. Pale band: for all "
        "values together. Below: the strips."
    )


def itself_compared() -> str:
    """Where speed is the setup."""
    return "Ground speed is itself the setup that is compared here."


def intervals_caption(label: str, reference: str, percent: str) -> str:
    """Over a table of effects."""
    return f"{upper_first(label)} against {lower_first(reference)}, {percent} intervals"


def turning(
    at: Sequence[str], within: Sequence[tuple[str, str]], whole: bool, unit: str, percent: str
) -> str:
    """Where the effect turns.

    Parameters
    ----------
    at : sequence of str
        Where the estimate changes its side.
    within : sequence of (str, str)
        Where no effect is within the interval.
    whole : bool
        Whether that is the whole range.
    unit, percent : str
    """
    if not within:
        return f"Over that whole range there is a difference (by the {percent} interval)."
    where = (
        f"The estimate turns from less to more, or back, at {' and '.join(at)} {unit}"
        if at
        else "The estimate keeps its side over the whole range"
    )
    if whole:
        return f"{where}; no value in it can be ruled out as the turning point ({percent})."
    parts = [f"at {a} {unit}" if a == b else f"from {a} to {b} {unit}" for a, b in within]
    return f"{where}; {' and '.join(parts)} no difference at all is still possible ({percent})."


def cheapest_title() -> str:
    """Heading."""
    return "The speed at which loss and time cost least"


def test_title() -> str:
    """What opens the words of a test."""
    return "For the record: the test"


def not_known_beyond() -> str:
    """Of a best speed at the end of those run."""
    return "not known beyond it"


def cheapest_caption(speed: str) -> str:
    """Over the table of speeds."""
    return f"Ground speed at which grain lost and time together cost least, {speed}"


def cost_caption() -> str:
    """Under the figure of costs."""
    return "Grain lost at the header, time, and both together."


def if_an_hour(cost: str, example: bool, width: str, efficiency: str) -> str:
    """What the words beside the table are worked out with."""
    return (
        f"If an hour of combining costs {cost}{', an example' if example else ''} (the table "
        f"has others), on a header {width} wide at {efficiency} % field efficiency:"
    )


def several_speeds() -> str:
    """What it takes to tell how loss goes with speed."""
    return "It takes strips run at different ground speeds to tell."


# ---------------------------------------------------------------- damage, what to keep in mind
def headline_already() -> str:
    """Where damage is the headline."""
    return "They are what the headline is about."


def no_grain_looked_at() -> str:
    """Why there is nothing to tell of damage."""
    return "No grain sample was looked at."


def keep_in_mind() -> tuple[str, str]:
    """What figures of money leave out, and what they are."""
    return (
        "Figures of money count grain at the header and what was put in; not fuel, wear of the "
        "combine, grade discounts or harvest time lost while changing over.",
        "Agronomic and money figures are aids to a decision, not guarantees.",
    )


def names_of_others(agreed: bool) -> str:
    """What stands for others' names."""
    shown = "shown as agreed" if agreed else "letters"
    return f"Names of other growers and their fields are {shown}."
