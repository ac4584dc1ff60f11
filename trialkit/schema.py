"""The tables of a trial: their columns, units, plausible ranges and keys.

Everything that reads, writes, checks or explains a table takes its columns from here. Ranges are
generous: they catch a slipped decimal point or a wrong unit, not an unusual field.

Column kinds and what they become: "key" and "text" str; "level" str (a declared setup level);
"zone" and "choice" str, one of the column's levels; "number" float64; "count" int64 when required,
float64 with NaN when optional; "date" datetime64[ns]. Missing is NaN / NaT.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from trialkit.errors import TrialkitError

if TYPE_CHECKING:
    import pandera.pandas as pa

Kind = Literal["key", "text", "level", "zone", "choice", "number", "count", "date"]
System = Literal["US", "SI"]

TEXT = pd.Series(["text"]).dtype
"""How this pandas holds text: its string type, object in versions before 3."""

ZONES = ("preharvest", "header", "total")
"""Standing corn ahead; ground the header crossed but the body did not; behind the machine."""
TAKEN_AT = ("tank", "behind")
"""Where residue is sampled: in the grain tank, after cleaning; in what fell behind the machine."""
RESPONSES = (
    "header_loss", "kernel_damage", "ear_butt_damage", "dropped_ears", "preharvest_loss",
    "processing_loss", "broken_corn", "foreign_material", "residue_mass", "residue_score",
    "leaf_intake", "yield", "moisture", "test_weight",
)  # fmt: skip
"""What a trial may be about; each has its entry in `trialkit.analysis.specifications`."""

MAX_KERNELS_PER_M2 = 10_000.0
"""Upper bound for loose kernels: at 300 g per 1000 it is 30 t/ha, more than any whole crop."""
MAX_EARS_PER_M2 = 50.0
"""Upper bound for dropped ears: two ears on each plant of the densest stand allowed here."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column: `low` and `high` are inclusive and in the SI unit."""

    name: str
    kind: Kind
    about: str
    si: str = ""
    us: str = ""
    low: float = -np.inf
    high: float = np.inf
    required: bool = False
    levels: tuple[str, ...] = ()

    def unit(self, system: System) -> str:
        """Unit in files of this system; empty when the column has none."""
        return self.us if system == "US" and self.us else self.si

    def header(self, system: System) -> str:
        """Column header as written to a file: the name and its unit in parentheses."""
        unit = self.unit(system)
        return f"{self.name} ({unit})" if unit else self.name


@dataclass(frozen=True, slots=True)
class Table:
    """One table: `key` columns identify a row; empty when rows need no identity."""

    name: str
    about: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    response: bool = False

    def with_setups(self, setups: Iterable[Any]) -> Table:
        """This table with the trial's setup factors as columns (strips only)."""
        if self.name != "strips":
            return self
        factors = tuple(
            Column(s.name, "level", f"setup: {s.label}", required=True, levels=tuple(s.levels))
            for s in setups
        )
        cut = [c.name for c in self.columns].index("main_strip") + 1
        columns = self.columns[:cut] + factors + self.columns[cut:]
        return Table(self.name, self.about, columns, self.key, self.response)

    @property
    def measured(self) -> tuple[Column, ...]:
        """What is counted, weighed or judged for a row; none unless the table is a response's."""
        if not self.response:
            return ()
        return tuple(c for c in self.columns if c.name != "area" and c.kind in ("number", "count"))

    def column(self, name: str) -> Column:
        """The column of this name."""
        return next(c for c in self.columns if c.name == name)


def _key(name: str, about: str) -> Column:
    return Column(name, "key", about, required=True)


def _number(
    name: str, si: str, us: str, low: float, high: float, about: str, required: bool = False
) -> Column:
    return Column(name, "number", about, si, us, low, high, required)


def _count(name: str, high: float, about: str, low: float = 0, required: bool = False) -> Column:
    return Column(name, "count", about, low=low, high=high, required=required)


