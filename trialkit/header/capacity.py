"""Field capacity and time per area.

Effective field capacity (ASABE EP496, D497; Srivastava, Goering, Rohrbach & Buckmaster,
*Engineering Principles of Agricultural Machines*, 2nd ed. 2006, eq. 15.1)::

    C = S w E / 10   ha/h, S in km/h, w in m;      C = S w E / 8.25   ac/h, S in mph, w in ft

10 and 8.25 = 43,560 / 5,280 are exact. Field efficiency E is the share of field time the machine
works at full width and speed; turns and unloading take as long at any speed, so E falls a little
as speed rises: give each speed its own where it is known.
"""

from __future__ import annotations

from typing import Any

import numpy as np

ACRE_DIVISOR = 8.25


def field_capacity(speed: Any, width: Any, efficiency: Any) -> Any:
    """Effective field capacity, ha/h.

    Parameters
    ----------
    speed : float or array
        km/h.
    width : float or array
        Width that cuts, m.
    efficiency : float or array
        Field efficiency as a share, above 0 to 1.

    Raises
    ------
    ValueError
        For speed or width not above zero, or an efficiency outside 0 to 1.
    """
    _check(speed, width, efficiency)
    return speed * width * efficiency / 10.0


def field_capacity_us(speed: Any, width: Any, efficiency: Any) -> Any:
    """Effective field capacity, ac/h, of a speed in mph and a width in ft; see `field_capacity`."""
    _check(speed, width, efficiency)
    return speed * width * efficiency / ACRE_DIVISOR


def _check(speed: Any, width: Any, efficiency: Any) -> None:
    if np.any(np.asarray(speed) <= 0) or np.any(np.asarray(width) <= 0):
        raise ValueError("speed and width must be above zero.")
    share = np.asarray(efficiency)
    if np.any(share <= 0) or np.any(share > 1):
        raise ValueError("efficiency is a share: above 0, at most 1.")
