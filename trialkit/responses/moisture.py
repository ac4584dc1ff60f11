"""Grain moisture of a strip, wet basis."""

from __future__ import annotations

from trialkit.responses.strip_values import shifted, strip_value

MOISTURE = strip_value(
    "moisture", "Grain moisture", 130, "%", 0.5, "measure both", shifted("moisture", "percent")
)
