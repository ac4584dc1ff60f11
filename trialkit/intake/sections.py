"""One section of settings, read key by key: every fault is collected with its key."""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from trialkit.errors import TrialError
from trialkit.intake.decode import DAMAGED, composed
from trialkit.intake.level_names import level_number
from trialkit.intake.limits import beyond, limits
from trialkit.words import refusals, settings
from trialkit.words.settings import shortened


def toml_data(text: str, name: str) -> dict[str, Any]:
    """What a TOML file holds; a `TrialError` names the file where it is none."""
    if DAMAGED in text:
        line = text.count("\n", 0, text.index(DAMAGED)) + 1
        raise TrialError(
            f"{name}, line {line}: some bytes there are no text; write that line again and save "
            "the file as UTF-8"
        )
    most = limits().nesting
    if (deepest := _dotted(text)) > most:
        raise beyond("nesting", deepest, name)
    try:
        data = tomllib.loads(composed(text))
    except tomllib.TOMLDecodeError as error:
        raise TrialError(
            f"{name} is not valid TOML: {shortened(str(error), 200)}. Text stands in quotation "
            'marks, as in title = "Chain trial"; lists in brackets, as in levels = '
            '["narrow", "wide"].'
        ) from None
    except RecursionError:
        raise TrialError(
            f"{name}: brackets or sections stand too deep within one another; no setting needs "
            f"more than {most} levels"
        ) from None
    except ValueError:  # Python reads no number of more than some thousand digits
        raise TrialError(
            f"{name} holds a number or a date that cannot be; no setting has so many digits"
        ) from None
    return data


def _dotted(text: str) -> int:
    """Most parts of a dotted key: reading one takes time by the square of their number."""
    bare = _QUOTED.sub("", text)
    return max((key.count(".") for key in _KEYS.split(bare)), default=0) + 1


def faulty(name: str, faults: list[str]) -> TrialError:
    """The refusal of settings that have these faults."""
    return TrialError(settings.faults(name, faults))


ABSENT = object()
LONGEST_LABEL = 200
"""Characters of a level's name or its words."""
_QUOTED = re.compile(
    r'"""(?:[^"\\]|\\.|"(?!""))*"""|' + r"'''(?:[^']|'(?!''))*'''"
    + r'|"(?:[^"\\\n]|\\.)*"|' + r"'[^'\n]*'|#[^\n]*", re.DOTALL,
)  # fmt: skip
_KEYS = re.compile(r"[^A-Za-z0-9_. \t-]+")


@dataclass(slots=True)
class SectionReader:
    """Takes keys out of one section, one check each; what is left at the end is unknown.

    `places` says where keys with their section stand ("cell C4"), where they stand in a sheet.
    """

    data: dict[str, Any]
    where: str
    faults: list[str]
    known: list[str] = field(default_factory=list)
    places: Mapping[str, str] = field(default_factory=dict)

    def _told(self, key: str) -> str:
        """A key with its section, and where it stands."""
        place = self.places.get(f"{self.where}{key}", "")
        return f"{place}{': ' * bool(place)}{self.where}{shortened(key)}"

    def fault(self, key: str, expected: str, value: Any = ABSENT) -> None:
        found = None if value is ABSENT else _show(value)
        self.faults.append(settings.fault(self._told(key), found, expected))

    def take(self, key: str) -> Any:
        self.known.append(key)
        return self.data.pop(key, ABSENT)

    def text(self, key: str, expected: str, default: str | None = None) -> str:
        value = self.take(key)
        if isinstance(value, str) and (value.strip() or default is not None):
            return value.strip()
        if value is ABSENT and default is not None:
            return default
        self.fault(key, expected, value)
        return ""

    def number(
        self, key: str, low: float, high: float, expected: str, default: float | None = None
    ) -> float:
        value = self.take(key)
        if value is ABSENT and default is not None:
            return default
        if _is_number(value) and low <= value <= high:
            return float(value)
        self.fault(key, settings.between(low, high, expected), value)
        return low

    def whole(self, key: str, low: int, high: int, expected: str) -> int:
        before = len(self.faults)
        value = self.number(key, low, high, expected)
        if value % 1 and len(self.faults) == before:
            self.fault(key, settings.whole_number(expected), value)
        return int(value)

    def flag(self, key: str, default: bool) -> bool:
        value = self.take(key)
        if value is ABSENT:
            return default
        if not isinstance(value, bool):
            self.fault(key, settings.a_flag(), value)
            return default
        return value

    def choice(self, key: str, options: tuple[str, ...], default: str | None = None) -> str:
        value = self.take(key)
        if value is ABSENT and default is not None:
            return default
        for option in options:
            if isinstance(value, str) and value.strip().casefold() == option.casefold():
                return option
        if _is_number(value):  # 32 is level "32", and 1.5 level "1.50"
            alike = [option for option in options if level_number(option) == value]
            if len(alike) == 1:
                return alike[0]
        self.fault(key, refusals.one_of(options), value)
        return options[0] if options else ""

    def labels(self, key: str, default: tuple[str, ...] | None = None) -> tuple[str, ...]:
        """A list of distinct texts; numbers become their text."""
        value = self.take(key)
        if value is ABSENT and default is not None:
            return default
        good = isinstance(value, (list, tuple)) and all(
            (_is_number(v) and abs(v) < 1e15)
            or (isinstance(v, str) and 0 < len(v.strip()) <= LONGEST_LABEL)
            for v in value
        )
        if not good or not value:
            self.fault(key, settings.list_of_texts(), value)
            return default or ()
        texts = tuple(" ".join(str(v).split()) for v in value)
        if len({t.casefold() for t in texts}) < len(texts):
            self.fault(key, settings.entries_that_differ(), value)
        return texts

    def names(self, key: str, options: tuple[str, ...]) -> tuple[str, ...] | None:
        """A list of these options, in their order; empty also as "none", None where left out."""
        value = self.take(key)
        if value is ABSENT:
            return None
        given = value if isinstance(value, (list, tuple)) else [value]
        told = [v.strip().casefold() if isinstance(v, str) else None for v in given]
        if told == ["none"]:
            told = []
        if not set(told) <= set(options) or len(set(told)) < len(told):
            self.fault(key, settings.list_of(options), value)
            return None
        return tuple(option for option in options if option in told)

    def section(self, key: str, required: bool = False) -> SectionReader | None:
        value = self.take(key)
        if isinstance(value, dict):
            return SectionReader(
                dict(value), f"{self.where}{key}.", self.faults, places=self.places
            )
        if value is not ABSENT or required:
            self.fault(key, settings.a_section(key), value)
        return None

    def close(self) -> None:
        for key in self.data:
            near = difflib.get_close_matches(key, self.known, 1) if len(key) < 100 else []
            self.faults.append(settings.unknown_key(self._told(key), self.known, *near))


def _is_number(value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return isinstance(value, int) or math.isfinite(value)


def _show(value: Any) -> str:
    try:
        return shortened(repr(value))
    except (ValueError, RecursionError):  # thousands of digits, or of levels
        return type(value).__name__
