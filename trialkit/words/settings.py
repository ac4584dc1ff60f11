"""The settings of a trial: what each key of trial.toml is, and what is expected of its value."""

from __future__ import annotations

from collections.abc import Sequence

# What stands beside a key in a trial to fill in; of a factor by the last part of its key.
_ABOUT = {
    "title": "title of the trial",
    "season": "year of harvest; dates from January to March of the next year are in season",
    "units": "units of the tables: US or SI; a unit in a column's header wins over it",
    "growers_agreed": "may growers' names stand in what leaves the researcher's hands?",
    "notes": "free text",
    "date_order": "how 10/03/2026 is meant: month-first or day-first; when left out and no other "
    "date of the column tells, month-first in US units, in doubt in SI",
    "header.rows": "rows of the header",
    "header.width": "width of the header: ft (US) or m (SI)",
    "header.discharge_width": "width residue falls on behind: ft (US) or m (SI); taken as the "
    "header's width when left out, which overstates loss from a windrow",
    "setup.label": "the factor in words",
    "setup.levels": "its levels, as written in the strips table",
    "setup.labels": "the levels in words",
    "setup.reference": "the level others are compared with",
    "setup.hard_to_change": "takes hours to change: set on main strips",
    "grain.thousand_kernel_mass": "g per 1000 kernels at base moisture: weigh your own; {usual} "
    "is taken when left out",
    "grain.base_moisture": "moisture that yields and losses are stated at, %",
    "prices.currency": "currency",
    "prices.grain": "net price of grain: per bushel (US) or per tonne (SI)",
    "prices.hour": "what an hour more of combining costs: machine and operator, or its hire",
    "option.factor": "factor that costs money",
    "option.level": "its level that costs money",
    "option.cost": "price of the option",
    "option.life_years": "years it lasts at the most",
    "option.life_area": "your own figure of the area it lasts, whichever ends first: ac (US) or "
    "ha (SI)",
    "option.interest": "interest, as in 0.08 for 8 %",
    "option.area_per_year": "area harvested a year: ac (US) or ha (SI)",
    "option.repair_per_area": "upkeep per ac (US) or ha (SI)",
    "option.change_hours": "hours of labour to fit it",
    "option.wage": "an hour of that labour",
    "model.adjust_for": "what was measured that every comparison is adjusted for, of {known}; none "
    "for nothing; what was fixed before the setup was applied when left out",
    "model.primary": "the response the trial is first of all about; all others are held to a "
    "stricter rule",
    "model.prior.ratio": "before the trial: header loss with the option over that without, 1 for "
    "no effect",
    "model.prior.times": "19 times in 20 that ratio was expected within this many times of it, "
    "either way",
    "model.margins.residue_mass": "before the trial: what a setup may have of a response at most, "
    "as a ratio to the reference (a difference where there are no ratios)",
}


def about(key: str, **slots: str) -> str:
    """What a key is; of a factor, "setup." and the last part of its key.

    `slots` are "usual" (the thousand-kernel mass taken) and "known" (what may be adjusted for).
    """
    return _ABOUT[key].format(**slots)


EXAMPLE_TITLE = "Title of the trial"


def head_of_file() -> tuple[str, ...]:
    """Remark at the head of a trial.toml to fill in."""
    return (
        "Settings of the trial. Lines that begin with # are not read: take the mark off to use",
        "them. Text stands in quotation marks.",
    )


# What is expected of a key's value, before the range a number has to lie in.
_EXPECTED = {
    "title": "a title in words",
    "season": "the year of harvest",
    "header.rows": "the number of rows",
    "header.width": "the header's width in {unit}",
    "header.discharge_width": "the width residue is discharged over, in {unit}",
    "setup.name": "a name",
    "setup.unit": "a unit, as in mph",
    "grain.thousand_kernel_mass": "g per 1000 kernels",
    "grain.base_moisture": "a moisture in %",
    "prices.currency": "a currency, as in USD",
    "prices.grain": "a net price per {unit}",
    "prices.hour": "what an hour more of combining costs",
    "option.cost": "a price",
    "option.life_years": "years (or life_area in {unit}, or both)",
    "option.life_area": "the area it lasts in {unit}",
    "option.interest": "a share, as in 0.08 for 8 %",
    "option.area_per_year": "area a year in {unit}",
    "option.salvage": "what it brings at its end",
    "option.repair_per_area": "a sum that is not negative, per {unit}",
    "option.change_cost": "a sum that is not negative",
    "option.change_hours": "hours of labour of a change",
    "option.wage": "what an hour of labour costs",
    "option.changes_per_year": "changes in a year",
    "model.prior.ratio": "a ratio of header losses, 1 for no effect",
    "model.prior.times": "how many times off it may be, as in 1.5",
    "model.margins": "a ratio to the reference above 1, or a difference where there are no ratios",
}


