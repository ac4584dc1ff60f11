"""What a trial measures: one record for every response, zone, source and table.

Every room above reads these and keeps no list of its own. `register` adds a record, `added` does so
for the length of a ``with`` block.
"""

from __future__ import annotations

import pkgutil
from importlib import import_module

from trialkit.responses.columns import Column, Sheet, System, Table
from trialkit.responses.drawing import Drawn
from trialkit.responses.places import Source, Zone, ZoneWords
from trialkit.responses.record import InUnit, Response, Unlocked
from trialkit.responses.registry import (
    RESPONSES,
    SOURCES,
    TABLES,
    ZONES,
    added,
    in_full,
    register,
    with_power,
)
from trialkit.words.terms import ENGLISH, Terms

__all__ = [
    "ENGLISH",
    "RESPONSES",
    "SOURCES",
    "TABLES",
    "ZONES",
    "Column",
    "Drawn",
    "InUnit",
    "Response",
    "Sheet",
    "Source",
    "System",
    "Table",
    "Terms",
    "Unlocked",
    "Zone",
    "ZoneWords",
    "added",
    "in_full",
    "register",
    "with_power",
]


def _register_all() -> None:
    """Register every record that a file of this folder defines."""
    for found in pkgutil.iter_modules(__path__):
        module = import_module(f"{__name__}.{found.name}")
        kinds = (Response, Source, Zone, Table)
        register(*(value for value in vars(module).values() if isinstance(value, kinds)))


_register_all()
