"""A plan described in a small TOML file: the trial's settings, its fields, and how to plan.

The file is a trial.toml with ``[[field]]`` sections and, where the defaults do not suit,
``[plan]``, ``[count]`` and ``[work]``; `EXAMPLE` shows all of it. A quantity is a number in the
trial's own units, or a text with its unit, as in ``"75 cm"``. All faults are told at once, an
unknown key with the nearest known one.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from trialkit import units
from trialkit.display import card, folded, table
from trialkit.errors import TrialError
from trialkit.intake.config import (
    ABSENT,
    SectionReader,
    TrialConfig,
    faulty,
    take_config,
    toml_data,
)
from trialkit.plan.arrange import Layout
from trialkit.plan.build import BETWEEN, LAYOUTS, plan_trial
from trialkit.plan.geo import Corner
from trialkit.plan.ground import Ground
from trialkit.plan.result import Plan
from trialkit.quantities import upper_first
from trialkit.simulate import Effort, Work
from trialkit.simulate.work import MINUTES, ORDERS

# What a quantity is given in where it stands without a unit: US, SI.
UNITS = {
    "length": ("ft", "m"), "row_spacing": ("in", "m"), "frame_area": ("ft2", "m2"),
    "ear_area": ("ft2", "m2"), "speed": ("mph", "km/h"),
}  # fmt: skip
_WITH_UNIT = re.compile(r"\s*([0-9]*\.?[0-9]+)\s*([^\d\s.,+-].*?)?\s*")

EXAMPLE = """\
# A plan, for: trialkit plan NEW_FOLDER --from plan.toml
# Lines that begin with # are not read. Lengths are in ft (US) or m (SI), row spacing in in or m,
# areas in ft2 or m2, speed in mph or km/h; with quotation marks in any unit, as in "75 cm".
title = "Cushioned against standard chain"
season = 2026
units = "US"

[header]
rows = 8
width = 20

[[setup]]
name = "cushion"
levels = ["standard", "cushion"]
# labels = ["Standard chain", "Cushioned chain"]  # words for people; of numbers, with their unit
hard_to_change = true

[[field]]
name = "Home"
length = 1320  # along the rows, headlands included
width = 400  # across the rows; or rows = 160; left out: as much as the trial takes
row_spacing = 30
planter_rows = 16  # left out: the joints between planter passes do not matter
headland = 60  # at each end, harvested before
# corner = [41.50, -93.60]  # latitude, longitude of the near left corner: a map for the cab
# heading = 0  # degrees clockwise from north, along the rows

[plan]
blocks = 6  # blocks, or pairs, in each field
seed = 7  # left out: drawn and recorded
# layout = "pairs"  # or "blocks", "split"; left out: as the factors ask for
# setups = [{cushion = "standard"}, {cushion = "cushion"}]  # left out: every combination
# pass_rows = 8  # rows taken in a pass
# border_passes = 1
# buffer_passes = 0
# buffers_between = "blocks"  # or "main strips", "strips"
# min_length = 300
# balance = false  # every setup at every place of its block equally often
# max_run = 3  # blocks in a row that begin alike
# order = "position"  # or "fewest changes"
# alternate = true  # up and down in turn
# max_change_hours = 12

[count]  # on every strip
header_frames = 8
preharvest_frames = 2
total_frames = 2
frame_area = 10
ear_area = 400  # what 20 ft of a pass hold; 0: no search for ears
grain_samples = 2
# kernels_examined = 200
# residue_samples = 1  # in the tank
# intake_samples = 1  # of what fell behind the machine
# butt_samples = 1  # groups of ears collected at the header
# ears_examined = 25

