"""Sections of a file that describes a plan: how to plan, what to count, how long it takes, what to
simulate; and quantities with their units."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

from trialkit import units
from trialkit.intake.config import ABSENT, SectionReader
from trialkit.plan.arrange import LAYOUTS, Layout
from trialkit.plan.build import BETWEEN
from trialkit.responses import TABLES, ZONES
from trialkit.simulate import Effort, Work
from trialkit.simulate.work import MINUTES, ORDERS
from trialkit.words import plan as words

# What a quantity is given in where it stands without a unit: US, SI.
UNITS = {
    "length": ("ft", "m"), "row_spacing": ("in", "m"), "frame_area": ("ft2", "m2"),
    "ear_area": ("ft2", "m2"), "speed": ("mph", "km/h"),
}  # fmt: skip
_WITH_UNIT = re.compile(r"\s*([0-9]*\.?[0-9]+)\s*([^\d\s.,+-].*?)?\s*")


def plan_arguments(reader: SectionReader | None, us: bool) -> dict[str, Any]:
    """Those of `plan_trial` that are given; it has the defaults."""
    if reader is None:
        return {}
    given = list(reader.data)
    found: dict[str, Any] = {
        "layout": _choice(reader, "layout", LAYOUTS),
        "blocks": whole(reader, "blocks", 1, 99),
        "setups": _setups(reader),
        "seed": whole(reader, "seed", 0, 2**53),
        "pass_rows": whole(reader, "pass_rows", 1, 36),
        "border_passes": whole(reader, "border_passes", 0, 20),
        "buffer_passes": whole(reader, "buffer_passes", 0, 20),
        "buffers_between": _choice(reader, "buffers_between", BETWEEN),
        "min_length": quantity(reader, "min_length", us, 0.0, 1e5, None),
        "balance": reader.flag("balance", False),
        "max_run": whole(reader, "max_run", 2, 99),
        "order": _choice(reader, "order", ORDERS),
        "alternate": reader.flag("alternate", True),
        "max_change_hours": _hours(reader),
    }
    reader.close()
    return {key: value for key, value in found.items() if key in given}


def _setups(reader: SectionReader) -> list[dict[str, str]] | None:
    value = reader.take("setups")
    if value is ABSENT:
        return None
    if (
        isinstance(value, list)
        and value
        and all(isinstance(s, dict) and all(isinstance(v, str) for v in s.values()) for s in value)
    ):
        return [dict(s) for s in value]
    reader.fault("setups", words.expected_of("setups"), value)
    return None


def _hours(reader: SectionReader) -> float | None:
    if "max_change_hours" in reader.data:
        return reader.number("max_change_hours", 0, 10_000, "hours")
    reader.known.append("max_change_hours")
    return None


def counted_effort(reader: SectionReader | None, us: bool, across: float) -> Effort:
    own = Effort.usual("US" if us else "SI", across)
    if reader is None:
        return own
    found: dict[str, Any] = {
        key: whole(reader, key, low, high, getattr(own, key))
        for key, low, high in (
            ("header_frames", 0, 200), ("preharvest_frames", 0, 200), ("total_frames", 0, 200),
            ("grain_samples", 0, 200), ("kernels_examined", 1, 1_000_000),
            ("residue_samples", 0, 200), ("intake_samples", 0, 200), ("butt_samples", 0, 200),
            ("ears_examined", 1, 10_000),
        )
    }  # fmt: skip
    found["frame_area"] = quantity(reader, "frame_area", us, 0.01, 100, own.frame_area)
    found["ear_area"] = quantity(reader, "ear_area", us, 0.0, 10_000, own.ear_area)
    others = {key: whole(reader, key, 0, 200, None) for key in _further(own)}
    reader.close()
    if any(others.values()):
        found["others"] = {key: value for key, value in others.items() if value is not None}
    return replace(own, **{key: value for key, value in found.items() if value is not None})


def _further(effort: Effort) -> list[str]:
    """What is counted that has no number of its own in an `Effort`: tables, frames of zones."""
    names = [
        layout.sheet.effort or name for name, layout in TABLES.items() if layout.sheet is not None
    ]
    names += [zone.frames or name for name, zone in ZONES.items()]
    return [name for name in names if not hasattr(effort, name)]


def timed_work(reader: SectionReader, us: bool) -> Work:
    own = Work()
    speed = quantity(reader, "speed", us, 0.5, 25, own.speed)
    given: dict[str, Any] = {
        k: reader.number(k, 0, 1000, "minutes", getattr(own, k)) for k in MINUTES
    }
    changes: dict[str, float] = {}
    if section := reader.section("change_minutes"):
        changes = {k: section.number(k, 0, 10_000, "minutes") for k in list(section.data)}
    reader.close()
    return Work(speed=own.speed if speed is None else speed, change_minutes=changes, **given)


def power_arguments(reader: SectionReader | None, us: bool) -> dict[str, Any]:
    """Those of `DescribedPlan.power` that are given; losses in kg/ha, percent as shares."""
    if reader is None:
        return {}
    given = list(reader.data)
    found: dict[str, Any] = {
        "reduction": _percent(reader, "reduction", -900, 99.9),
        "response": reader.text("response", "a response's name", ""),
        "loss": _loss(reader, us),
        "damage": _percent(reader, "damage", 0.001, 99.9),
        "pairs": _counts(reader, "pairs", 2, 99),
        "frames": _counts(reader, "frames", 1, 200),
        "fields": _counts(reader, "fields", 1, 50),
        "rounds": whole(reader, "rounds", 2, 20_000),
        "aim": _percent(reader, "aim", 5.1, 99.9),
    }
    reader.close()
    return {key: value for key, value in found.items() if key in given}


def _percent(reader: SectionReader, key: str, low: float, high: float) -> float:
    return reader.number(key, low, high, "percent", 0.0) / 100


def _loss(reader: SectionReader, us: bool) -> float:
    own = "bu/ac" if us else "kg/ha"
    value = reader.number("loss", 0.001, 10_000, own, 0.0)
    return value * (units.KG_HA_PER_BU_AC if us else 1.0)


def _counts(reader: SectionReader, key: str, low: int, high: int) -> list[int]:
    value = reader.take(key)
    if value is ABSENT:
        return []
    listed = value if isinstance(value, list) else [value]
    if listed and all(is_number(v) and v % 1 == 0 and low <= v <= high for v in listed):
        return [int(v) for v in listed]
    reader.fault(key, words.whole_numbers(low, high), value)
    return []


def is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def whole(
    reader: SectionReader, key: str, low: int, high: int, default: int | None = None
) -> int | None:
    if key not in reader.data:
        reader.known.append(key)
        return default
    return reader.whole(key, low, high, "a whole number")


def _choice(reader: SectionReader, key: str, options: tuple[str, ...]) -> Layout | str | None:
    if key not in reader.data:
        reader.known.append(key)
        return None
    return reader.choice(key, options)


def quantity(
    reader: SectionReader, key: str, us: bool, low: float, high: float, default: Any = ABSENT
) -> float | None:
    """A quantity in SI; bounds are in SI too."""
    value = reader.take(key)
    if value is ABSENT and default is not ABSENT:
        return default
    unit, si = UNITS.get(key, UNITS["length"])
    own = unit if us else si
    given = in_si(value, own, si)
    if given is not None and low * (1 - 1e-9) <= given <= high * (1 + 1e-9):
        return given
    least, most = (float(units.convert(v, si, own)) for v in (low, high))
    reader.fault(key, words.quantity(least, most, own), value)
    return None


def in_si(value: Any, own: str, si: str) -> float | None:
    """A number in the unit `own`, or a text that may name another one, in `si`; else None."""
    if is_number(value) and abs(value) < 1e12:
        return float(units.convert(float(value), own, si))
    if isinstance(value, str) and (found := _WITH_UNIT.fullmatch(value)):
        symbol = own if found[2] is None else units.unit_symbol(found[2])
        if symbol in units.units_like(si):
            return float(units.convert(float(found[1]), symbol, si))
    return None
