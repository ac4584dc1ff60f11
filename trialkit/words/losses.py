"""What had to be assumed or left out when counts on the ground became grain."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.words.counts import counted

HEADING = "Loss by source, mean over the strips of a setup"
KEY = "Plus or minus the standard error. Single strips and frames: see strips and frames."


def cobs_left_out(told: int, behind: int) -> str:
    """Kernels on pieces of cob were counted in some frames behind the machine only."""
    return (
        f"Kernels on pieces of cob were counted in {told} of {behind} frames behind the machine "
        "only. They are left out, so that strips are counted alike; where there were none, write 0."
    )


def width_assumed(lacking: int, behind: int, width: float, unit: str) -> str:
    """Nobody gave the width that residue fell on, on some strips or all."""
    where = "" if lacking == behind else f" on {lacking} strips"
    return (
        f"The width that residue fell on behind the machine was not given{where} (discharge_width) "
        f"and is assumed to be the header's, {width:.3g} {unit}. Where it fell on less, loss in "
        "threshing and cleaning is overstated."
    )


def spread_over(low: float, high: float, header: float) -> list[str]:
    """Residue fell on less than the header's width; widths in m, the least and the most."""
    wide = f"{low:.3g} m" if low == high else f"{low:.3g} to {high:.3g} m, by strip,"
    said = [
        f"Residue was spread over {wide} of the header's {header:.3g} m; what was found "
        "behind the machine is spread over the whole width."
    ]
    if low < high:
        said.append(
            "Setups are compared at the mean of these widths; where setups differ in it, read "
            "each strip's own value."
        )
    return said


def preharvest_borrowed(strips: int, kind: str) -> str:
    """Strips without a count of what lay there before take that of their pair or field."""
    return (
        f"{counted(strips, 'strip')} {'has' if strips == 1 else 'have'} no preharvest count of "
        f"{kind}; that of the same pair, "
        "else of the same field, was taken off."
    )


def preharvest_inside(fields: Sequence[str], kind: str) -> str:
    """Fields without any count of what lay there before."""
    return (
        f"No preharvest count of {kind} in field {', '.join(fields)}: its header loss still "
        "contains what lay on the ground before harvest."
    )


def kernels_alone() -> str:
    """Ears were searched for, but not one of them could be turned into grain."""
    return "The loss of all kinds at the header is kernels alone."


def kind_lacking(lacking: str, other: str, strips: int | None) -> str:
    """One kind of loss was not counted at the header: on so many strips, None for all."""
    where = "The trial has" if strips is None else f"{strips} strips have"
    return (
        f"{where} no count of {lacking} on the ground the header crossed; the loss of all kinds "
        f"there is {other} alone."
    )


# ---------------------------------------------------------------- ears
def no_ear_mass() -> str:
    """No search tells the grain on an ear."""
    return (
        "No ear search gives a kernel mass or kernel number per ear, so dropped ears could not be "
        "turned into grain."
    )


def ear_mass_borrowed(searches: int, elsewhere: int) -> str:
    """Some searches found ears and do not tell the grain on them; `elsewhere` of these are of
    fields in which no search does."""
    found = (
        f"{counted(searches, 'ear search', 'ear searches')} found ears without a kernel mass "
        "or number per ear; "
    )
    if not elsewhere:
        return f"{found}the mean of the field's other ears was used."
    if elsewhere == searches:
        return (
            f"{found}no other search of the field gives one, so the mean of the ears of other "
            "fields was used."
        )
    return (
        f"{found}the mean of the field's other ears was used, and for {elsewhere} of them, whose "
        "field has none, the mean of the ears of other fields."
    )


def moisture_borrowed(strips: int, base: float) -> str:
    """Some strips have no moisture to bring ears to the base by; `base` in %."""
    return (
        f"{counted(strips, 'strip')} {'has' if strips == 1 else 'have'} no grain moisture; ears "
        "dropped there were brought to "
        f"{base:g} % from the field's mean moisture, else the trial's, else taken as standard."
    )


def ears_not_grain() -> str:
    """The response of dropped ears stays in ears."""
    return "No search gives the grain on an ear, so ears are reported, not kg/ha."


def ear_counts_as(grams: float) -> str:
    """What one ear was taken for in the response of dropped ears."""
    return (
        f"An ear counts as {grams:.0f} g of grain, the mean of all ears found, under every setup; "
        "its own uncertainty is not in the intervals."
    )
