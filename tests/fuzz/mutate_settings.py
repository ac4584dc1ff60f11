"""Settings spoilt: trial.toml of a small folder, and files that describe a plan."""

from __future__ import annotations

import re
from functools import cache
from typing import Any

import numpy as np
from mutate_tables import spoilt_bytes

from trialkit.words.plan_file import example

VALUES = (
    "0", "1", "-1", "8", "20", "2025", "2026", "1.5", "-0.0", "1e400", "-1e400", "inf", "-inf",
    "nan", "+nan",
    "1e-320", "9" * 30, "-" + "9" * 400, "0x10", "0xffffffffffffffffffff", "0b1", "1_000", "1e3",
    "36.5", "9007199254740993",
    "9" * 5000, "true", "false", '""', '" "', '"8"', '"20 ft"', '"75 cm"', '"1e999 ft"', '"- 5"',
    '"5 furlongs"',
    '"x"', "'''y'''", '"none"', '"US"', '"si"', '"SI"', '"cushion"', '"standard"', '"header_loss"',
    '"month-first"',
    '"\\u0000"', '"\\u202e"', '"\\u001b[31m"', '"\\n"', '"' + "a" * 300 + '"', '"straße"', '"İ"',
    '"strip"', '"moisture"',
    "2025-10-03", "2025-10-03T10:00:00Z", "10:30:00", "[]", "[[]]", "[1, 2]", '["a", "A"]',
    '["a", "b"]', "[true]",
    '["standard", "cushion", "third"]', "[nan, nan]", '[{}]', "{}", '{a = 1}',
    "{ratio = 1.0, times = 2.0}",
    "{ratio = nan, times = inf}", "[1, [2, [3]]]", '["speed", "moisture"]', '["gap", "gap"]',
    '[41.5, -93.6]',
    "[inf, 0]", "[6, 8]", "[1e30]", '[{cushion = "standard"}, {cushion = "cushion"}]',
    '[{cushion = "x"}]',
    "[" * 60 + "]" * 60, "{a = " * 30 + "1" + "}" * 30,
    '["' + '", "'.join(f"level {k}" for k in range(40)) + '"]',
)  # fmt: skip
_LINES = (
    "unknown = 1", "title = 3", "rows = 8", '"" = 1', "a.b.c = 1", "[header]", "[[header]]",
    "[setup]", "[[setup]]",
    'name = "gap"', 'levels = ["a", "b"]', "[model]", "adjust_for = []", "[model.prior]",
    "ratio = 1.0",
    "[model.margins]", "residue_mass = 1.2", "[prices]", "hour = 200", "[option]", "[grain]",
    "[power]", "[work]",
    "[count]", "[plan]", "[[field]]", "[plan.plan]", 'date_order = "day-first"',
    "season.year = 2025", "= 1", "]", "[",
    '"', "# note", "key", 'key = "', "[[setup.levels]]", 'units = "SI"', "x = " + "[" * 3000,
    "header.width = 30",
    "change_minutes = {cushion = 120}", 'response = "yield"', "pairs = [2, 3]", "blocks = 99",
    "border_passes = 20",
    'corner = [41.5, -93.6]', "heading = 0", "husked = 3", "reduction = 99", "rows = 24",
    "width = 1320",
)  # fmt: skip


def _some(rng: np.random.Generator, values: Any) -> Any:
    return values[int(rng.integers(len(values)))]


def _mild(rng: np.random.Generator, lines: list[str]) -> None:
    """Another number for a number, a remark taken as a setting, or a setting as a remark."""
    numbers = [k for k, line in enumerate(lines) if re.match(r"(?!#)[\w.]+ = -?[\d.]", line)]
    remarks = [k for k, line in enumerate(lines) if re.match(r"# \w+ = ", line)]
    what = rng.random()
    if what < 0.6 and numbers:
        at = _some(rng, numbers)
        number = re.search(r"-?\d+(?:\.\d+)?", lines[at])
        assert number is not None
        factor = _some(rng, (0.0, 0.1, 0.5, 1.0, 1.5, 2.0, 3.0, 10.0, 1e-6, 1 + 1e-12, -1.0))
        value = float(number[0]) * factor
        text = str(int(value)) if value % 1 == 0 and rng.random() < 0.8 else repr(value)
        lines[at] = lines[at][: number.start()] + text + lines[at][number.end() :]
    elif what < 0.85 and remarks:
        at = _some(rng, remarks)
        lines[at] = lines[at].removeprefix("# ")
    else:
        at = int(rng.integers(len(lines)))
        lines[at] = f"# {lines[at]}"


def _harsh(rng: np.random.Generator, lines: list[str]) -> None:
    """A value of another kind, a line too many, too few or in another's place."""
    at, to = (int(v) for v in rng.integers(0, len(lines), 2))
    what = int(rng.integers(10))
    if what < 4:
        given = [k for k, line in enumerate(lines) if re.match(r"#? ?[\w.]+ = ", line)]
        at = _some(rng, given) if given else at
        key = lines[at].partition(" = ")[0].removeprefix("# ")
        lines[at] = f"{key} = {_some(rng, VALUES)}"
    elif what < 6:
        lines.insert(at, _some(rng, _LINES))
    elif what == 6:
        lines.pop(at)
    elif what == 7:
        lines.insert(to, lines[at])
    elif what == 8:
        lines[at], lines[to] = lines[to], lines[at]
    else:
        lines[at] = lines[at][:-1]


def spoilt_settings(rng: np.random.Generator, raw: bytes) -> bytes:
    """The text with values, lines or sections changed, and now and then its bytes."""
    lines = raw.decode().split("\n")
    harsh = 0.0 if rng.random() < 0.5 else 0.7
    for _ in range(int(min(rng.geometric(0.5), 6))):
        (_harsh if rng.random() < harsh else _mild)(rng, lines)
        lines = lines or [""]
    raw = _some(rng, ("\n", "\n", "\n", "\r\n")).join(lines).encode()
    if rng.random() < 0.08:
        raw = spoilt_bytes(rng, raw)
    if rng.random() < 0.03:
        encoding = _some(rng, ("utf-8-sig", "utf-16", "cp1252"))
        raw = raw.decode("utf-8", "replace").encode(encoding, "replace")
    return raw


def settings_file(rng: np.random.Generator, valid: Any) -> dict[str, bytes]:
    """A sound folder of strips and frames under spoilt settings."""
    folder = _some(rng, valid.folders)
    files = {name: folder[name] for name in ("strips.csv", "frames.csv")}
    return {"trial.toml": spoilt_settings(rng, folder["trial.toml"]), **files}


def plan_file(rng: np.random.Generator) -> dict[str, bytes]:
    """A spoilt description of a plan."""
    return {"plan.toml": spoilt_settings(rng, _some(rng, _plans()))}


@cache
def _plans() -> tuple[bytes, ...]:
    """The example, and with all of its remarks taken as settings."""
    text = example()
    every = re.sub(r"^# (?=\[?[a-z_]+( =|\]))", "", text, flags=re.MULTILINE)
    return text.encode(), every.encode()
