"""Where grain is lost: weighted sums of what lies in the zones.

With P, H and T what lies in the zones preharvest, header and total, and r the header width over the
width the residue is discharged on::

    header loss     = H - P
    processing loss = (T - H) / r      threshing and separation, spread over the header's width
    total loss      = H + (T - H) / r  per area of field; equal to T when r is 1

Where kernels still on pieces of cob were counted in every frame behind the machine, they are in T,
and processing loss is told as its two parts: these kernels over r are threshing loss, the loose
ones less H, over r, separation loss. An ear that went through the machine whole is threshing loss.

Zone arithmetic: Sumner & Williams, *Measuring Field Losses From Grain Combines*, University of
Georgia Extension, and University of Missouri Extension G1290 (rev. 1993), combined.
"""

from __future__ import annotations

from trialkit.responses.places import Source
from trialkit.words.terms import ENGLISH

# Colours are light, middle and dark in greyscale.
PREHARVEST = Source(
    "preharvest", 10, {ENGLISH: "already on the ground"}, own="preharvest", colour="#ece2c6",
    zones={"preharvest": 1.0}, machine=False,
)  # fmt: skip
HEADER = Source(
    "header", 20, {ENGLISH: "at the header"}, own="header", colour="#c98d3c",
    zones={"header": 1.0, "preharvest": -1.0},
)  # fmt: skip
THRESHING = Source(
    "threshing", 30, {ENGLISH: "threshing (still on cobs)"}, own="total", colour="#4a7077",
    spread={"total": 1.0}, column="kernels_on_cobs", part_of="processing", ears_as_whole=True,
)  # fmt: skip
SEPARATION = Source(
    "separation", 40, {ENGLISH: "separation (loose)"}, own="total", colour="#12484f",
    spread={"total": 1.0, "header": -1.0}, column="loose_kernels", part_of="processing",
)  # fmt: skip
PROCESSING = Source(
    "processing", 50, {ENGLISH: "threshing and cleaning"}, own="total", colour="#12484f",
    spread={"total": 1.0, "header": -1.0},
)  # fmt: skip
TOTAL = Source(
    "total", 60, {ENGLISH: "all together"}, own="total", zones={"header": 1.0},
    spread={"total": 1.0, "header": -1.0},
    # The body drops no ears: behind it lie those the header left.
    ears_at={"total": "header"}, whole=True,
)  # fmt: skip
