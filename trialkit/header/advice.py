"""What is done about each kind of fault: its part of the row unit, its grade, what is said."""

from __future__ import annotations

from typing import NamedTuple

GRADES = ("repair", "ask", "watch")
"""To be repaired; to be measured or asked first, no order; told, nothing to do now."""
PARTS = ("plates", "guides", "rolls", "chain", "flaps", "readings", "speed")
"""Parts of a row unit in the order of repair."""


class HeaderAdvice(NamedTuple):
    """The part of the row unit, the grade, and functions of `trialkit.words.header_advice`.

    ``do`` says what to do and takes ``needs``: the ``gap`` to set, that and where published starts
    end (``start``), a ``speed``, the ``sizes`` to be measured first, or nothing. ``why`` takes
    nothing.
    """

    part: str
    grade: str
    do: str
    why: str
    needs: str = ""


ADVICE = {
    "wide": HeaderAdvice("plates", "repair", "set_gap", "shells_butts", "gap"),
    "narrow": HeaderAdvice("plates", "repair", "set_gap", "wedges_stalks", "gap"),
    "reversed": HeaderAdvice("plates", "repair", "set_gap", "narrows_toward_the_rear", "gap"),
    "steep": HeaderAdvice("plates", "repair", "set_gap", "ends_unlike", "gap"),
    "crooked": HeaderAdvice("plates", "repair", "seat_plates", "plate_out_of_guides"),
    "bent": HeaderAdvice("plates", "repair", "straighten_plate", "plate_bent"),
    "edge": HeaderAdvice("plates", "repair", "change_plates", "edge_rounded"),
    "pinched": HeaderAdvice("guides", "repair", "straighten_guides", "guides_warped"),
    "flute": HeaderAdvice("rolls", "repair", "change_rolls", "gripped_late"),
    "worn out": HeaderAdvice("rolls", "repair", "change_rolls_or_slow_down", "gripped_late",
                             "speed"),
    "sound, too fast": HeaderAdvice("rolls", "repair", "slow_down", "speed_too_high", "speed"),
    "open": HeaderAdvice("rolls", "repair", "set_rolls_closer", "stalks_slip"),
    "touching": HeaderAdvice("rolls", "repair", "set_rolls_apart", "knives_touch"),
    "slack": HeaderAdvice("chain", "repair", "tighten_chain", "chain_jumps"),
    "tight": HeaderAdvice("chain", "repair", "slacken_chain", "chain_wears"),
    "stretched": HeaderAdvice("chain", "repair", "change_chain", "chain_rides_up"),
    "torn": HeaderAdvice("flaps", "repair", "change_flaps", "flap_torn"),
    "missing": HeaderAdvice("flaps", "repair", "fit_flaps", "flap_missing"),
    "half": HeaderAdvice("readings", "ask", "measure_gap_again", "half_a_gap"),
    "unlike": HeaderAdvice("readings", "ask", "measure_plates_again", "distances_must_add_up"),
    "worn, not known": HeaderAdvice("rolls", "ask", "ask_again", "gripped_late", "sizes"),
    "pair": HeaderAdvice("rolls", "watch", "find_unlike_wear", "later_roll_decides"),
    "flute pair": HeaderAdvice("rolls", "watch", "find_unlike_wear", "lower_flute_decides"),
    "worn, still pulling": HeaderAdvice("rolls", "watch", "stay_below", "gripped_late", "speed"),
    "worn, beyond new": HeaderAdvice("rolls", "watch", "change_speed", "gripped_late"),
    # Of the header as a whole.
    "all wide": HeaderAdvice("plates", "repair", "close_all", "shells_butts", "gap"),
    "all narrow": HeaderAdvice("plates", "repair", "open_all", "wedges_stalks", "start"),
    "cushion": HeaderAdvice("plates", "ask", "widen_for_cushion", "cushion_room", "start"),
    "off setting": HeaderAdvice("plates", "repair", "set_by_reading", "indicator_wrong", "gap"),
    "beyond new": HeaderAdvice("speed", "repair", "slow_down", "speed_not_wear", "speed"),
    "beyond new, unsure": HeaderAdvice("speed", "ask", "ask_again", "hangs_on_sizes", "sizes"),
}  # fmt: skip
"""By kind of fault; its order is that in which faults of one grade are told."""
QUESTIONS = {"cushion", "beyond new", "beyond new, unsure"}
"""Kinds of the header as a whole by which nothing is out on its rows."""
