"""What is counted in a simulated trial, and what its header measures."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from trialkit import units
from trialkit.simulate.shown import settings_card
from trialkit.words import simulation as words

SQUARE_FEET_10 = 10.0 * 0.3048**2
EAR_AREA = 40.468564224
"""m2; 1/100 acre."""
BACK_UP = {"US": 20 * 0.3048, "SI": 6.0}
"""How far (m) a machine is backed up for a count: 20 ft (University of Georgia Extension)."""


@dataclass(frozen=True, slots=True)
class HeaderProfile:
    """A header's plate gaps and guide clearances (mm) with one crooked plate and one pinch.

    The right plate of ``crooked_row`` has jumped out of its guide at the rear, by ``crooked_by``
    from the row's centre. Chains, knives, edges and flaps are sound.
    """

    gap_front: float = 31.75
    gap_rear: float = 34.925
    gap_sd: float = 0.6
    crooked_row: int = 6
    crooked_by: float = 6.0
    wear_length: float = 30.0
    clearance: float = 132.0
    clearance_sd: float = 1.5
    pinched_row: int = 3
    pinched_by: float = 18.0

    def _repr_html_(self) -> str:
        return settings_card(words.HEADER, self)


@dataclass(frozen=True, slots=True)
class Effort:
    """How much is counted in a simulated trial, and with what.

    Attributes
    ----------
    header_frames, preharvest_frames, total_frames : int
        Frames per strip in each zone.
    frame_area, ear_area : float
        Area of a frame and of an ear search (m2); 10 ft2 and 1/100 acre unless told, 0 for no
        ear search.
    grain_samples, kernels_examined, residue_samples : int
        Tank samples per strip, kernels looked at in each, residue readings in the tank per strip.
    intake_samples : int
        Samples of residue behind the machine per strip, for what was taken in.
    butt_samples, ears_examined : int
        Groups of ears collected at the header per strip, and ears in each.
    stalks, ear_butts : int
        Diameters of stalks and of ear butts per field. Those of ear butts are invented (about 44
        mm, standard deviation 3): none were found published.
    settings : mapping
        ``{factor: {level: {column: value}}}``: numeric strip columns (SI) a level sets, such as
        ``gap_front`` (mm) or ``speed_set`` (km/h).
    header_check : HeaderProfile, mapping of name to HeaderProfile, or None
        What the header's rows measure; by name where strips were run with several.
    others : mapping of str to float
        How many rows a strip of further tables, frames of further zones, by name.
    """

    header_frames: int = 8
    preharvest_frames: int = 2
    total_frames: int = 2
    frame_area: float = SQUARE_FEET_10
    ear_area: float = EAR_AREA
    grain_samples: int = 2
    kernels_examined: int = 200
    residue_samples: int = 1
    stalks: int = 20
    ear_butts: int = 0
    settings: Mapping[str, Mapping[str, Mapping[str, float]]] = field(default_factory=dict)
    header_check: HeaderProfile | Mapping[str, HeaderProfile] | None = None
    intake_samples: int = 0
    butt_samples: int = 0
    ears_examined: int = 25
    others: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def usual(cls, system: str, width: float | None = None) -> Effort:
        """With areas that are round in the system's units, on ground that is there.

        Frames of 10 ft2 and 1/100 acre for ears are those of University of Missouri Extension
        G1290; Shauck & Smeda (2011) counted on 1 m2. Ears are searched for between the machine and
        the standing corn after backing up (20 ft: University of Georgia), so that a pass of `width`
        (m) leaves no more than that width times `BACK_UP`.
        """
        us = system == "US"
        frame, ears = (SQUARE_FEET_10, EAR_AREA) if us else (1.0, 40.0)
        if width is not None and width * BACK_UP[system] < ears:
            unit = units.SQUARE_METRES_PER_SQUARE_FOOT if us else 1.0
            ears = math.floor(width * BACK_UP[system] / unit + 1e-6) * unit
        return cls(frame_area=frame, ear_area=ears, intake_samples=1, butt_samples=1)

    def times(self, name: str) -> float:
        """How many of something a strip, by the name of its number here or in `others`."""
        return float(getattr(self, name) if hasattr(self, name) else self.others.get(name, 0))

    def with_times(self, name: str, times: float) -> Effort:
        """With another number of it."""
        if hasattr(self, name):
            changed: dict[str, Any] = {name: times}
            return replace(self, **changed)
        return replace(self, others={**self.others, name: times})

    def as_dict(self) -> dict[str, Any]:
        """Plain numbers and mappings, for the record of a plan."""
        out = asdict(self)
        return out if self.others else {k: v for k, v in out.items() if k != "others"}

    def back_up(self, width: float) -> float:
        """How far (m) the machine backs up so that an ear search fits ahead of it, pass `width`."""
        return self.ear_area / width

    def _repr_html_(self) -> str:
        return settings_card(words.COUNTED, self)
