"""What uneven gaps between the rows of a header do to the noise of frame counts.

Derivation
----------
The header has N rows with gaps g_1 .. g_N. Let loss at the header change by the factor exp(b) per
mm of gap, so that row r loses L exp(b (g_r - g)), g their mean; b = log(ratio per mm). Let a share
q of the kernels that a frame holds come from the header, the rest lies there whatever it does. To
first order in b the log of a frame's expected count then moves by q b (g_r - g).

*One frame* behind one row, each row as likely as another: this adds ::

    R = (q b)^2 V,    V = sum (g_r - g)^2 / N

to the variance of the log count. A frame that reaches over m neighbouring rows is taken for a mean
over m rows drawn without replacement, whose variance is V (N - m) / (m (N - 1)): nothing is left
where a frame reaches over all of them (Cochran, *Sampling Techniques*, 3rd ed. 1977, theorem 2.2).

*All of it.* A count y of mean mu whose frames differ by a factor of log variance s^2 has a log
variance of about F = 1/mu + s^2 (delta method). s^2 as a trial finds it holds R already, so the
gaps make up the share R / F of it.

*A strip.* The log mean of n frames has variance S = s_strip^2 + F / n, s_strip^2 between strips of
one setup in one block. Repairs that take V to V' take (R - R') / n off it. A difference between two
setups has a multiple of S for its variance, whatever the number of strips, as long as setups are
compared within blocks; so its standard error, and with it the interval, shrinks by the share ::

    1 - sqrt(1 - (R - R') / (n S))

That is the most. Where effects differ between fields, setups lie on main strips or preharvest loss
is taken off, the difference has variance besides that no repair takes away.

Frames must lie behind rows at random, anew in each strip. Where all strips of a trial have their
frames behind the same rows, the gaps cancel out of every difference and repairs narrow nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from trialkit.display import card
from trialkit.errors import TrialkitError
from trialkit.words import header_noise as words


@dataclass(frozen=True, slots=True)
class RowNoise:
    """What uneven gaps add to frame counts, before and after repairs; see the module's text.

    Attributes
    ----------
    log_ratio : float
        b: log of the ratio of losses per mm of gap.
    variance, variance_after : float
        V and V' between rows, mm^2, for what one frame reaches over.
    header_share : float
        q: share of the kernels in a frame that the header lost.
    frame_variance : float
        F: variance of the log count of a frame within a strip, chance of counting included; NaN
        where it is not known.
    strip_variance : float
        Variance of the log mean between strips of one setup and block.
    frames : float
        n: frames of a strip.
    """

    log_ratio: float
    variance: float
    variance_after: float
    header_share: float = 1.0
    frame_variance: float = np.nan
    strip_variance: float = np.nan
    frames: float = np.nan

    def _repr_html_(self) -> str:
        said = [words.added(self.between_rows, self.between_rows_after)]
        if self.told:
            said.append(words.share_of_frames(self.share_of_frames, self.narrowing))
        return card(words.heading(), said)

    @property
    def between_rows(self) -> float:
        """R: log variance that the gaps add to a frame."""
        return (self.header_share * self.log_ratio) ** 2 * self.variance

    @property
    def between_rows_after(self) -> float:
        """R', after the repairs."""
        return (self.header_share * self.log_ratio) ** 2 * self.variance_after

    @property
    def share_of_frames(self) -> float:
        """R / F, at most 1: where it is more, the assumed ratio and the counts disagree."""
        return min(self.between_rows / self.frame_variance, 1.0) if self.told else np.nan

    @property
    def contradicted(self) -> bool:
        """Whether the gaps alone would make frames differ more than they did."""
        return self.told and self.between_rows > self.frame_variance

    @property
    def narrowing(self) -> float:
        """Share by which an interval for a difference between setups narrows with the repairs."""
        if not self.told:
            return np.nan
        whole = self.strip_variance + self.frame_variance / self.frames
        taken = min(self.between_rows - self.between_rows_after, self.frame_variance)
        return float(1 - np.sqrt(1 - taken / self.frames / whole))

    @property
    def told(self) -> bool:
        """Whether the trial's own noise is known."""
        return bool(np.isfinite([self.frame_variance, self.strip_variance, self.frames]).all())


def row_noise(
    gap: Any,
    log_ratio: float,
    *,
    repaired: Sequence[int] = (),
    rows_per_frame: float = 1.0,
    header_share: float = 1.0,
    frame_variance: float = np.nan,
    strip_variance: float = np.nan,
    frames: float = np.nan,
) -> RowNoise:
    """What the spread of the gap between rows does to frame counts.

    Parameters
    ----------
    gap : array, (rows,)
        Mean gap of every row, mm; missing ones are left out.
    log_ratio : float
        Log of the ratio of header losses per mm of gap.
    repaired : sequence of int
        Places in `gap` of rows to be set to the median of all.
    rows_per_frame : float
        Rows that one frame reaches over, 1 to all.
    header_share, frame_variance, strip_variance, frames : float
        See `RowNoise`.

    Raises
    ------
    TrialkitError
        For fewer than two rows measured, or rows a frame cannot reach over.
    """
    values = np.asarray(gap, dtype=float)
    known = ~np.isnan(values)
    n = int(known.sum())
    if n < 2:
        raise TrialkitError("a spread between rows needs the gap of two rows.")
    if not 1 <= rows_per_frame <= n:
        raise TrialkitError(f"a frame reaches over 1 to {n} rows, not {rows_per_frame:g}.")
    after = spread_after(values, repaired)
    part = (n - rows_per_frame) / (rows_per_frame * (n - 1))
    return RowNoise(
        float(log_ratio), float(values[known].var() * part), float(after[known].var() * part),
        header_share, frame_variance, strip_variance, frames,
    )  # fmt: skip


def spread_after(gap: Any, repaired: Sequence[int]) -> np.ndarray:
    """Gaps (mm) after rows, by their places, were set to the median of all as measured."""
    out = np.array(gap, dtype=float)
    places = [place for place in repaired if not np.isnan(out[place])]
    out[places] = np.nanmedian(out)
    return out
