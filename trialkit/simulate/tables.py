"""Every table of a simulated trial, drawn from a `Truth`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.intake.config import TrialConfig
from trialkit.simulate.rows import (
    EAR_ZONES,
    by_strip,
    frame_rows,
    repeated,
    sample_rows,
    search_rows,
    zone_frames,
)
from trialkit.simulate.shown import settings_card
from trialkit.simulate.truth import (
    PROCESSING_SD,
    RESIDUE_SAMPLE_SD,
    SCORE_SD,
    SIEVED,
    Truth,
    setup_effect,
    setup_shift,
)

SQUARE_FEET_10 = 10.0 * 0.3048**2


@dataclass(frozen=True, slots=True)
class HeaderProfile:
    """A header's plate gaps and guide clearances (mm) with one crooked plate and one pinch."""

    gap_front: float = 31.75
    gap_rear: float = 34.925
    gap_sd: float = 0.6
    crooked_row: int = 6
    crooked_by: float = 6.0
    wear_length: float = 55.0
    clearance: float = 132.0
    clearance_sd: float = 1.5
    pinched_row: int = 3
    pinched_by: float = 18.0

    def _repr_html_(self) -> str:
        return settings_card("The header as measured, mm", self)


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
        Tank samples per strip, kernels looked at in each, residue readings per strip.
    stalks : int
        Stalk diameters per field.
    settings : mapping
        ``{factor: {level: {column: value}}}``: numeric strip columns (SI) a level sets, such as
        ``gap_front`` (mm) or ``speed_set`` (km/h).
    header_check : HeaderProfile or None
        What the header's rows measure.
    """

    header_frames: int = 8
    preharvest_frames: int = 2
    total_frames: int = 2
    frame_area: float = SQUARE_FEET_10
    ear_area: float = 40.468564224
    grain_samples: int = 2
    kernels_examined: int = 200
    residue_samples: int = 1
    stalks: int = 20
    settings: Mapping[str, Mapping[str, Mapping[str, float]]] = field(default_factory=dict)
    header_check: HeaderProfile | None = None

    @classmethod
    def usual(cls, system: str) -> Effort:
        """With areas that are round in the system's units.

        Frames of 10 ft2 and 1/100 acre for ears are those of University of Missouri Extension
        G1290; Shauck & Smeda (2011) counted on 1 m2.
        """
        return cls() if system == "US" else cls(frame_area=1.0, ear_area=40.0)

    def _repr_html_(self) -> str:
        return settings_card("What is counted", self)


def tidy(
    values: np.ndarray | pd.Series, si: str, us: str, decimals: int, system: str
) -> np.ndarray:
    """SI values rounded as they would be written down in the trial's own units."""
    array = np.asarray(values, dtype=float)
    if system == "SI":
        return np.round(array, decimals)
    return np.asarray(units.convert(np.round(units.convert(array, si, us), decimals), us, si))


def draw_tables(
    config: TrialConfig,
    truth: Truth,
    effort: Effort,
    strips: pd.DataFrame,
    field_rows: pd.DataFrame,
    rng: np.random.Generator,
) -> dict[str, pd.DataFrame]:
    """All tables of a trial for a given layout.

    Parameters
    ----------
    strips : DataFrame
        From `strips_layout`; SI columns are added to it.
    field_rows : DataFrame
        The ``fields`` table.

    Returns
    -------
    dict of DataFrame
        ``fields, strips, frames, ears, grain, residue, header_check, stalks``, SI units; what
        `effort` does not take is absent.
    """
    draw = _Draw(config, truth, effort, _with_settings(strips, config, truth, effort, rng), rng)
    tables = {
        "fields": field_rows,
        "strips": draw.strips,
        "frames": draw.frames(),
        "ears": draw.ears(),
        "grain": draw.grain(),
        "residue": draw.residue(),
        "header_check": draw.header_check(),
        "stalks": draw.stalks(),
    }
    return {name: table for name, table in tables.items() if len(table)}


