"""A small sound trial to spoil."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

SETTINGS = """\
title = "Chains at the home farm"
season = 2026
units = "US"
[header]
rows = 8
width = 20
[[setup]]
name = "cushion"
levels = ["standard", "cushion"]
"""

STRIPS = """\
strip,field,pair,cushion,moisture,yield (bu/ac),harvested_at
S1,North,1,standard,18.5,210,2026-10-03
S2,North,1,cushion,18.7,212,2026-10-03
S3,North,2,cushion,18.9,208,2026-10-04
S4,North,2,standard,19.0,205,2026-10-04
"""

FRAMES = """\
frame,strip,zone,area,loose_kernels,note
1,S1,header,10,24,
1,S2,header,10,11,
1,S3,header,10,9,
1,S4,header,10,20,
"""

Make = Callable[..., Path]
