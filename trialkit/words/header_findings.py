"""What is found on a header and by how much, of one row or of all that share it.

Parts of a sentence, as the list of what to fix joins them. Lengths in mm, speeds in km/h,
``system`` "US" or "SI"; ``by`` is the least and the most over the rows that share a finding;
``source`` a code of `trialkit.words.header_limits.source`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from trialkit.display import number
from trialkit.quantities import listed
from trialkit.words.header_limits import limit_and_source as limited
from trialkit.words.header_limits import source as source_words
from trialkit.words.lengths import Lengths, percent_of

Range = tuple[float, float]


def rows_named(row: str, but: Sequence[str] = (), read: int | None = None) -> str:
    """Which rows an entry is about: "Row 6", "All rows", "All rows but 3 and 7"; ``read`` is how
    many of them it was read in, where those are not all."""
    if row:
        return f"Row {row}"
    head = "All rows" if read is None else f"All {read} rows where it was read"
    return f"{head} but {listed(list(but))}" if but else head


# ---------------------------------------------------------------- plates and their gap
def off_gap(end: str, by: float, wider: bool, against: str, system: str) -> str:
    """A gap off the other rows, or off what was set; ``against`` is "rows" or "setting"."""
    what = "the median of the rows" if against == "rows" else "it was set to"
    return f"{end} gap {Lengths(system).length(by)} {_wider(wider)} than {what}"


def half_gap(end: str, by: Range, system: str) -> str:
    """A reading near half of a gap."""
    return (
        f"{end} gap reads {_by(by, system)}, about half of a gap, as if read from "
        "the row's centre to one plate"
    )


def distances_unlike(end: str, by: Range, more: bool, system: str) -> str:
    """Two plates' distances that do not make the gap."""
    return (
        f"at the {end} the two plates' distances from the row's centre make {_by(by, system)} "
        f"{'more' if more else 'less'} than the gap"
    )


def plates_crooked(end: str, side: str, by: Range, system: str) -> str:
    """One plate farther from the row's centre than the other."""
    return (
        f"plates crooked: at the {end} the {side} plate lies {_by(by, system)} farther from the "
        "row's centre than the other"
    )


def plate_bent(by: Range, wider: bool, system: str) -> str:
    """A gap halfway off the line between its ends."""
    return f"halfway the gap is {_by(by, system)} {_wider(wider)} than the line between its ends"


def taper_reversed(by: Range, wider: bool, as_set: bool, system: str) -> str:
    """A rear that is too narrow for its front, or hardly wider."""
    if wider:
        return f"rear only {_by(by, system)} wider than the front"
    return f"rear {_by(by, system)} narrower than the front{_as_set(as_set)}"


def taper_steep(by: Range, as_set: bool, system: str) -> str:
    """A rear much wider than its front."""
    return f"rear {_by(by, system)} wider than the front{_as_set(as_set)}"


def edges_worn(by: Range, limit: float, source: str, system: str) -> str:
    """Plates' edges worn back."""
    text = f"stripper plates' edges worn back {_by(by, system)}"
    return f"{text}, over {limited(limit, source, system)}"


