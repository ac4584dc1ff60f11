"""A plan described in a small TOML file: the trial's settings, its fields, and how to plan.

The file is a trial.toml with ``[[field]]`` sections and, where the defaults do not suit,
``[plan]``, ``[count]``, ``[work]`` and ``[power]``; `trialkit.words.plan_file.example` shows all
of it. A quantity is a number in the
trial's own units, or a text with its unit, as in ``"75 cm"``. All faults are told at once, an
unknown key with the nearest known one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from trialkit.display import card, folded, table
from trialkit.errors import TrialError
from trialkit.intake.config import TrialConfig, take_config
from trialkit.intake.reading import read_file
from trialkit.intake.sections import SectionReader, faulty, toml_data
from trialkit.plan.build import plan_trial
from trialkit.plan.geo import Corner
from trialkit.plan.ground import Ground
from trialkit.plan.power_expected import Expected
from trialkit.plan.power_grid import PowerGrid
from trialkit.plan.power_learn import learn
from trialkit.plan.power_run import power
from trialkit.plan.result import Plan
from trialkit.plan.sections import (
    counted_effort,
    is_number,
    plan_arguments,
    power_arguments,
    quantity,
    timed_work,
    whole,
)
from trialkit.quantities import upper_first
from trialkit.simulate import Effort
from trialkit.words import plan as words


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
    simulated : mapping
        What `power` simulates, as far as it was given: ``reduction, response, loss`` (kg/ha),
        ``damage`` (share), ``pairs, frames, fields, rounds, aim``.
    """

    config: TrialConfig
    grounds: tuple[Ground, ...]
    arguments: Mapping[str, Any]
    effort: Effort
    corners: Mapping[str, Corner]
    headings: Mapping[str, float]
    simulated: Mapping[str, Any]

    def _repr_html_(self) -> str:
        grounds = pd.DataFrame([asdict(ground) for ground in self.grounds])
        names = {"length": "length, m", "width": "width, m", "row_spacing": "row spacing, m",
                 "headland": "headland, m"}  # fmt: skip
        return card(
            words.not_drawn(self.config.title),
            [f"{upper_first(key.replace('_', ' '))}: {value}." for key, value
             in self.arguments.items() if isinstance(value, str | int | float)],
            table(grounds, "Fields", names=names),
            folded("The trial's settings", self.config._repr_html_()),
            folded("What is counted", self.effort._repr_html_()),
        )  # fmt: skip

    def plan(self) -> Plan:
        """Draw it; raises as `plan_trial`."""
        return plan_trial(self.config, self.grounds, effort=self.effort, **self.arguments)

    def power(
        self,
        *,
        reduction: float | None = None,
        pairs: Sequence[int] | None = None,
        frames: Sequence[int] | None = None,
        from_trials: str | Path | None = None,
        seed: int | None = None,
        jobs: int = 1,
        client: Any = None,
        progress: Callable[[int, int], None] | None = None,
    ) -> PowerGrid:
        """Simulate such plans, as the description says where nothing is given here.

        Parameters are those of `trialkit.plan.power`; a loss or damage that is described goes
        before that of past trials. Raises as it and `plan_trial`.
        """
        told = {**self.simulated}
        expected = Expected() if from_trials is None else learn(from_trials)
        expected = expected.stated(told.pop("loss", None), told.pop("damage", None))
        own = {"reduction": reduction, "pairs": pairs, "frames": frames}
        told |= {key: value for key, value in own.items() if value is not None}
        return power(
            self.plan(), expected=expected, seed=seed, jobs=jobs, client=client, progress=progress,
            **told,
        )  # fmt: skip


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
        text = read_file(path, "settings_bytes").decode("utf-8-sig")
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
    arguments = plan_arguments(top.section("plan"), us)
    rows = arguments.get("pass_rows") or _rows_of(data)
    across = rows * min((g.row_spacing for g in grounds), default=0.762)
    effort = counted_effort(top.section("count"), us, across)
    work = top.section("work")
    if work is not None:
        arguments["work"] = timed_work(work, us)
    simulated = power_arguments(top.section("power"), us)
    config = take_config(top)
    if places and len(places) < len(grounds):
        top.faults.append(words.places_of_some_fields())
    if config is None or top.faults:
        raise faulty(name, top.faults)
    return DescribedPlan(
        config, grounds, arguments, effort,
        {f: corner for f, (corner, _) in places.items()},
        {f: heading for f, (_, heading) in places.items()}, simulated,
    )  # fmt: skip


def _grounds(top: SectionReader, us: bool, places: dict[str, tuple[Corner, float]]) -> list[Ground]:
    value = top.take("field")
    good = isinstance(value, list) and value and all(isinstance(entry, dict) for entry in value)
    if not good:
        top.fault("field", words.expected_of("field"), value)
        return []
    grounds: list[Ground] = []
    for number, entry in enumerate(value, start=1):
        before = len(top.faults)
        reader = SectionReader(dict(entry), f"field {number}: ", top.faults)
        name = " ".join(reader.text("name", "the field's name").split())
        spacing = quantity(reader, "row_spacing", us, 0.2, 2.0, 0.762)
        ground = {
            "length": quantity(reader, "length", us, 1.0, 1e5),
            "width": _width(reader, us, spacing),
            "planter_rows": whole(reader, "planter_rows", 1, 96),
            "headland": quantity(reader, "headland", us, 0.0, 1e4, 0.0),
            "grower": reader.text("grower", "the grower's name", ""),
        }
        if "corner" in reader.data or "heading" in reader.data:
            corner = _corner(reader)
            places[name] = (corner, reader.number("heading", -360, 360, "degrees from north"))
        else:
            reader.known += ["corner", "heading"]
        if name.casefold() in {g.field.casefold() for g in grounds}:
            reader.fault("name", words.expected_of("name"), name)
        reader.close()
        if len(top.faults) == before:
            grounds.append(Ground(name, row_spacing=spacing, **ground))  # type: ignore[arg-type]
    return grounds


def _width(reader: SectionReader, us: bool, spacing: float | None) -> float | None:
    if "rows" not in reader.data:
        reader.known.append("rows")
        return quantity(reader, "width", us, 1.0, 1e5, None)
    if "width" in reader.data:
        reader.fault("rows", words.expected_of("rows"), reader.take("rows"))
        reader.take("width")
        return None
    rows = whole(reader, "rows", 1, 100_000)
    return None if rows is None or spacing is None else rows * spacing


def _corner(reader: SectionReader) -> Corner:
    value = reader.take("corner")
    two = isinstance(value, list) and len(value) == 2 and all(map(is_number, value))
    if two and abs(value[0]) <= 85 and abs(value[1]) <= 180:
        return float(value[0]), float(value[1])
    reader.fault("corner", words.expected_of("corner"), value)
    return 0.0, 0.0


def _rows_of(data: Mapping[str, Any]) -> int:
    """Rows of the header as described; what is wrong with them is told with the header."""
    header = data.get("header")
    rows = header.get("rows") if isinstance(header, dict) else None
    return rows if isinstance(rows, int) and 0 < rows <= 36 else 8
