"""What is done about each kind of finding, and why (common practice unless a source stands)."""

from __future__ import annotations

from typing import NamedTuple

GRADES = ("repair", "ask", "watch")
"""To be repaired; to be measured or asked first, no order; told, nothing to do now."""


class Advice(NamedTuple):
    """The part of the row unit, the grade, what to do and why.

    ``{front}, {rear}`` stand for the gap to set, ``{flag}`` for what to see to where that is wider
    than any published start, ``{sizes}`` for what is to be measured first,
    ``{speed}`` for what the rolls' own words put there.
    """

    part: str
    grade: str
    do: str
    why: str


_SET = "set the gap to {front} at the front and {rear} at the rear"
_WIDE = "too wide, the butt of the ear reaches the rolls and is shelled"
_NARROW = "too narrow, stalks wedge or break and more residue goes in"
_LATE = (
    "where flutes are worn the stalk is gripped late, and pulling has less of the roll to finish on"
)

ADVICE = {
    "wide": Advice("plates", "repair", _SET, _WIDE),
    "narrow": Advice("plates", "repair", _SET, _NARROW),
    "reversed": Advice("plates", "repair", _SET,
                       "narrower toward the rear, the slot wedges the stalks it pulls"),
    "steep": Advice("plates", "repair", _SET,
                    "with front and rear so unlike, one end is too narrow for stalks or the other "
                    "too wide for the butts of ears"),
    "crooked": Advice("plates", "repair", "seat the plates in their guides so that both lie "
                      "equally far from the row's centre",
                      "a plate that lies farther out has most likely jumped out of its guides, and "
                      "on its side the butt of the ear reaches the roll"),
    "bent": Advice("plates", "repair", "straighten or change the plate",
                   "a bent plate lets butts through where it is wide and wedges stalks where it is "
                   "narrow"),
    "edge": Advice("plates", "repair", "change the plates, or turn them where they can be turned",
                   "a rounded or grooved edge lets the butt of the ear down to the rolls"),
    "pinched": Advice("guides", "repair", "straighten or change the guides",
                      "warped guides leave stalk and ear less room there than before and behind"),
    "flute": Advice("rolls", "repair", "change the rolls", _LATE),
    "worn out": Advice("rolls", "repair", "change the rolls, or drive slower than {speed}", _LATE),
    "sound, too fast": Advice("rolls", "repair", "drive slower than {speed}",
                              "pulling does not finish at that speed, though little is worn"),
    "open": Advice("rolls", "repair", "set the rolls or knives closer, as the manual has it",
                   "too far apart, they neither grip nor cut, and stalks slip"),
    "touching": Advice("rolls", "repair", "set the rolls or knives apart, as the manual has it",
                       "knives that touch wear each other and cut stalks off instead of pulling"),
    "slack": Advice("chain", "repair", "tighten the chain",
                    "a loose chain jumps, and its lugs no longer run in step on the two sides"),
    "tight": Advice("chain", "repair", "slacken the chain",
                    "a tight chain wears itself, its sprockets and its bearings"),
    "stretched": Advice("chain", "repair", "change the chain, and look at its sprockets",
                        "a chain so much longer than new rides up its sprockets"),
    "torn": Advice("flaps", "repair", "change the flaps",
                   "loose ears roll out at the front where a flap is torn"),
    "missing": Advice("flaps", "repair", "fit the flaps",
                      "loose ears roll out at the front where a flap is missing"),
    "half": Advice("readings", "ask", "measure again, between the edges of the two plates",
                   "read from the row's centre to one plate, a sound gap gives half, and no plate "
                   "is to be set by that"),
    "unlike": Advice("readings", "ask", "measure both plates from the row's centre again, and the "
                     "gap between their edges", "the two distances must add up to the gap"),
    "worn, not known": Advice("rolls", "ask", "{sizes}", _LATE),
    "pair": Advice("rolls", "watch", "find out why one roll of the pair wears more before you "
                   "change both", "the roll that grips later decides; unlike wear points to the "
                   "clearance, a bearing or a bent roll"),
    "flute pair": Advice("rolls", "watch", "find out why one roll of the pair wears more before "
                         "you change both", "the lower flute decides how late the stalk is "
                         "gripped"),
    "worn, still pulling": Advice("rolls", "watch", "stay below {speed}, and measure again before "
                                  "the next season", _LATE),
    "worn, beyond new rolls": Advice("rolls", "watch", "change the speed first (see all rows)",
                                     _LATE),
    # Of the header as a whole.
    "all wide": Advice("plates", "repair", "close all rows: " + _SET, _WIDE),
    "all narrow": Advice("plates", "repair", "open all rows: " + _SET + "{flag}", _NARROW),
    "cushion": Advice("plates", "ask", "see whether stalks wedge at the cushion; if so, open all "
                      "rows in steps toward {front} at the front and {rear} at the rear{flag}",
                      "how much room a cushion takes is common practice, not a published figure"),
    "off setting": Advice("plates", "repair", "set all rows by what is read between the plates, "
                          "{front} at the front and {rear} at the rear, and mark the indicator "
                          "anew",
                          "an indicator that reads otherwise than the plates sets every row wrong"),
    "beyond new": Advice("speed", "repair", "drive slower than {speed}",
                         "pulling does not finish even on new rolls, so this is the speed, not "
                         "wear; slip lowers the limit further"),
    "beyond new, not known": Advice("speed", "ask", "{sizes}",
                                    "how fast even new rolls pull hangs on them"),
}  # fmt: skip