def gap_of_all(
    read: Range, off: Sequence[tuple[str, float, bool]], setting: Range, system: str,
    against: str = "", cushion: bool = False, thick: bool = False, stalks: int = 0,
    front: float = math.nan, room: float = math.nan, source: str = "",
) -> str:  # fmt: skip
    """The median row's gap against what was set, and against stalks and published starts.

    Parameters
    ----------
    read, setting : (float, float)
        Front and rear; NaN where unknown.
    off : sequence of (end, amount, whether wider)
        Ends that read off the setting.
    against : str
        "wide", "narrow", "cushion" (narrow only by the room a cushion takes) or "".
    cushion, thick : bool
        Whether a cushion is fitted; whether stalks ask for more than the widest start.
    stalks : int
        Stalks measured.
    front : float
        The front gap it is held against.
    room, source
        What a cushion takes, and where that is from.
    """
    say = Lengths(system)
    ends = " and ".join(
        f"{say.trade(gap)} at the {end}"
        for gap, end in zip(read, ("front", "rear"), strict=True) if not math.isnan(gap)
    )  # fmt: skip
    parts = [f"the gap reads {ends} (median row)"]
    if off:
        by = [(f"{say.trade(amount)} {_wider(wider)}", f" at the {end}")
              for end, amount, wider in off]  # fmt: skip
        alike = len(by) == 2 and by[0][0] == by[1][0]
        apart = by[0][0] if alike else " and ".join(f"{amount}{end}" for amount, end in by)
        at = " and ".join(say.trade(gap) for gap in setting if not math.isnan(gap))
        parts.append(f"{apart} than the {at} it was set to")
    fitted = " with the cushion's room" * cushion
    to = f"{say.trade(front)} at the front"
    if against == "wide":
        parts.append(f"wider than {'the stalks need' if thick else _START}{fitted}, {to}")
    elif against == "narrow":
        need = f"{stalks} stalks measured need" if stalks else _START
        parts.append(f"narrower than {need}{fitted}, {to}")
    elif against == "cushion":
        more = f"{say.given(room)} more than without"
        parts.append(f"with a cushion {more} is {source_words(source)}: {to}")
    return "; ".join(parts)


_START = "any published start"


# ---------------------------------------------------------------- guides
def guides_pinched(
    stations: Sequence[str], least: float, row: str, limit: float, source: str, system: str
) -> str:
    """Stations under the limit; ``row`` the worst of several, "" of one row."""
    say = Lengths(system)
    worst = f" (row {row})" * bool(row)
    return (
        f"chain guides pinched at the {listed(list(stations))} station{'s' * (len(stations) > 1)}, "
        f"down to {say.length(least)}{worst}; under {say.given(limit)} is a pinch "
        f"({source_words(source)})"
    )


# ---------------------------------------------------------------- rolls
def rolls_worn(wear: Range, share: Range, length: Range | None, row: str, system: str) -> str:
    """Where a stalk is first gripped.

    Parameters
    ----------
    wear : (float, float)
    share : (float, float)
        Of the roll's length, of the worst row; over the range of a length no one measured.
    length : (float, float) or None
        That range, longest first.
    row : str
        The worst of several; "" of one row.
    """
    say = Lengths(system)
    least, most = (percent_of(each) for each in share)
    way = f"{most} of the way back on the roll"
    if length is not None:
        shares = most if least == most else f"{least.split()[0]} to {most}"
        rolls = say.between(*length, say.roll)
        way = f"{shares} of the way back on a roll of {rolls} (not measured)"
    return (
        f"rolls worn back {say.between(*wear, say.roll)} from the front: a stalk is first gripped "
        f"there, {way}" + f" in row {row}, the worst" * bool(row)
    )


def pulls_unknown() -> str:
    """Worn rolls whose speed no one gave."""
    return "how fast that still pulls takes the speed of the rolls"


def rolls_pull(
    kind: str, left: Range, new: Range, speed: float, share: float | None, system: str
) -> str:
    """How fast what is left of the rolls pulls, and new ones.

    Parameters
    ----------
    kind : str
        Of `trialkit.header.rolls.ROLLS`.
    left, new : (float, float)
        Highest speeds, at worst and at best.
    speed : float
        The fastest it is driven; NaN where not known.
    share : float or None
        Of new rolls' speed; None while no one measured the roll's length.
    """
    say = Lengths(system)
    does = f"what is left pulls {say.up_to(*left)}, new rolls {say.up_to(*new)}"
    known, at = not math.isnan(speed), say.speed(speed)
    if kind == "worn, not known":
        if not known:
            return f"{does} (without slip)"
        verdict = f"whether it still pulls at {at} is not known"
        if left[1] < speed:
            verdict = f"worn out at {at} with any sizes in that range"
        return f"with sizes of the row unit that no one measured, {does}: {verdict}"
    if share is not None:
        does += f", so {percent_of(share)} of their speed is left"
    if not known:
        return does
    verdict = {
        "worn, still pulling": f"worn, still pulling at {at}",
        "worn out": f"worn out at {at}",
        "sound, too fast": f"{at} is too fast for them",
        "worn, beyond new": f"at {at} not even new rolls finish",
    }[kind]
    return f"{verdict}: {does}"