# [work]  # minutes of one person
# speed = 5
# turn_minutes = 1
# stop_minutes = 5  # of a strip: backing up, shutting off, walking
# frame_minutes = 3  # a check of five frames takes about 15
# search_minutes = 3  # for ears
# sample_minutes = 10  # sorting it
# field_minutes = 60  # moving to a field
# change_minutes = {cushion = 120}
"""


@dataclass(frozen=True, slots=True)
class DescribedPlan:
    """A plan as described, before it is drawn.

    Attributes
    ----------
    config : TrialConfig
    grounds : tuple of Ground
    arguments : mapping
        Those of `plan_trial` that were given.
    effort : Effort
        What is to be counted.
    corners, headings : mapping
        Field to (latitude, longitude) and to degrees clockwise from north; every field or none.
    """

    config: TrialConfig
    grounds: tuple[Ground, ...]
    arguments: Mapping[str, Any]
    effort: Effort
    corners: Mapping[str, Corner]
    headings: Mapping[str, float]

    def _repr_html_(self) -> str:
        grounds = pd.DataFrame([asdict(ground) for ground in self.grounds])
        names = {"length": "length, m", "width": "width, m", "row_spacing": "row spacing, m",
                 "headland": "headland, m"}  # fmt: skip
        return card(
            f"A plan, not drawn yet: {self.config.title}",
            [f"{upper_first(key.replace('_', ' '))}: {value}." for key, value
             in self.arguments.items() if isinstance(value, str | int | float)],
            table(grounds, "Fields", names=names),
            folded("The trial's settings", self.config._repr_html_()),
            folded("What is counted", self.effort._repr_html_()),
        )  # fmt: skip

    def plan(self) -> Plan:
        """Draw it; raises as `plan_trial`."""
        return plan_trial(self.config, self.grounds, effort=self.effort, **self.arguments)


def read_description(path: str | Path) -> DescribedPlan:
    """A plan from a TOML file.

    Raises
    ------
    TrialError
        When there is no such file, it is no TOML, or it has faults; every fault is listed.
    """
    path = Path(path)
    return check_description(description_data(path), path.name)


def description_data(path: Path) -> dict[str, Any]:
    """What the file holds, unchecked."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise TrialError(f"{path} cannot be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise TrialError(f"{path} is not text saved as UTF-8.") from None
    return toml_data(text, path.name)


def check_description(data: Mapping[str, Any], name: str = "plan.toml") -> DescribedPlan:
    """A plan from the nested mapping such a file holds; raises as `read_description`."""
    top = SectionReader(dict(data), "", [])
    us = str(data.get("units")).strip().casefold() != "si"
    places: dict[str, tuple[Corner, float]] = {}
    grounds = tuple(_grounds(top, us, places))
    arguments = _arguments(top.section("plan"), us)
    rows = arguments.get("pass_rows") or _rows_of(data)
    across = rows * min((g.row_spacing for g in grounds), default=0.762)
    effort = _effort(top.section("count"), us, across)
    work = top.section("work")
    if work is not None:
        arguments["work"] = _work(work, us)
    if top.take("pace") is not ABSENT:
        top.faults.append(
            "[pace] is now [work], which has stop_minutes and frame_minutes for count_minutes"
        )
    config = take_config(top)
    if places and len(places) < len(grounds):
        top.faults.append("corner and heading are given for some fields; expected all, or none")
    if config is None or top.faults:
        raise faulty(name, top.faults)
    return DescribedPlan(
        config, grounds, arguments, effort,
        {f: corner for f, (corner, _) in places.items()},
        {f: heading for f, (_, heading) in places.items()},
    )  # fmt: skip


def _grounds(top: SectionReader, us: bool, places: dict[str, tuple[Corner, float]]) -> list[Ground]:
    value = top.take("field")
    good = isinstance(value, list) and value and all(isinstance(entry, dict) for entry in value)
    if not good:
        top.fault("field", "sections [[field]], one for each field", value)
        return []
    grounds: list[Ground] = []
    for number, entry in enumerate(value, start=1):
        before = len(top.faults)
        reader = SectionReader(dict(entry), f"field {number}: ", top.faults)
        name = " ".join(reader.text("name", "the field's name").split())
        spacing = _quantity(reader, "row_spacing", us, 0.2, 2.0, 0.762)
        ground = {
            "length": _quantity(reader, "length", us, 1.0, 1e5),
            "width": _width(reader, us, spacing),
            "planter_rows": _whole(reader, "planter_rows", 1, 96),
            "headland": _quantity(reader, "headland", us, 0.0, 1e4, 0.0),
        }
        if "corner" in reader.data or "heading" in reader.data:
            corner = _corner(reader)
            places[name] = (corner, reader.number("heading", -360, 360, "degrees from north"))
        else:
            reader.known += ["corner", "heading"]
        if name.casefold() in {g.field.casefold() for g in grounds}:
            reader.fault("name", "a name of its own for each field", name)
        reader.close()
        if len(top.faults) == before:
            grounds.append(Ground(name, row_spacing=spacing, **ground))  # type: ignore[arg-type]
    return grounds


