"""The arithmetic of a row unit: feed rate, pull-through, speeds against each other.

Functions of numbers or arrays, broadcast against each other. Units are those of the trial's tables
(`trialkit.responses`): speed km/h, row spacing m, population plants/ha, rotation 1/min, lengths on
the row unit mm; surface speeds are m/s.

Pull-through
------------
Symbols: v ground speed, u surface speed of the rolls times the share of it the stalk takes, L
length of stalk that must pass before the ear lies on the plates (height of the ear less the height
at which the rolls grip), l length of roll that grips.

A stalk that stays upright and does not slip crosses the plane of rolls inclined by a at u / cos a
along itself, and runs back along the roll at v / cos a. So the ear is down after t = L cos a / u,
and meanwhile the stalk has come back along the roll by::

    s = v L / u        whatever the inclination

Pulling finishes on the roll while s <= l, up to the ground speed v = l u / L. Slip, a leaning stalk
and a late grip all lower it, so it is an upper limit. Elementary kinematics, derived here.
"""

from __future__ import annotations

from typing import Any

import numpy as np

KMH = 3.6
"""km/h in a m/s."""
RULE_OF_THUMB = (30.0, 40.0)
"""Stalks a second, a rule of thumb in the trade (common practice); see `rows_fed`."""


def feed_rate(population: Any, row_spacing: Any, speed: Any) -> Any:
    """Plants that enter one row unit in a second.

    Parameters
    ----------
    population : float or array
        Plants/ha.
    row_spacing : float or array
        m.
    speed : float or array
        Ground speed, km/h.

    Notes
    -----
    plants/m2 x m x m/s; in US units plants/ac x ft x mph x 1.46667 / 43,560. 32,000 plants/ac in
    30-in rows at 5 mph make 13.5 a second; a maker's figure, reprinted, is 12 to 15. A rule of
    thumb says 30 to 40 a second: no single row at such a speed takes that many, but two to three
    rows together do (`rows_fed`), or one at 11 to 15 mph (`speed_fed`).

    Examples
    --------
    >>> from trialkit.units import convert
    >>> population = convert(32_000, "plants/ac", "plants/ha")
    >>> round(feed_rate(population, 0.762, convert(5, "mph", "km/h")), 2)
    13.47
    """
    return population / 10_000.0 * row_spacing * speed / KMH


def rows_fed(rate: Any, per_row: Any) -> Any:
    """Number of rows that together take `rate` plants a second at `per_row` each."""
    return rate / per_row


def speed_fed(rate: Any, population: Any, row_spacing: Any) -> Any:
    """Ground speed (km/h) at which one row takes `rate` plants a second."""
    return rate * KMH * 10_000.0 / (population * row_spacing)


def plant_spacing(population: Any, row_spacing: Any) -> Any:
    """Mean distance between plants in the row, mm, of plants/ha and m."""
    return 1e7 / (population * row_spacing)


def surface_speed(rotation: Any, diameter: Any) -> Any:
    """Surface speed (m/s) of a roll of `diameter` (mm) at `rotation` (1/min)."""
    return np.pi * diameter / 1000.0 * rotation / 60.0


def effective_length(roll_length: Any, wear_length: Any) -> Any:
    """Length of roll that still grips, mm: worn flutes at the front grip late (common practice)."""
    return np.maximum(roll_length - wear_length, 0.0)


def pull_through(speed: Any, pulled_length: Any, pull_speed: Any) -> Any:
    """Distance the stalk runs back along the roll while its ear is pulled down, mm.

    Parameters
    ----------
    speed : float or array
        Ground speed, km/h.
    pulled_length : float or array
        Stalk that passes the rolls until the ear lies on the plates, mm.
    pull_speed : float or array
        Speed of the stalk through the rolls, m/s.
    """
    return speed / KMH * pulled_length / pull_speed


def top_speed(effective: Any, pulled_length: Any, pull_speed: Any) -> Any:
    """Highest ground speed (km/h) at which pulling finishes within `effective` mm of roll.

    The inverse of `pull_through`; an upper limit, see the module's text.
    """
    return effective * pull_speed / pulled_length * KMH


def speed_ratio(surface: Any, speed: Any) -> Any:
    """A surface speed (m/s: chain or roll) over the ground speed (km/h)."""
    return surface * KMH / speed
