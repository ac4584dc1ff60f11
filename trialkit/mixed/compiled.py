"""How the engine's loops are compiled: cached on disk, once on first use."""

from __future__ import annotations

from typing import Any

from numba import njit

# Division by zero gives inf or nan instead of an error; the searches handle both.
_COMMON: dict[str, Any] = {"cache": True, "error_model": "numpy", "no_cfunc_wrapper": True}
entry = njit(**_COMMON)
# For functions called by compiled code only: no wrapper for calls from Python.
_INNER: dict[str, Any] = {**_COMMON, "no_cpython_wrapper": True}
inner = njit(**_INNER)
# Copied into its caller, which is the only one: saves compiling all it calls once more.
part: Any = njit(inline="always", **_INNER)
