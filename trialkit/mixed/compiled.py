"""How the engine's loops are compiled: cached on disk, once on first use."""

from __future__ import annotations

import logging
import os
from typing import Any

from numba import njit

from trialkit.mixed.notes import loops_not_kept

_TOLD = "TRIALKIT_LOOPS_NOT_KEPT"
"""Set for the processes this one starts, so that the note comes once."""


def _probe() -> int:
    return 0


def can_be_kept() -> bool:
    """Whether there is a folder to keep compiled loops in: beside the package, the user's own, or
    NUMBA_CACHE_DIR. Compiles nothing; numba decides, as it will for the loops."""
    try:
        njit(cache=True)(_probe)
    except (RuntimeError, OSError):
        return False
    return True


_KEPT = can_be_kept()
if not _KEPT and _TOLD not in os.environ:
    os.environ[_TOLD] = "1"
    logging.getLogger("trialkit").warning(loops_not_kept())
# Division by zero gives inf or nan instead of an error; the searches handle both.
_COMMON: dict[str, Any] = {"cache": _KEPT, "error_model": "numpy", "no_cfunc_wrapper": True}
entry = njit(**_COMMON)
# For functions called by compiled code only: no wrapper for calls from Python.
_INNER: dict[str, Any] = {**_COMMON, "no_cpython_wrapper": True}
inner = njit(**_INNER)
# Copied into its caller, which is the only one: saves compiling all it calls once more.
part: Any = njit(inline="always", **_INNER)