def _with_settings(
    strips: pd.DataFrame,
    config: TrialConfig,
    truth: Truth,
    effort: Effort,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Add settings, measured speed, moisture, test weight, yield and time of harvest."""
    out = strips.copy()
    system = config.units
    names = list(dict.fromkeys(out["field"]))
    n, k = len(out), len(names)
    place = out["field"].map({name: i for i, name in enumerate(names)}).to_numpy()
    span = np.linspace(0.0, 1.0, k) if k > 1 else np.array([0.5])

    def field_means(low_high: tuple[float, float]) -> np.ndarray:
        low, high = low_high
        return (low + (high - low) * rng.permutation(span))[place]

    moisture = field_means(truth.moisture) + rng.normal(0.0, truth.moisture_sd, n)
    speed = field_means(truth.speed)
    for column in ("gap_front", "gap_rear", "speed_set", "roll_rpm"):
        out[column] = np.nan
    for factor, levels in effort.settings.items():
        for level, values in levels.items():
            for column, value in values.items():
                out.loc[out[factor].eq(level), column] = value
    if out["speed_set"].isna().all():
        out["speed_set"] = tidy(np.full(n, np.mean(truth.speed)), "km/h", "mph", 1, system)
    else:
        speed = out["speed_set"].to_numpy(dtype=float)
    out["speed_measured"] = tidy(
        speed + rng.normal(0.0, truth.speed_sd, n), "km/h", "mph", 1, system
    )
    out["roll_rpm"] = out["roll_rpm"].fillna(900.0)
    shift = {
        column: setup_shift(truth.strip_shifts.get(column, {}), out)
        for column in ("moisture", "test_weight", "yield")
    }
    out["moisture"] = np.round(moisture + shift["moisture"], 1)
    weight = 74.0 - 0.35 * (moisture - 18.0) + rng.normal(0.0, 0.5, n) + shift["test_weight"]
    out["test_weight"] = tidy(weight, "kg/hL", "lb/bu", 1, system)
    pair = pd.factorize(out["field"] + "/" + out["pair"])[0]
    grain = (
        truth.yield_mean
        + truth.yield_sd * rng.normal(size=k)[place]
        + truth.yield_sd / 2 * rng.normal(size=pair.max() + 1)[pair]
        + truth.yield_sd / 4 * rng.normal(size=n)
        + shift["yield"]
    )
    out["yield"] = tidy(grain, "kg/ha", "bu/ac", 1, system)
    start = pd.Timestamp(config.season, 10, 3, 10)
    order = out.groupby("field").cumcount().to_numpy()
    out["harvested_at"] = [
        start + pd.Timedelta(days=2 * int(day)) + pd.Timedelta(minutes=20 * int(step))
        for day, step in zip(place, order, strict=True)
    ]
    return out


class _Draw:
    """Shared state of one draw; the random stream is consumed in the order of the tables."""

    def __init__(
        self,
        config: TrialConfig,
        truth: Truth,
        effort: Effort,
        strips: pd.DataFrame,
        rng: np.random.Generator,
    ) -> None:
        self.config, self.truth, self.effort = config, truth, effort
        self.strips, self.rng = strips.reset_index(drop=True), rng
        self.names = self.strips["strip"].tolist()
        self.moisture = (strips["moisture"] - strips["moisture"].mean()).to_numpy()
        self.speed = (strips["speed_measured"] - strips["speed_measured"].mean()).to_numpy()

    def _effects(self, sd: Mapping[str, float]) -> np.ndarray:
        """Sum of the normal effects of field, setup in field, pair, main strip and strip."""
        rng, s = self.rng, self.strips
        total = np.zeros(len(s))
        block = s["field"] + "/" + s["pair"]
        one_field = s["field"].nunique() == 1
        units_of = {"pair": block, "strip": s["strip"]}
        if not one_field:
            units_of["field"] = s["field"]
        if s["main_strip"].notna().any():
            units_of["main_strip"] = block + "/" + s["main_strip"].astype(str)
        for level in ("field", "pair", "main_strip", "strip"):
            if level in units_of and sd.get(level, 0.0) > 0:
                code = pd.factorize(units_of[level])[0]
                total += rng.normal(0.0, sd[level], code.max() + 1)[code]
        if sd.get("setup_by_field", 0.0) > 0 and not one_field:
            for factor in self.config.setups:
                code = pd.factorize(s["field"] + "/" + s[factor.name].astype(str))[0]
                total += rng.normal(0.0, sd["setup_by_field"], code.max() + 1)[code]
        return total

    def frames(self) -> pd.DataFrame:
        t, e, rng = self.truth, self.effort, self.rng
        header = np.log(t.header) + setup_effect(t.header_ratios, self.strips)
        header = header + self._effects(t.sd)
        header += np.log(t.moisture_ratio) * self.moisture + np.log(t.speed_ratio) * self.speed
        processing = t.processing * np.exp(setup_effect(t.processing_ratios, self.strips))
        ahead = np.log(t.preharvest) + self._effects(t.preharvest_sd)
        width = self.config.header.width / self.config.header.discharge_width
        parts = []
        for zone, times in zone_frames(e).items():
            row, _ = repeated(len(self.strips), times)
            size = len(row)
            density = np.exp(ahead[row] + rng.normal(0.0, t.preharvest_sd.get("frame", 0.0), size))
            if zone != "preharvest":
                density += np.exp(header[row] + rng.normal(0.0, t.sd.get("frame", 0.0), size))
            if zone == "total":
                density += processing[row] * width * np.exp(rng.normal(0.0, PROCESSING_SD, size))
            parts.append(
                frame_rows(self.names, zone, times, e.frame_area).assign(
                    loose_kernels=rng.poisson(density * e.frame_area), note=None
                )
            )
        return by_strip(pd.concat(parts, ignore_index=True), self.names)

    def ears(self) -> pd.DataFrame:
        t, e, rng = self.truth, self.effort, self.rng
        if e.ear_area == 0:
            return pd.DataFrame()
        header = t.ears * np.exp(setup_effect(t.ear_ratios, self.strips))
        parts = []
        added = dict(zip(EAR_ZONES, (np.zeros(len(self.strips)), header), strict=True))
        for zone, lost in added.items():
            density = t.preharvest_ears + lost
            ears = rng.poisson(density * e.ear_area)
            mass = rng.normal(*t.ear_kernels, len(ears)).clip(60.0)
            mass = tidy(mass, "g", "lb", 2, self.config.units)
            parts.append(
                search_rows(self.names, zone, e.ear_area).assign(
                    ears=ears,
                    kernel_mass_per_ear=np.where(ears > 0, mass, np.nan),
                    kernels_per_ear=np.nan,
                    note=None,
                )
            )
        return by_strip(pd.concat(parts, ignore_index=True), self.names)

    def grain(self) -> pd.DataFrame:
        t, e, rng = self.truth, self.effort, self.rng
        eta = np.log(t.damage / (1 - t.damage)) + setup_effect(t.damage_odds, self.strips)
        eta = eta + self._effects(t.damage_sd) + np.log(t.damage_moisture_odds) * self.moisture
        row, _ = repeated(len(self.strips), e.grain_samples)
        eta = eta[row] + rng.normal(0.0, t.damage_sd.get("sample", 0.0), len(row))
        share = 1.0 / (1.0 + np.exp(-eta))
        mass = np.round(rng.normal(250.0, 4.0, len(row)), 1)
        return sample_rows(self.names, e.grain_samples).assign(
            kernels_examined=e.kernels_examined,
            kernels_damaged=rng.binomial(e.kernels_examined, share),
            sample_mass=mass,
            sieve_mass=np.round(mass * SIEVED * share * rng.uniform(0.8, 1.2, len(row)), 1),
            foreign_mass=np.round(mass * rng.uniform(0.001, 0.006, len(row)), 1),
        )

    def residue(self) -> pd.DataFrame:
        t, rng = self.truth, self.rng
        times = self.effort.residue_samples
        row, _ = repeated(len(self.strips), times)
        log = np.log(t.residue) + setup_effect(t.residue_ratios, self.strips)
        log = log + self._effects(t.residue_sd)
        share = np.exp(log[row] + rng.normal(0.0, RESIDUE_SAMPLE_SD, len(row)))
        mass = np.round(rng.normal(2000.0, 60.0, len(row)), 0)
        score = np.round(share / t.residue + rng.normal(0.0, SCORE_SD, len(row))).clip(0, 5)
        return sample_rows(self.names, times).assign(
            sample_mass=mass, residue_mass=np.round(mass * share, 1), score=score
        )

    def header_check(self) -> pd.DataFrame:
        p, rng, rows = self.effort.header_check, self.rng, self.config.header.rows
        if p is None:
            return pd.DataFrame()
        table = pd.DataFrame({"header": "1", "row": [str(i) for i in range(1, rows + 1)]})
        crooked = p.crooked_by * (np.arange(1, rows + 1) == p.crooked_row)
        for end, target in (("front", p.gap_front), ("rear", p.gap_rear)):
            for side, shift in (("left", 0.0 * crooked), ("right", crooked)):
                gap = target + shift + rng.normal(0.0, p.gap_sd, rows)
                table[f"gap_{end}_{side}"] = tidy(gap, "mm", "in", 2, self.config.units)
            table[f"set_{end}"] = tidy(np.full(rows, target), "mm", "in", 3, self.config.units)
        wear = rng.normal(p.wear_length, 6.0, rows)
        table["roll_wear_length"] = tidy(wear, "mm", "in", 1, self.config.units)
        pinched = p.pinched_by * (np.arange(1, rows + 1) == p.pinched_row)
        for station in range(1, 6):
            reading = p.clearance + rng.normal(0.0, p.clearance_sd, rows) - pinched * (station == 3)
            table[f"clearance_{station}"] = tidy(reading, "mm", "in", 2, self.config.units)
        return table

    def stalks(self) -> pd.DataFrame:
        parts = []
        for name in dict.fromkeys(self.strips["field"]):
            diameter = self.rng.normal(self.rng.normal(24.0, 1.2), 2.5, self.effort.stalks)
            parts.append(
                pd.DataFrame(
                    {"field": name, "diameter": tidy(diameter, "mm", "in", 2, self.config.units)}
                )
            )
        return pd.concat(parts, ignore_index=True)
