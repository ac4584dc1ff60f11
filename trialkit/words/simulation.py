"""Headings of the settings of a simulation, and of how long work takes."""

from __future__ import annotations

HEADER = "The header as measured, mm"
COUNTED = "What is counted"
TRUTH = "What a trial is drawn from, in SI units"
WORK = "How long the work takes, in km/h, m and minutes"
