"""How long a trial takes: minutes of driving, counting, sorting and changing, in one place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from trialkit.errors import DesignError
from trialkit.responses import TABLES, Sheet
from trialkit.simulate.shown import settings_card
from trialkit.words import simulation as words

if TYPE_CHECKING:
    from trialkit.intake.config import SetupFactor
    from trialkit.simulate.effort import Effort

Order = Literal["position", "fewest changes"]
ORDERS: tuple[Order, ...] = ("position", "fewest changes")


@dataclass(frozen=True, slots=True)
class Work:
    """How long things take; minutes of one person's work, read by plans, power and field paper.

    Attributes
    ----------
    speed : float
        Ground speed (km/h); 8 is about the 5 mph of current practice.
    turn_minutes : float
        From the end of one pass to the beginning of the next; common practice.
    stop_minutes : float
        A strip's stop: backing up, shutting off, walking, carrying the frame; common practice.
    frame_minutes : float
        Clearing and counting one frame. A check of a field takes about 15 minutes (University of
        Missouri Extension G1290); 3 is that of five frames, common practice.
    search_minutes : float
        One search for ears; as a frame, common practice.
    sample_minutes : float
        Sorting one sample, away from the machine: grain for damage, ears for their butts, residue;
        common practice.
    field_minutes : float
        Moving to a field and opening it; common practice.
    change_minutes : mapping
        Factor to the minutes one change of its level takes. Unless told, 120 for a factor that is
        hard to change (common practice: time your own) and 0 for one that is changed from the cab.
    strip_length : float
        m, where no plan says it; 750 ft, the better length in the Pacific Northwest guide to
        on-farm testing (1994).
    order : {"fewest changes", "position"}
        How blocks are run, where no plan says it; by position changes are counted as they are on
        average.
    """

    speed: float = 8.0
    turn_minutes: float = 1.0
    stop_minutes: float = 5.0
    frame_minutes: float = 3.0
    search_minutes: float = 3.0
    sample_minutes: float = 10.0
    field_minutes: float = 60.0
    change_minutes: Mapping[str, float] = field(default_factory=dict)
    strip_length: float = 228.6
    order: Order = "fewest changes"

    def __post_init__(self) -> None:
        minutes = [getattr(self, name) for name in MINUTES]
        if not all(0 <= m < np.inf for m in (*minutes, *self.change_minutes.values())):
            raise DesignError("Minutes of work are not negative.")
        if not 0.5 <= self.speed <= 25 or not 0 < self.strip_length < np.inf:
            raise DesignError(
                "Work has a speed of 0.5 to 25 km/h, and strips (m) a length above 0."
            )
        if self.order not in ORDERS:
            raise DesignError(f"order is {self.order!r}; choose from {', '.join(ORDERS)}.")

    @classmethod
    def recorded(cls, arguments: Mapping[str, Any]) -> Work:
        """That of a plan's record; an older one has a pace, and counting at so much a strip."""
        if "work" in arguments:
            return cls(**arguments["work"])
        pace = arguments["pace"]
        return cls(**{k: pace[k] for k in ("speed", "turn_minutes", "change_minutes")})

    def changes(self, factors: Sequence[SetupFactor]) -> dict[str, float]:
        """Minutes one change of each factor takes."""
        known = [f.name for f in factors]
        if unknown := [name for name in self.change_minutes if name not in known]:
            raise DesignError(
                f"change_minutes names {', '.join(map(repr, unknown))}; the setup factors are "
                f"{', '.join(known)}."
            )
        return {
            f.name: float(self.change_minutes.get(f.name, 120.0 if f.hard_to_change else 0.0))
            for f in factors
        }

    def run(self, length: float) -> float:
        """Minutes to harvest a strip of so many m."""
        return 60.0 * length / (1000.0 * self.speed)

    def on_strip(self, effort: Effort) -> float:
        """Minutes at a strip's stop: the stop itself, its frames and its searches for ears."""
        return self.stop_minutes + self._counting(effort, at_stop=True)

    def sorting(self, effort: Effort) -> float:
        """Minutes of sorting the samples of one strip."""
        return self._counting(effort, at_stop=False)

    def of_rows(self, minutes: str | float, rows: int) -> float:
        """Minutes of so many rows of a table, of the kind its sheet names."""
        each = getattr(self, f"{minutes}_minutes") if isinstance(minutes, str) else minutes
        return rows * float(each)

    def _counting(self, effort: Effort, at_stop: bool) -> float:
        return sum(
            self.of_rows(sheet.minutes, rows)
            for sheet, rows in _sheets(effort) if sheet.at_stop == at_stop
        )  # fmt: skip

    def _repr_html_(self) -> str:
        return settings_card(words.WORK, self)


MINUTES = ("turn_minutes", "stop_minutes", "frame_minutes", "search_minutes", "sample_minutes",
           "field_minutes")  # fmt: skip


def _sheets(effort: Effort) -> list[tuple[Sheet, int]]:
    """What is counted, and how many rows of it a strip."""
    sheets = [layout.sheet for layout in TABLES.values() if layout.sheet is not None]
    return [(sheet, len(sheet.rows([""], effort))) for sheet in sheets]


def counted(effort: Effort) -> tuple[int, int, int]:
    """Frames, searches for ears and samples to sort on every strip."""
    own = _sheets(effort)
    one, two, three = (
        sum(rows for sheet, rows in own if sheet.minutes == kind)
        for kind in ("frame", "search", "sample")
    )
    return one, two, three


def further(effort: Effort) -> list[tuple[str, int, float]]:
    """What is counted besides, with minutes of its own: name in the plural, rows a strip, minutes
    each."""
    return [
        (sheet.counted, rows, float(sheet.minutes))
        for sheet, rows in _sheets(effort) if rows and not isinstance(sheet.minutes, str)
    ]  # fmt: skip