_STRIP = _key("strip", "strip, as in the strips table")
_ZONE = Column("zone", "zone", "preharvest, header or total", required=True, levels=ZONES)
_NOTE = Column("note", "text", "free text")

_TABLES = (
    Table(
        "fields",
        "one row per field",
        (
            _key("field", "name of the field"),
            Column("grower", "text", "free text"),
            Column("hybrid", "text", "free text"),
            _number("row_spacing", "m", "in", 0.2, 2.0, "distance between rows"),
            _number("population", "plants/ha", "plants/ac", 1e3, 250e3, "plants at harvest"),
            _number("latitude", "deg", "deg", -90, 90, "decimal degrees, south negative"),
            _number("longitude", "deg", "deg", -180, 180, "decimal degrees, west negative"),
        ),
        key=("field",),
    ),
    Table(
        "strips",
        "one row per combine pass",
        (
            _key("strip", "name of the strip, unique over the trial"),
            _key("field", "field it lies in"),
            _key("pair", "pair or block it belongs to, within the field"),
            Column("main_strip", "text", "main strip of a hard-to-change factor, within the pair"),
            Column("header", "text", "header it was run with, as in header_check; may be left out"),
            _number("gap_front", "mm", "in", 5, 150, "stripper-plate gap at the front"),
            _number("gap_rear", "mm", "in", 5, 150, "stripper-plate gap at the rear"),
            _number("speed_set", "km/h", "mph", 0.5, 25, "ground speed asked for"),
            _number("speed_measured", "km/h", "mph", 0.5, 25, "ground speed measured"),
            _number("roll_rpm", "1/min", "1/min", 50, 3000, "stalk-roll speed"),
            _number("moisture", "%", "%", 5, 60, "grain moisture at harvest, wet basis"),
            _number("test_weight", "kg/hL", "lb/bu", 30, 100, "test weight"),
            _number("yield", "kg/ha", "bu/ac", 0, 45e3, "yield at base moisture"),
            _number("discharge_width", "m", "ft", 0.3, 31,
                    "width the residue fell on behind; the settings' when left out"),
            Column("harvested_at", "date", "date, or date and time, as 2026-10-03 14:30"),
        ),
        key=("strip",),
    ),
    Table(
        "frames",
        "one row per frame laid on the ground",
        (
            _key("frame", "number or name of the frame, unique within strip and zone"),
            _STRIP,
            _ZONE,
            _number("area", "m2", "ft2", 0.01, 100, "area of the frame", required=True),
            _count("loose_kernels", 1e6, "loose kernels counted in it", required=True),
            _count("kernels_on_cobs", 1e6,
                   "behind the machine: kernels still on pieces of cob in it; 0 for none"),
            _NOTE,
        ),
        key=("strip", "zone", "frame"),
        response=True,
    ),
    Table(
        "ears",
        "one row per search for dropped ears",
        (
            _STRIP,
            _ZONE,
            _number("area", "m2", "ft2", 0.1, 10_000, "area searched", required=True),
            _count("ears", 1e5, "ears found, part ears with kernels counted in", required=True),
            _number("kernel_mass_per_ear", "g", "lb", 0.1, 600, "shelled grain of one ear, mean"),
            _number("kernels_per_ear", "", "", 1, 2000, "kernels on one ear, mean"),
            _NOTE,
        ),
        response=True,
    ),
    Table(
        "grain",
        "one row per grain sample",
        (
            _STRIP,
            _key("sample", "number or name of the sample, unique within the strip"),
            _count("kernels_examined", 1e6, "kernels looked at", low=1),
            _count("kernels_damaged", 1e6, "of these, damaged"),
            _number("sample_mass", "g", "g", 1, 1e5, "mass of the sample"),
            _number("sieve_mass", "g", "g", 0, 1e5, "of this, through the sieve"),
            _number("foreign_mass", "g", "g", 0, 1e5, "of this, foreign material"),
        ),
        key=("strip", "sample"),
        response=True,
    ),
    Table(
        "ear_butt_damage",
        "one row per group of ears collected at the header",
        (
            _STRIP,
            _key("sample", "number or name of the group, unique within the strip"),
            _count("ears_examined", 1e5, "ears looked at", low=1, required=True),
            _count("ears_damaged", 1e5,
                   "of these, with kernels missing or cracked at the butt", required=True),
            _count("kernels_missing", 1e6, "kernels missing at the butts of all of them"),
            _number("impact_score", "", "", 0, 5,
                    "0 untouched to 5 worst, the group judged by eye"),
        ),
        key=("strip", "sample"),
        response=True,
    ),
    Table(
        "residue",
        "one row per reading of material other than grain",
        (
            _STRIP,
            _key("sample", "number or name of the sample, unique within the strip"),
            Column("taken_at", "choice", "tank or behind the machine; tank when left out",
                   levels=TAKEN_AT),
            _number("sample_mass", "g", "g", 1, 1e6, "mass of the sample"),
            _number("residue_mass", "g", "g", 0, 1e6, "of this, other than grain; behind the "
                    "machine: leaves, husks and pieces of stalk, cobs sorted out"),
            _number("score", "", "", 0, 5, "0 none to 5 worst, judged by eye in the tank"),
        ),
        key=("strip", "sample"),
        response=True,
    ),
    Table(
        "header_check",
        "one row per row unit of one header",
        (
            _key("header", "name of the header"),
            _key("row", "row unit, counted from the left in the direction of travel"),
            _number("gap_front", "mm", "in", 0, 150, "gap between the plates' edges at the front"),
            _number("gap_middle", "mm", "in", 0, 150, "... halfway, where someone takes it"),
            _number("gap_rear", "mm", "in", 0, 150, "gap between the plates' edges at the rear"),
            *(
                _number(f"plate_{side}_{end}", "mm", "in", 0, 100,
                        f"row's centre (roll nip) to the {side} plate's edge, {end}")
                for side in ("left", "right") for end in ("front", "rear")
            ),
            _number("set_front", "mm", "in", 5, 150, "front gap it was set to when measured"),
            _number("set_rear", "mm", "in", 5, 150, "rear gap it was set to when measured"),
            *(
                _number(f"roll_{side}_wear_length", "mm", "in", 0, 1500,
                        f"length of the worn taper at the front of the {side} roll")
                for side in ("left", "right")
            ),
            *(
                _number(f"roll_{side}_flute", "mm", "in", 0, 60,
                        f"height of flute or knife left at the front of the {side} roll")
                for side in ("left", "right")
            ),
            *(
                _number(f"clearance_{k}", "mm", "in", 10, 500, f"guide clearance, station {k}")
                for k in range(1, 6)
            ),
            _number("roll_clearance", "mm", "in", 0, 100, "between the rolls or their knives"),
            _number("plate_edge_wear", "mm", "in", 0, 50,
                    "how far the plates' edges are rounded or grooved back, at the worst place"),
            _number("chain_slack", "mm", "in", 0, 200,
                    "how far the chain can be moved by hand, halfway"),
            _number("chain_stretch", "%", "%", 0, 20, "chain longer than new, over ten links"),
            Column("flaps", "level", "ear-saver flaps: sound, torn or missing",
                   levels=("sound", "torn", "missing")),
        ),
        key=("header", "row"),
    ),
    Table(
        "stalks",
        "one row per stalk measured",
        (
            _key("field", "field it stood in"),
            _number("diameter", "mm", "in", 3, 80, "diameter at gap height", required=True),
        ),
    ),
    Table(
        "ear_butts",
        "one row per ear measured across its butt",
        (
            _key("field", "field it grew in"),
            _number("diameter", "mm", "in", 10, 90,
                    "widest across the kernels within 1 in (25 mm) of the butt's end, husk off",
                    required=True),
        ),
    ),
)  # fmt: skip

