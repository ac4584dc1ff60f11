"""The field-day page: what its parts say beside the comparisons themselves."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.quantities import listed, lower_first, number, upper_first
from trialkit.words.counts import counted


def in_other_units(amount: str) -> str:
    """The difference once more."""
    return f"In other units: {amount}."


def not_shown(reason: str) -> str:
    """In place of a part."""
    return f"Not shown. {reason}"


def no_data() -> str:
    """Why a part is not there, where nothing else is known."""
    return "The trial has no data for it."


def no_price() -> str:
    """Why money cannot be spoken of."""
    return "The trial gives no price of grain."


# ---------------------------------------------------------------- loss and damage
def loss_title() -> str:
    """Heading."""
    return "Loss at the header, setup by setup"


def damage_title() -> str:
    """Heading."""
    return "Damaged kernels in the grain tank"


def strip(label: str, reference: str) -> str:
    """What a strip is, by the two setups of the headline."""
    return (
        "A strip is one pass of the combine with one setup, such as "
        f"{lower_first(label)} or {lower_first(reference)}."
    )


def other_pictures() -> str:
    """What opens the figures of further factors."""
    return "The other setups in pictures"


def means_caption(title: str, percent: str) -> str:
    """Over a table of adjusted means."""
    return f"{title}: adjusted mean and {percent} interval"


def strips_together(word: str) -> str:
    """Why the strips of a pair (block) may be compared."""
    return (
        f"Strips of one {word} belong side by side in the same field and on the same "
        f"day; then what differs inside a {word} is the setup and the luck of the sample. "
        "If the lines mostly run the same way, the setup is the likelier reason."
    )


# ---------------------------------------------------------------- money
def worth_title() -> str:
    """Heading."""
    return "What it is worth"


def time_aside() -> str:
    """Where the time is told that the sum leaves out."""
    return "Time is not in this sum: see What to try."


# ---------------------------------------------------------------- what else, what next
def also_title() -> str:
    """Heading."""
    return "What else was counted"


def nothing_else() -> str:
    """Where no other response compares the setups."""
    return "Nothing else was counted that compares the setups."


def unknown_title() -> str:
    """Heading."""
    return "What we do not know"


def one_season(season: object, fields: int) -> str:
    """How far one trial reaches."""
    return (
        f"One season ({season}) and {counted(fields, 'field')}: another year, "
        "hybrid or soil may answer differently."
    )


def hidden() -> str:
    """What an open comparison leaves."""
    return (
        "Where the page says the trial cannot tell two setups apart, the range shows how "
        "large a difference may still be hiding."
    )


def estimates() -> str:
    """What figures of money and agronomy are."""
    return "Agronomic and money figures are estimates for a decision, not guarantees."


def other_fields(label: str, alike: str) -> str:
    """How alike fields are in the headline's comparison."""
    return f"{upper_first(label)} on other fields: {alike[:1].lower()}{alike[1:]}"


# ---------------------------------------------------------------- how it was measured
def measured_title() -> str:
    """Heading."""
    return "How it was measured"


def laid_out(strips: int, pairs: int, word: str, fields: int) -> str:
    """How many strips there were."""
    return (
        f"{upper_first(counted(strips, 'strip'))} in {counted(pairs, word)} on "
        f"{counted(fields, 'field')}."
    )


def frames(n: int, zones: Sequence[str]) -> str:
    """How many frames were laid, and where."""
    return f"Loose kernels counted in {counted(n, 'frame')} on the ground: {listed(zones)}."


def grain_samples(n: int) -> str:
    """How many samples were looked through."""
    return f"{counted(n, 'grain sample')} looked through for damaged kernels."


def moisture(between: str) -> str:
    """How moist the grain was."""
    return f"Grain moisture {between} %."


def thanks(names: Sequence[str], agreed: bool) -> str:
    """Thanks to those who gave ground and time, by name if they agreed."""
    if agreed and names:
        who = f"{listed(names)}, who"
    elif names:
        who = f"the {counted(len(names), 'grower')} who" if len(names) > 1 else "the grower who"
    else:
        who = "those who"
    return f"Thanks to {who} gave ground, corn and time to this trial."


# ---------------------------------------------------------------- for the record
def lot_not_known() -> str:
    """No plan is kept with the trial."""
    return (
        "No plan is kept with this trial, so that lots decided which strip got which setup is not "
        "shown here; if they did not, something else may lie behind a difference."
    )


def simulated() -> str:
    """That no field stands behind a page."""
    return "Simulated data: growers, fields, counts and prices are invented."


def loss_is() -> str:
    """How loss at the header is reckoned."""
    return "Loss at the header is what lies where it has passed, less what lay in standing corn."


def ears_searched(n: int) -> str:
    """How many areas were searched for ears."""
    return f"Dropped ears searched for on {counted(n, 'area')}."


def kernels_reckoned(mass: float, stated: bool, moisture: float) -> str:
    """Mass and moisture of the kernels counted."""
    taken = "" if stated else " (assumed, not weighed)"
    return (
        f"Kernels were reckoned at {number(mass, 0)} g a "
        f"thousand{taken}, {number(moisture, 1)} % moisture."
    )


def record_title() -> str:
    """What opens the record."""
    return "Data quality and models"


def made_with(version: str, day: str, fingerprint: str, names: str) -> str:
    """From what a page can be made again, and what became of names."""
    return (
        f"Made with trialkit {version} on {day}. Data "
        f"fingerprint (SHA-256): {fingerprint}. {names}".rstrip()
    )


def names_shown(agreed: bool) -> str:
    """What stands for the names of growers and fields."""
    shown = "fields shown as agreed." if agreed else "fields are letters."
    return f"Names of growers and {shown}"