def _width(reader: SectionReader, us: bool, spacing: float | None) -> float | None:
    if "rows" not in reader.data:
        reader.known.append("rows")
        return _quantity(reader, "width", us, 1.0, 1e5, None)
    if "width" in reader.data:
        reader.fault("rows", "either rows or width, not both", reader.take("rows"))
        reader.take("width")
        return None
    rows = _whole(reader, "rows", 1, 100_000)
    return None if rows is None or spacing is None else rows * spacing


def _corner(reader: SectionReader) -> Corner:
    value = reader.take("corner")
    two = isinstance(value, list) and len(value) == 2 and all(map(_is_number, value))
    if two and abs(value[0]) <= 85 and abs(value[1]) <= 180:
        return float(value[0]), float(value[1])
    reader.fault("corner", "[latitude, longitude] in degrees, as in [41.50, -93.60]", value)
    return 0.0, 0.0


def _arguments(reader: SectionReader | None, us: bool) -> dict[str, Any]:
    """Those of `plan_trial` that are given; it has the defaults."""
    if reader is None:
        return {}
    given = list(reader.data)
    found: dict[str, Any] = {
        "layout": _choice(reader, "layout", tuple(LAYOUTS)),
        "blocks": _whole(reader, "blocks", 1, 99),
        "setups": _setups(reader),
        "seed": _whole(reader, "seed", 0, 2**53),
        "pass_rows": _whole(reader, "pass_rows", 1, 36),
        "border_passes": _whole(reader, "border_passes", 0, 20),
        "buffer_passes": _whole(reader, "buffer_passes", 0, 20),
        "buffers_between": _choice(reader, "buffers_between", BETWEEN),
        "min_length": _quantity(reader, "min_length", us, 0.0, 1e5, None),
        "balance": reader.flag("balance", False),
        "max_run": _whole(reader, "max_run", 2, 99),
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
    reader.fault("setups", 'a list, as in [{cushion = "standard"}, {cushion = "cushion"}]', value)
    return None


def _hours(reader: SectionReader) -> float | None:
    if "max_change_hours" in reader.data:
        return reader.number("max_change_hours", 0, 10_000, "hours")
    reader.known.append("max_change_hours")
    return None


def _rows_of(data: Mapping[str, Any]) -> int:
    """Rows of the header as described; what is wrong with them is told with the header."""
    header = data.get("header")
    rows = header.get("rows") if isinstance(header, dict) else None
    return rows if isinstance(rows, int) and 0 < rows <= 36 else 8


def _effort(reader: SectionReader | None, us: bool, across: float) -> Effort:
    own = Effort.usual("US" if us else "SI", across)
    if reader is None:
        return own
    found: dict[str, Any] = {
        key: _whole(reader, key, low, high, getattr(own, key))
        for key, low, high in (
            ("header_frames", 0, 200), ("preharvest_frames", 0, 200), ("total_frames", 0, 200),
            ("grain_samples", 0, 200), ("kernels_examined", 1, 1_000_000),
            ("residue_samples", 0, 200), ("intake_samples", 0, 200), ("butt_samples", 0, 200),
            ("ears_examined", 1, 10_000),
        )
    }  # fmt: skip
    found["frame_area"] = _quantity(reader, "frame_area", us, 0.01, 100, own.frame_area)
    found["ear_area"] = _quantity(reader, "ear_area", us, 0.0, 10_000, own.ear_area)
    reader.close()
    return replace(own, **{key: value for key, value in found.items() if value is not None})


def _work(reader: SectionReader, us: bool) -> Work:
    own = Work()
    speed = _quantity(reader, "speed", us, 0.5, 25, own.speed)
    given: dict[str, Any] = {
        k: reader.number(k, 0, 1000, "minutes", getattr(own, k)) for k in MINUTES
    }
    changes: dict[str, float] = {}
    if section := reader.section("change_minutes"):
        changes = {k: section.number(k, 0, 10_000, "minutes") for k in list(section.data)}
    reader.close()
    return Work(speed=own.speed if speed is None else speed, change_minutes=changes, **given)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _whole(
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


def _quantity(
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
    reader.fault(key, f"{least:.3g} to {most:,.6g} {own}, or a text with its unit", value)
    return None


def in_si(value: Any, own: str, si: str) -> float | None:
    """A number in the unit `own`, or a text that may name another one, in `si`; else None."""
    if _is_number(value) and abs(value) < 1e12:
        return float(units.convert(float(value), own, si))
    if isinstance(value, str) and (found := _WITH_UNIT.fullmatch(value)):
        symbol = own if found[2] is None else units.unit_symbol(found[2])
        if symbol in units.units_like(si):
            return float(units.convert(float(found[1]), symbol, si))
    return None