TABLES: dict[str, Table] = {table.name: table for table in _TABLES}
"""Every table by name, in the order they are read: fields and strips before what points at them."""

OF_A_FIELD = ("stalks", "ear_butts")
"""Tables measured in a field, with or without a strip in it."""


def table(name: str, setups: Iterable[Any] = ()) -> Table:
    """The table of this name, with the trial's setup factors where it carries them."""
    if name not in TABLES:
        raise TrialkitError(f"no table {name!r}; the tables are: {', '.join(TABLES)}")
    return TABLES[name].with_setups(setups)


def column_names(name: str, setups: Iterable[Any] = ()) -> list[str]:
    """Column names of a table, in order."""
    return [c.name for c in table(name, setups).columns]


def reserved_names() -> frozenset[str]:
    """Names a setup factor may not take: they are columns already, here or in results."""
    results = {"source", "kind", "setup", "value", "n", "search"}
    results |= {"gap_measured", "gap_sd", "gap_note", "gap_adjusted"}
    # Names a model formula takes for its own functions.
    results |= {"bs", "cc", "center", "contr", "cr", "cs", "exp", "exp10", "exp2", "hashed", "lag",
                "log", "log10", "log2", "np", "poly", "scale", "standardize"}  # fmt: skip
    return frozenset(c.name for t in _TABLES for c in t.columns) | results