def expected(key: str, unit: str = "") -> str:
    """What is expected of a key's value, with the unit it is given in."""
    return _EXPECTED[key].format(unit=unit)


_LISTED = 30
_REMARKS = {"change_cost": "a change", "change_hours": "of labour, a change", "wage": "an hour"}


def remark(key: str) -> str:
    """What an amount of [option] is for, behind it where settings are written."""
    return _REMARKS[key]


# ---------------------------------------------------------------- of any key
def fault(key: str, found: str | None, wanted: str) -> str:
    """A fault of one key; `found` is what stood there, None where it is missing."""
    stands = "is missing" if found is None else f"is {found}"
    return f"{key} {stands}; expected {wanted}"


def unknown_key(key: str, known: Sequence[str], near: str = "") -> str:
    """A key nobody reads; `near` is the one that may be meant."""
    hint = f"perhaps {near!r} is meant; " if near else ""
    return f"{key} is not a key here; {hint}known are {', '.join(known)}"


def faults(name: str, every: Sequence[str]) -> str:
    """The refusal of a file of settings for all of its faults."""
    count = "1 fault" if len(every) == 1 else f"{len(every)} faults"
    listed = "\n".join(f"  {each}" for each in every[:_LISTED])
    more = len(every) - _LISTED
    left = f"\n  and {more:,} more" if more > 0 else ""
    return f"{name} has {count}; correct it and read again:\n{listed}{left}"


def shortened(text: str, most: int = 60) -> str:
    """A text as it stands in a message: its beginning where it is long."""
    return text if len(text) <= most else text[: most - 3] + "..."


def between(low: float, high: float, wanted: str) -> str:
    return f"{wanted}, {low:g} to {high:g}"


def whole_number(wanted: str) -> str:
    return f"{wanted}, a whole number"


def a_text() -> str:
    return "a text"


def a_flag() -> str:
    return "true or false"


def a_section(key: str) -> str:
    return f"a section [{key}]"


def list_of_texts() -> str:
    return 'a list of texts, as in ["narrow", "wide"]'


def entries_that_differ() -> str:
    return "entries that differ, also when capitals are ignored"


def list_of(known: Sequence[str]) -> str:
    return f"a list of {', '.join(map(repr, known))}, each once, or an empty list"


# ---------------------------------------------------------------- of factors and the option
def setup_sections() -> str:
    return "sections [[setup]], one for each factor"


def factors_apart() -> str:
    return "factors with different names"


def column_name() -> str:
    return "letters, digits and _, beginning with a letter"


def free_column() -> str:
    return "a name that is not already a column of the trial's tables"


def as_many_labels(levels: int) -> str:
    return f"as many labels as levels ({levels})"


def change_stated_twice() -> str:
    return "change_hours and wage, or change_cost, not both"


def change_stated_half() -> str:
    return "change_hours and wage together, or change_cost"


def change_without_price() -> str:
    return "what one change costs, or change_hours and wage"


# ---------------------------------------------------------------- shown of a trial's settings
def shown(
    *, units: str, price: str, base_moisture: float, kernel_mass: float, weighed: bool,
    agreed: bool, adjust_for: Sequence[str] | None, setups: Sequence[tuple[str, Sequence[str]]],
) -> dict[str, str]:  # fmt: skip
    """Name and value of the settings that a card shows.

    Parameters
    ----------
    units, price : str
        Price with currency and unit, "" where none was given.
    base_moisture, kernel_mass : float
        %, g per 1000 kernels.
    weighed : bool
        Whether that mass is the trial's own.
    agreed : bool
        Whether growers may be named.
    adjust_for : sequence of str, optional
        What comparisons are adjusted for; None where the layout decides.
    setups : sequence of (str, sequence of str)
        Labels of factors and of their levels.
    """
    if adjust_for is None:
        adjusted = "what was fixed before the setup was applied"
    else:
        adjusted = ", ".join(adjust_for).replace("_", " ") or "nothing that was measured"
    return {
        "Files in units of": units,
        "Grain price": price,
        "Base moisture": f"{base_moisture:g} %",
        "Thousand-kernel mass": f"{kernel_mass:g} g" + ("" if weighed else " (none was given)"),
        "Growers agreed to be named": "yes" if agreed else "no",
        "Comparisons adjusted for": adjusted,
        **{f"Setup: {label}": ", ".join(levels) for label, levels in setups},
    }
