"""Counts of many simulated trials of one layout at once.

The law is that of `trialkit.simulate`: loose kernels behind the header are Poisson about::

    preharvest x exp(a)  +  header x ratios(setup) x exp(b)

with ``a`` and ``b`` sums of the normal effects of field, pair, main strip, strip and frame, and of
the setup in the field; other counts are Poisson about a logarithm with such effects, damaged
among examined kernels binomial about such a logit. Speed and moisture are held at their means.

Every block, field and zone has a random stream of its own, and frames are drawn one after the
other. So a plan with fewer pairs, frames or fields holds the same strips and frames as one with
more (common random numbers; Law 2015, Simulation Modeling and Analysis, section 11.2): plans are
compared under the same luck, and a plan's figures do not depend on what it is compared with.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.responses.drawing import FOUND, Drawn, mean_of, setup_effect
from trialkit.responses.record import Family
from trialkit.simulate import Effort, Truth

# Streams of a seed.
_FIELD, _BLOCK, _FRAME, _COUNT, _AHEAD_FRAME, _AHEAD_COUNT = range(6)


@dataclass(frozen=True, slots=True)
class Sampler:
    """Draws the counts of trials on given strips.

    Attributes
    ----------
    strips : DataFrame
        ``field, pair, main_strip`` and the setup factors; the strips of a block follow one another,
        blocks of a field likewise, and every block holds the same setups in the same order.
    factors : tuple of str
        The setup factors.
    truth : Truth
    seed : int
    """

    strips: pd.DataFrame
    factors: tuple[str, ...]
    truth: Truth
    seed: int

    def header(
        self, rounds: int, batch: int, frames: int, effort: Effort
    ) -> tuple[np.ndarray, np.ndarray]:
        """Loose kernels behind the header and before harvest.

        Returns
        -------
        counts, ahead : ndarray, shape (rounds, strips * frames)
            Strip by strip, frames within; `ahead` with ``effort.preharvest_frames`` a strip.
        """
        t, area = self.truth, effort.frame_area
        header = np.log(t.header) + setup_effect(t.header_ratios, self.strips)
        effects = self._effects(t.sd, rounds, batch, 0)
        with np.errstate(divide="ignore"):
            lying = np.log(t.preharvest) + self._effects(t.preharvest_sd, rounds, batch, 1)
        own, before = t.sd.get("frame", 0.0), t.preharvest_sd.get("frame", 0.0)

        def counts(number: int, streams: tuple[int, int], behind: bool) -> np.ndarray:
            parts = []
            for at, place in self._blocks():
                frame = self._stream(batch, streams[0], *place)
                size = (number, 2, rounds, len(at))
                spread = frame.standard_normal(size)
                density = np.exp(lying[:, at] + before * spread[:, 0])
                if behind:
                    density += np.exp(header[at] + effects[:, at] + own * spread[:, 1])
                parts.append(self._stream(batch, streams[1], *place).poisson(density * area))
            return _by_strip(parts)

        return (
            counts(frames, (_FRAME, _COUNT), True),
            counts(effort.preharvest_frames, (_AHEAD_FRAME, _AHEAD_COUNT), False),
        )

    def counts(
        self, drawn: Drawn, family: Family, row: str, rounds: int, batch: int, times: int,
        size: float,
    ) -> np.ndarray:  # fmt: skip
        """Counts of any other response, `times` rows a strip of that size: an area, or so many
        examined; shape (rounds, strips * times)."""
        effects = setup_effect(drawn.ratios, self.strips) + self._effects(
            drawn.sd, rounds, batch, 2
        )
        parts = []
        for at, place in self._blocks():
            spread = self._stream(batch, _FRAME, *place).standard_normal((times, rounds, len(at)))
            mean = mean_of(drawn.typical, effects[:, at] + drawn.sd.get(row, 0.0) * spread, family)
            parts.append(FOUND[family](self._stream(batch, _COUNT, *place), mean, size))
        return _by_strip(parts)

    def _stream(self, batch: int, *key: int) -> np.random.Generator:
        sequence = np.random.SeedSequence(self.seed, spawn_key=(batch, *key))
        return np.random.Generator(np.random.PCG64(sequence))

    def _blocks(self) -> list[tuple[np.ndarray, tuple[int, int]]]:
        """Rows of every block, and the numbers of its field and of itself within the field."""
        field = pd.factorize(self.strips["field"])[0]
        out = []
        for f in range(field.max() + 1):
            rows = np.flatnonzero(field == f)
            pair = pd.factorize(self.strips["pair"].iloc[rows])[0]
            out += [(rows[pair == b], (f, b)) for b in range(pair.max() + 1)]
        return out

    def _effects(
        self, sd: Mapping[str, float], rounds: int, batch: int, response: int
    ) -> np.ndarray:
        """Sum of the effects of units larger than a frame, shape (rounds, strips)."""
        s, total = self.strips, np.zeros((rounds, len(self.strips)))
        split = s["main_strip"].notna().any()
        fields = list(dict.fromkeys(s["field"]))
        for at, place in self._blocks():
            draw = self._stream(batch, _BLOCK, response, *place)
            main = pd.factorize(s["main_strip"].iloc[at])[0] if split else np.zeros(len(at), int)
            total[:, at] += sd.get("pair", 0.0) * draw.standard_normal((rounds, 1))
            total[:, at] += sd.get("strip", 0.0) * draw.standard_normal((rounds, len(at)))
            whole = draw.standard_normal((rounds, main.max() + 1))
            if split:
                total[:, at] += sd.get("main_strip", 0.0) * whole[:, main]
        for f, name in enumerate(fields) if len(fields) > 1 else ():
            draw = self._stream(batch, _FIELD, response, f)
            at = np.flatnonzero(s["field"].eq(name))
            total[:, at] += sd.get("field", 0.0) * draw.standard_normal((rounds, 1))
            for factor in self.factors:
                level = np.unique(s[factor].iloc[at].astype(str), return_inverse=True)[1]
                effect = draw.standard_normal((rounds, level.max() + 1))
                total[:, at] += sd.get("setup_by_field", 0.0) * effect[:, level]
        return total


def _by_strip(parts: list[np.ndarray]) -> np.ndarray:
    """Blocks' counts, each of shape (frames, rounds, strips), as (rounds, strips * frames)."""
    together = np.concatenate(parts, axis=2)
    return together.transpose(1, 2, 0).reshape(together.shape[1], -1)