def new_rolls_short(speed: float, new: Range, system: str) -> str:
    """A speed at which pulling does not finish on new rolls, or may not; ``new`` is the highest at
    which it does, at worst and at best."""
    say = Lengths(system)
    at, (low, high) = say.speed(speed), new
    if low == high:
        return f"at {at}, the fastest, pulling does not finish even on new rolls"
    if speed <= high:
        return (
            f"with sizes of the row unit that no one measured, new rolls pull "
            f"{say.up_to(low, high)}; whether they do at {at}, the fastest, is not known"
        )
    return (
        f"at {at}, the fastest, pulling would not finish even on new rolls, which with sizes that "
        f"no one measured pull {say.up_to(low, high)}"
    )


def flutes_low(by: Range, limit: float, source: str, system: str) -> str:
    """Flutes or knives lower than the limit."""
    text = f"flutes only {_by(by, system)} high at the front"
    return f"{text}, under {limited(limit, source, system)}"


def rolls_unlike(side: str, by: float, system: str) -> str:
    """One roll of a pair worn farther back."""
    return (
        f"the rolls of the pair are unlike: {side} roll worn {Lengths(system).roll(by)} farther "
        f"back than the {_other(side)}"
    )


def flutes_unlike(side: str, by: Range, system: str) -> str:
    """Flutes of one roll lower than of the other, whose side is given."""
    return (
        f"the rolls of the pair are unlike: flutes of the {_other(side)} roll {_by(by, system)} "
        f"lower than of the {side}"
    )


def knives_open(by: Range, limit: float, source: str, system: str) -> str:
    """Rolls or knives too far apart."""
    return f"rolls or knives {_by(by, system)} apart, over {limited(limit, source, system)}"


def knives_touching(by: Range, limit: float, source: str, system: str) -> str:
    """Rolls or knives too close."""
    apart = _by(by, system)
    text = "rolls or knives touch," if apart.startswith("0 ") else "rolls or knives only"
    return f"{text} {apart} apart, under {limited(limit, source, system)}"


# ---------------------------------------------------------------- chain and flaps
def chain_slack(by: Range, limit: float, source: str, system: str) -> str:
    """A chain that moves too far by hand."""
    return f"chain moves {_by(by, system)} by hand, over {limited(limit, source, system)}"


def chain_tight(by: Range, limit: float, source: str, system: str) -> str:
    """A chain that hardly moves."""
    return f"chain moves only {_by(by, system)} by hand, under {limited(limit, source, system)}"


def chain_stretched(percent: float, limit: float, source: str) -> str:
    """A chain longer than new."""
    longer = number(percent, 1).removesuffix(".0")
    return f"chain {longer} % longer than new, over {limit:g} % ({source_words(source)})"


def flaps_torn() -> str:
    return "ear-saver flaps torn"


def flaps_missing() -> str:
    return "ear-saver flaps missing"


# ---------------------------------------------------------------- a row's verdict
def verdict(found: Sequence[str], shared: bool, bare: bool, empty: bool) -> str:
    """What was found in a row: its own findings, and that it shares what all rows have.

    Parameters
    ----------
    found : sequence of str
        Its own, in words.
    shared : bool
        Whether all rows have something that it has too.
    bare, empty : bool
        Whether something was not read in it; whether nothing was.
    """
    if found:
        return "; ".join(found) + "; and what all rows have" * shared
    if bare and empty:
        return not_measured()
    text = "in order" + " but for what all rows have" * shared
    return text + ("," * shared + " as far as measured") * bare


def not_measured() -> str:
    """The verdict of a row in which nothing was read."""
    return "not measured"


def _by(by: Range, system: str) -> str:
    """How much, over the rows that share it."""
    say, (low, high) = Lengths(system), by
    return say.length(high) if low == high else say.between(low, high)


def _wider(wider: bool) -> str:
    return "wider" if wider else "narrower"


def _as_set(as_set: bool) -> str:
    return "; it was set so" * as_set


def _other(side: str) -> str:
    return "right" if side == "left" else "left"