def tidy(frame: pd.DataFrame, name: str, setups: Iterable[Any] = ()) -> pd.DataFrame:
    """The frame with this table's columns, order and types; absent optional columns as missing.

    Raises
    ------
    TrialkitError
        When a required column is absent or a column cannot take its type.
    """
    layout = table(name, setups)
    missing = [c.name for c in layout.columns if c.required and c.name not in frame.columns]
    if missing:
        raise TrialkitError(f"table {name!r} has no column {', '.join(map(repr, missing))}")
    data: dict[str, pd.Series] = {}
    for column in layout.columns:
        given = frame[column.name] if column.name in frame.columns else None
        try:
            data[column.name] = _typed(given, column, len(frame))
        except (TypeError, ValueError) as error:
            raise TrialkitError(f"table {name!r}, column {column.name!r}: {error}") from None
    return pd.DataFrame(data, index=pd.RangeIndex(len(frame)))


def _typed(given: pd.Series | None, column: Column, rows: int) -> pd.Series:
    if column.kind == "date":
        values = np.full(rows, "NaT") if given is None else given.to_numpy()
        return pd.Series(pd.to_datetime(values)).astype("datetime64[ns]")
    if column.kind in ("number", "count"):
        values = np.full(rows, np.nan) if given is None else given.to_numpy()
        exact = column.kind == "count" and column.required
        return pd.Series(np.asarray(values, dtype="int64" if exact else "float64"))
    values = np.full(rows, np.nan, dtype=object) if given is None else given.to_numpy(object)
    texts = [np.nan if pd.isna(value) else str(value) for value in values]
    return pd.Series(texts, dtype=object).astype(TEXT)


def empty(name: str, setups: Iterable[Any] = ()) -> pd.DataFrame:
    """The table with no rows and the right columns and types."""
    columns = column_names(name, setups)
    return tidy(pd.DataFrame({c: np.empty(0, dtype=object) for c in columns}), name, setups)


def checker(name: str, setups: Iterable[Any] = ()) -> pa.DataFrameSchema:
    """The SI table as a pandera schema: types, ranges, levels, keys; use with ``lazy=True``."""
    import pandera.pandas as pa

    layout = table(name, setups)
    columns: dict[str, pa.Column] = {}
    for c in layout.columns:
        checks = []
        if c.kind in ("number", "count"):
            checks.append(pa.Check.in_range(c.low, c.high))
        if c.kind == "count":
            checks.append(pa.Check(lambda v: v % 1 == 0, name="whole", error="a whole number"))
        if c.levels:
            checks.append(pa.Check.isin(list(c.levels)))
        columns[c.name] = pa.Column(checks=checks, nullable=not c.required)
    unique: Sequence[str] | None = list(layout.key) or None
    return pa.DataFrameSchema(columns, unique=unique, strict=True)
