"""Every table of a simulated trial, drawn from a `Truth`."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trialkit import units
from trialkit.behind_machine import discharge_width
from trialkit.intake.config import TrialConfig
from trialkit.simulate.rows import (
    EAR_ZONES,
    behind_rows,
    by_strip,
    frame_rows,
    repeated,
    sample_rows,
    search_rows,
    zone_frames,
)
from trialkit.simulate.shown import settings_card
from trialkit.simulate.strips import tidy, with_settings
from trialkit.simulate.truth import (
    PROCESSING_SD,
    RESIDUE_SAMPLE_SD,
    SCORE_SD,
    SIEVED,
    Truth,
    setup_effect,
)

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

    def back_up(self, width: float) -> float:
        """How far (m) the machine backs up so that an ear search fits ahead of it, pass `width`."""
        return self.ear_area / width

    def _repr_html_(self) -> str:
        return settings_card("What is counted", self)


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
        From `strips_layout` or a plan; SI columns are added to it. A ``harvested_at`` stays where
        every strip has one.
    field_rows : DataFrame
        The ``fields`` table.

    Returns
    -------
    dict of DataFrame
        ``fields, strips, frames, ears, grain, ear_butt_damage, residue, header_check, stalks,
        ear_butts``, SI units; what `effort` does not take is absent.
    """
    draw = _Draw(config, truth, effort, with_settings(strips, config, truth, effort, rng), rng)
    tables = {
        "fields": field_rows,
        "strips": draw.strips,
        "frames": draw.frames(),
        "ears": draw.ears(),
        "grain": draw.grain(),
        "residue": draw.residue(),
        "header_check": draw.header_check(),
        "stalks": draw.diameters(24.0, 1.2, 2.5, effort.stalks),
        "ear_butts": draw.diameters(44.0, 1.2, 3.0, effort.ear_butts),
    }
    # Last, so that a trial that does not take them is drawn as it was before there were any.
    tables["ear_butt_damage"] = draw.butts()
    behind = draw.intake()
    if len(behind):
        tables["residue"] = by_strip(
            pd.concat([tables["residue"].assign(taken_at="tank"), behind], ignore_index=True),
            draw.names,
        )
    return {name: table for name, table in tables.items() if len(table)}


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
        width = (self.config.header.width / discharge_width(self.strips, self.config)).to_numpy()
        parts = []
        for zone, times in zone_frames(e).items():
            row, _ = repeated(len(self.strips), times)
            size = len(row)
            density = np.exp(ahead[row] + rng.normal(0.0, t.preharvest_sd.get("frame", 0.0), size))
            if zone != "preharvest":
                density += np.exp(header[row] + rng.normal(0.0, t.sd.get("frame", 0.0), size))
            cobs = np.full(size, np.nan)
            if zone == "total":
                added = (processing * width)[row] * np.exp(rng.normal(0.0, PROCESSING_SD, size))
                if t.threshing_share is not None:
                    cobs = rng.poisson(t.threshing_share * added * e.frame_area).astype(float)
                density += added * (1.0 - (t.threshing_share or 0.0))
            parts.append(
                frame_rows(self.names, zone, times, e.frame_area).assign(
                    loose_kernels=rng.poisson(density * e.frame_area),
                    kernels_on_cobs=cobs, note=None,
                )
            )  # fmt: skip
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

    def butts(self) -> pd.DataFrame:
        t, e, rng = self.truth, self.effort, self.rng
        if e.butt_samples == 0:
            return pd.DataFrame()
        eta = np.log(t.butt_damage / (1 - t.butt_damage)) + setup_effect(t.butt_odds, self.strips)
        eta = eta + self._effects(t.butt_sd)
        row, _ = repeated(len(self.strips), e.butt_samples)
        eta = eta[row] + rng.normal(0.0, t.butt_sd.get("sample", 0.0), len(row))
        return sample_rows(self.names, e.butt_samples).assign(
            ears_examined=e.ears_examined,
            ears_damaged=rng.binomial(e.ears_examined, 1.0 / (1.0 + np.exp(-eta))),
        )

    def intake(self) -> pd.DataFrame:
        t, rng, times = self.truth, self.rng, self.effort.intake_samples
        if times == 0:
            return pd.DataFrame()
        row, _ = repeated(len(self.strips), times)
        log = np.log(t.leaf_intake) + setup_effect(t.leaf_ratios, self.strips)
        log = (log + self._effects(t.leaf_sd))[row] + rng.normal(0.0, RESIDUE_SAMPLE_SD, len(row))
        cobs = rng.normal(500.0, 40.0, len(row)).clip(100.0)
        leaves = np.round(cobs * np.exp(log), 0)
        return behind_rows(self.names, times).assign(
            sample_mass=np.round(cobs, 0) + leaves, residue_mass=leaves
        )

    def residue(self) -> pd.DataFrame:
        t, rng = self.truth, self.rng
        times = self.effort.residue_samples
        row, _ = repeated(len(self.strips), times)
        log = np.log(t.residue) + setup_effect(t.residue_ratios, self.strips)
        log = log + self._effects(t.residue_sd)
        share = np.exp(log[row] + rng.normal(0.0, RESIDUE_SAMPLE_SD, len(row)))
        mass = np.round(rng.normal(2000.0, 60.0, len(row)), 0)
        score = np.round(share / t.residue + rng.normal(0.0, SCORE_SD, len(row))).clip(0, 5) + 0.0
        return sample_rows(self.names, times).assign(
            sample_mass=mass, residue_mass=np.round(mass * share, 1), score=score
        )

    def header_check(self) -> pd.DataFrame:
        given = self.effort.header_check
        if given is None:
            return pd.DataFrame()
        profiles = {"1": given} if isinstance(given, HeaderProfile) else given
        every = [self._header(name, profile) for name, profile in profiles.items()]
        return pd.concat(every, ignore_index=True)

    def _header(self, name: str, p: HeaderProfile) -> pd.DataFrame:
        rng, rows = self.rng, self.config.header.rows
        # What is drawn from elsewhere leaves all tables drawn after this one as they are.
        others = rng.spawn(1)[0]
        units = self.config.units

        def read(mm: np.ndarray, places: int = 2) -> np.ndarray:
            return tidy(mm, "mm", "in", places, units)

        table = pd.DataFrame({"header": name, "row": [str(i) for i in range(1, rows + 1)]})
        crooked = p.crooked_by * (np.arange(1, rows + 1) == p.crooked_row)
        for end, target in (("front", p.gap_front), ("rear", p.gap_rear)):
            for side in ("left", "right"):
                plate = target / 2 + rng.normal(0.0, p.gap_sd, rows) / 2
                plate += crooked * (side == "right" and end == "rear")
                table[f"plate_{side}_{end}"] = read(plate)
                table[f"gap_{end}"] = table.get(f"gap_{end}", 0.0) + plate
            table[f"gap_{end}"] = read(table[f"gap_{end}"].to_numpy())
            table[f"set_{end}"] = read(np.full(rows, target), 3)
        for side, wear in (
            ("left", rng.normal(p.wear_length, 6.0, rows)),
            ("right", others.normal(p.wear_length, 6.0, rows)),
        ):  # fmt: skip
            table[f"roll_{side}_wear_length"] = read(wear, 1)
        pinched = p.pinched_by * (np.arange(1, rows + 1) == p.pinched_row)
        for station in range(1, 6):
            reading = p.clearance + rng.normal(0.0, p.clearance_sd, rows) - pinched * (station == 3)
            table[f"clearance_{station}"] = read(reading)
        # Sound, well inside common practice: knives 2 mm apart, 13 mm of slack, 1 % of stretch.
        table["roll_clearance"] = read(others.normal(2.0, 0.15, rows))
        table["plate_edge_wear"] = read(others.uniform(0.2, 1.5, rows))
        table["chain_slack"] = read(others.normal(13.0, 1.5, rows))
        table["chain_stretch"] = np.round(others.uniform(0.6, 1.6, rows), 1)
        table["flaps"] = "sound"
        return table

    def diameters(self, mean: float, between: float, within: float, times: int) -> pd.DataFrame:
        """Of stalks or ear butts, `times` in every field."""
        parts = []
        for name in dict.fromkeys(self.strips["field"]):
            drawn = self.rng.normal(self.rng.normal(mean, between), within, times)
            drawn = tidy(drawn, "mm", "in", 2, self.config.units)
            parts.append(pd.DataFrame({"field": name, "diameter": drawn}))
        return pd.concat(parts, ignore_index=True)
