"""Ear butts against a gap, in sentences; lengths in mm, said in the units of a system."""

from __future__ import annotations

from trialkit.display import number
from trialkit.words.lengths import Lengths, percent_of


def reach(
    gap: float, ears: int, reached: int, interval: tuple[float, float], system: str,
    which: str = "",
) -> str:  # fmt: skip
    """How many of the ears measured would reach the rolls.

    ``interval`` is that of their share; ``which`` names the gap where it is not any: of `the_gap`.
    """
    at = f"At the gap {which}," if which else "At a gap of"
    many = (
        f"{reached} of {ears} ear butts would reach the rolls and may shell: "
        f"{percent_of(reached / ears)}"
        if reached
        else f"none of the {ears} ear butts measured would reach the rolls: 0 %"
    )
    low, high = interval
    return (
        f"{at} {Lengths(system).exact(gap)}, by diameter alone {many}, the true figure is likely "
        f"between {percent_of(low).split()[0]} and {percent_of(high)}."
    )


def the_gap(read: bool) -> str:
    """The gap that the rear reads, or the one to aim at there."""
    return "as the rear reads" if read else "to aim at there"


def few_ears(ears: int) -> str:
    return f"{ears} ears are few: measure 20 to 30 in each field."


def gap_for_share(share: float, gap: float, low: float, high: float, system: str) -> str:
    """The gap at which a share of butts would reach the rolls."""
    say = Lengths(system)
    return (
        f"{percent_of(share)} of butts would reach the rolls at a gap of {say.exact(gap)}, likely "
        f"between {say.exact(low)} and {say.exact(high)}, if diameters scatter as a bell curve."
    )


def assumed() -> str:
    """What counting diameters takes for granted."""
    return (
        "It is assumed that an ear comes down butt first onto the plates, that its butt is round "
        "and does not give, and that it passes between the plates where it is narrower than the "
        "gap. Husks hold a butt up, a hard pull on the shank draws it in, and a rounded butt wider "
        "than the gap dips some way between the plates: with rolls or knives close below, more "
        "butts touch them. Where a cushion covers the plates' edges, the opening it leaves is the "
        "gap that counts."
    )


def dips(depth: float, system: str) -> str:
    """From which depth a butt is counted."""
    return (
        f"A butt is counted that dips {Lengths(system).exact(depth)} below the plates' upper face, "
        "as a ball of its diameter would."
    )


def heading() -> str:
    return "Ear butts and the gap"


def none_measured() -> str:
    """Where no ear butt was measured."""
    return (
        "Keep the gap narrower than the butts of the ears. How many of yours would reach the rolls "
        "is told once some are measured (table ear_butts: field, diameter)."
    )


def count_damage() -> str:
    """What to count at the header, where no one did."""
    return (
        "Ears collected at the header tell more than diameters: count those with kernels missing "
        "or cracked at the butt (table ear_butt_damage)."
    )


def damage_counted(ears: int, damaged: int) -> str:
    """Ears collected at the header, and how many were damaged at the butt."""
    return (
        f"Diameter alone does not tell; go by the counts: of {number(ears, 0)} ears collected at "
        f"the header, all setups together, {percent_of(damaged / ears)} were damaged at the butt."
    )
