"""What a header check is asked with, in the trial's own units, turned into what it takes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, TypedDict

from trialkit.errors import DesignError, ReportError
from trialkit.header import HeaderLimits, HeaderReport, RowUnit, check_header
from trialkit.trial import Trial
from trialkit.units import convert
from trialkit.words.header_page import columns_needed, not_filled_in

# Option: its unit in a US and in an SI trial, and what it is turned into.
UNITS = {
    "speeds": ("mph", "km/h", "km/h"),
    "population": ("plants/ac", "plants/ha", "plants/ha"),
    "roll_length": ("in", "mm", "mm"),
    "roll_diameter": ("in", "mm", "mm"),
    "pulled_length": ("in", "mm", "mm"),
    "chain_speed": ("mph", "km/h", "km/h"),
}


class HeaderOptions(TypedDict, total=False):
    """Options of `header_reports`, in the trial's own units."""

    speeds: Sequence[float]
    population: float | None
    roll_rpm: float | None
    cushion: bool
    efficiency: float
    roll_length: float | None
    roll_diameter: float | None
    pulled_length: float | None
    grip: float | None
    chain_speed: float | None
    limits: HeaderLimits | None


def given(option: str, value: float, system: str) -> float:
    """An option in SI.

    Raises
    ------
    ReportError
        When it is not above zero.
    """
    if not (math.isfinite(value) and value > 0):
        raise ReportError(f"{option.replace('_', ' ')} must be above zero, not {value:g}.")
    us, si, inside = UNITS[option]
    return float(convert(value, us if system == "US" else si, inside))


def header_reports(
    trial: Trial,
    *,
    speeds: Sequence[float] = (),
    population: float | None = None,
    roll_rpm: float | None = None,
    cushion: bool = False,
    efficiency: float = 0.70,
    roll_length: float | None = None,
    roll_diameter: float | None = None,
    pulled_length: float | None = None,
    grip: float | None = None,
    chain_speed: float | None = None,
    limits: HeaderLimits | None = None,
) -> tuple[HeaderReport, ...]:
    """Every header of a trial checked; options in the trial's own units, see `UNITS`.

    Parameters
    ----------
    trial : Trial
    speeds : sequence of float
        Ground speeds, mph or km/h; by default those of the strips.
    population : float, optional
        Plants/ac or plants/ha; by default that of each field.
    roll_rpm : float, optional
        1/min; by default that of the strips.
    cushion, efficiency, grip, limits
        As `check_header` and `RowUnit` have them.
    roll_length, roll_diameter, pulled_length : float, optional
        in or mm.
    chain_speed : float, optional
        mph or km/h.

    Raises
    ------
    DesignError
        Without a header check; the message says which table it takes.
    ReportError
        For an option out of range.
    """
    system = trial.config.units
    if trial.header_check.empty:
        if trial.read.loc[trial.read["table"].eq("header_check"), "rows_not_filled"].any():
            raise DesignError(not_filled_in())
        raise DesignError(columns_needed("in" if system == "US" else "mm"))
    if not 0 < efficiency <= 1:
        raise ReportError(f"efficiency is a share above 0, at most 1, not {efficiency:g}.")
    if roll_rpm is not None and not roll_rpm > 0:
        raise ReportError(f"roll rpm must be above zero, not {roll_rpm:g}.")
    sizes: dict[str, Any] = {
        name: given(name, value, system)
        for name, value in (
            ("roll_length", roll_length), ("roll_diameter", roll_diameter),
            ("pulled_length", pulled_length), ("chain_speed", chain_speed),
        )
        if value is not None
    }  # fmt: skip
    if "chain_speed" in sizes:
        sizes["chain_speed"] /= 3.6  # m/s
    if grip is not None:
        sizes["grip"] = grip
    unit = replace(RowUnit(), **sizes) if sizes else None
    asked = [given("speeds", speed, system) for speed in speeds]
    return tuple(
        check_header(
            trial, header, speed=asked or None, roll_rpm=roll_rpm,
            population=None if population is None else given("population", population, system),
            cushion=cushion, efficiency=efficiency, unit=unit, limits=limits,
        )
        for header in dict.fromkeys(trial.header_check["header"])
    )  # fmt: skip
