"""Settings of a simulation as a notebook shows them."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

import pandas as pd

from trialkit.display import card, table


def settings_card(heading: str, settings: Any) -> str:
    """Fields of a dataclass in words, one a row; what is empty is left out."""
    rows = [
        {"setting": field.name.replace("_", " "), "value": _words(getattr(settings, field.name))}
        for field in dataclasses.fields(settings)
    ]
    return card(heading, [], table(pd.DataFrame([r for r in rows if r["value"]]), rows=len(rows)))


def _words(value: Any) -> str:
    if value is None:
        return ""
    if dataclasses.is_dataclass(value):
        value = {f.name: getattr(value, f.name) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return "; ".join(f"{str(k).replace('_', ' ')}: {_inside(v)}" for k, v in value.items())
    return _inside(value)


def _inside(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{str(k).replace('_', ' ')} {_inside(v)}" for k, v in value.items())
    if isinstance(value, tuple):
        return " and ".join(map(_inside, value))
    return f"{value:g}" if isinstance(value, float) else str(value)
