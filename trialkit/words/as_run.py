"""A trial as it was run: strips, frames, speeds, gaps and days, and what departs from what was
meant."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.display import number
from trialkit.quantities import listed, lower_first, upper_first
from trialkit.words.counts import counted

TABLES = {
    "setups": "Setups as run: mean (least to most) of the strips",
    "fields": "Fields as run",
    "frames": "Frames laid",
}
FIELDS = ("field", "pairs", "strips", "days", "moisture, %")
_SHOWN = 8  # strips that a sentence names


def title() -> str:
    """Over the section."""
    return "Design as run"


def meant_title() -> str:
    """Over what departs from what was meant."""
    return "Against what was meant"


def boxes(summary: str) -> str:
    """Under the map of the strips."""
    return f"{summary} A box is a pair (block); its name stands below it."


def setups_head(shown: Sequence[str]) -> tuple[str, ...]:
    """Columns of the table of setups."""
    return ("setup", "strips", *shown)


def setup_columns(speed: str, gap: str) -> dict[str, str]:
    """Headings of what is read on a strip, in units of speed and gap."""
    return {
        "speed_set": f"speed set, {speed}",
        "speed_measured": f"measured, {speed}",
        "gap_front": f"front gap, {gap}",
        "gap_rear": f"rear gap, {gap}",
        "gap_measured": f"gap measured on the header, {gap}",
        "moisture": "moisture, %",
    }


def frames_head(area: str) -> tuple[str, ...]:
    """Columns of the table of frames."""
    return ("ground", "frames", "strips with", "without", "per strip", f"a frame, {area}",
            f"in all, {area}")  # fmt: skip


def no_day() -> str:
    """Where strips carry no date."""
    return "not recorded"


def no_frames() -> str:
    """Where there are no frames."""
    return "No frames were laid."


def nothing_departs() -> str:
    """Where all is as it was meant."""
    return "Every pair (block) holds every setup, and nothing recorded departs from it."


# ---------------------------------------------------------------- setups and frames
def named(strips: Sequence[str]) -> str:
    """ "strip a", "strips a and b", "12 strips (a, b, ...)"."""
    names = list(map(str, strips))
    if len(names) == 1:
        return f"strip {names[0]}"
    if len(names) <= _SHOWN:
        return f"strips {listed(names)}"
    return f"{len(names)} strips ({', '.join(names[:_SHOWN])}, …)"


def repeated(pairs: int) -> str:
    """Pairs that hold a setup more than once."""
    hold = "(block) holds" if pairs == 1 else "(blocks) hold"
    return f"{counted(pairs, 'pair')} {hold} a setup more than once."


def complete() -> str:
    """Nothing is missing from any pair."""
    return "Every pair (block) holds every setup that was run."


def pair_of(pair: str, field: str) -> str:
    """A pair by its name and field."""
    return f"pair {pair} of {field}"


def lacks(where: str, setups: Sequence[str], shown: int = 4) -> str:
    """A pair without a strip of some setups."""
    more = f" and {len(setups) - shown} more" if len(setups) > shown else ""
    return f"{upper_first(where)} has no strip of {listed(list(setups[:shown]))}{more}."


def more_lack(pairs: int) -> str:
    """Pairs beyond those named."""
    return f"{pairs} more {'pair lacks' if pairs == 1 else 'pairs lack'} a setup."


def no_frame(ground: str, strips: Sequence[str]) -> str:
    """Strips without a frame on some ground."""
    return f"No frame {ground} on {named(strips)}."


def fewer_frames(usual: int, ground: str, strips: Sequence[str]) -> str:
    """Strips with fewer frames than the others."""
    return f"Fewer than the usual {usual} frames {ground} on {named(strips)}."


# ---------------------------------------------------------------- speeds and gaps
def no_speeds() -> str:
    """Speed was not both set and measured."""
    return "Ground speed was not both set and measured on any strip."


def speeds(mean: float, low: float, high: float, strips: int) -> str:
    """Measured speed against that asked for: departures in per cent."""
    side = "below" if mean < 0 else "above"
    return (
        f"Measured speed was {number(abs(mean), 1)} % {side} the speed asked for on average, from "
        f"{_signed(low)} to {_signed(high)} % ({counted(strips, 'strip')})."
    )


def off_speed(strips: int) -> str:
    """How many strips are far from the speed asked for."""
    was = "was" if strips == 1 else "were"
    return f"{counted(strips, 'strip')} {was} far from the speed asked for: see data quality."


def no_gaps() -> str:
    """Gaps were not recorded."""
    return "Stripper-plate gaps were not recorded strip by strip."


def gap_departs(label: str, end: str, usual: str, strips: Sequence[str]) -> str:
    """Strips of one level whose gap differs."""
    return (
        f"{label}: the {end} gap departs from the level's usual {usual} on {named(strips)}."
    )


def gaps_alike(factor: str, within: str) -> str:
    """Gaps of a level agree."""
    return (
        "Gaps measured at front and rear were alike on all strips of a level of "
        f"{lower_first(factor)} (within {within})."
    )


def taper(low: str, high: str, unit: str) -> str:
    """How much wider the gap is at the rear."""
    span = low if low == high else f"{low} to {high}"
    return f"The rear gap was {span} {unit} wider than the front one."


def header_gap(header: str, mean: str, away: str | None, wider: bool, strips: int, sd: str) -> str:
    """What a header's rows read; `away` from the gap set, "" where as set, None where not known."""
    text = f"Header {header}: the gap measured on its rows was {mean} on average"
    if away is not None:
        side = "wider" if wider else "narrower"
        text += f", {away} {side} than set" if away else ", as set"
    return f"{text} ({counted(strips, 'strip')}); rows differ by {sd} (sd)."


def gap_unknown(strips: int, reason: str) -> str:
    """Why the gap as measured is not known."""
    return f"The gap as measured is not known for {counted(strips, 'strip')}: {reason}."


# ---------------------------------------------------------------- days
def no_dates() -> str:
    """No strip carries a date."""
    return "The strips carry no dates."


def days(number_of: int, first: object, last: object) -> str:
    """Days of harvest."""
    if number_of == 1:
        return f"Harvested on one day, {first}."
    return f"Harvested on {counted(number_of, 'day')}, {first} to {last}."


def over_days(pairs: int) -> str:
    """Pairs that run over several days."""
    run = "(block) runs" if pairs == 1 else "(blocks) run"
    return (
        f"{counted(pairs, 'pair')} {run} over more than one day: what days differ by is part of "
        "the comparison there."
    )


def undated(strips: int) -> str:
    """Strips without a date."""
    return f"{counted(strips, 'strip')} without a date."


def _signed(percent: float) -> str:
    text = number(percent, 1)
    return text if percent < 0 else f"+{text}"
