"""Words of the crew's page: who does what, how to count so that the counts can be trusted."""

from __future__ import annotations

import math
from typing import Any

from trialkit.report.field_paper.source import FieldTrial

ROLES = (
    ("Operator", "Drives at the set speed, stops, backs up, shuts everything off, hands over the "
     "key. Keeps the operator's sheet and the map."),
    ("Key holder", "Holds the key while anyone is on the ground; gives it back last, when "
     "everyone stands where the operator sees them."),
    ("Counters", "Lay the frames and count."),
    ("Writer", "Writes every count down when it is called, and reads it back."),
    ("Samples", "Takes grain, ears and residue from each strip and sticks the label on at once."),
)  # fmt: skip

ZONE_WORDS = {
    "preharvest": "standing corn ahead of the machine",
    "header": "ground the header crossed, the body did not",
    "total": "behind the machine",
}

GEORGIA = (
    "Sumner & Williams, Measuring Field Losses From Grain Combines, University of Georgia Ext."
)
MISSOURI = "University of Missouri Ext. G1290"
SOURCES = (
    f"[1] {GEORGIA} [2] {MISSOURI} (revised 1993). [3] Common practice. [4] From memory, no source "
    "read."
)
# What a sample is taken from and what it tells, beside its boxes.
TAKEN = {
    "grain": (
        "Cut the moving stream into or out of the tank, not the top of the heap: skip the first "
        "seconds; three cuts or more, mixed (USDA practice). kernels_damaged: broken, chipped or "
        "cracked, plainly seen; not the grade's damage (7 CFR 810.404: mould, heat, frost, germ, "
        "insects, sprouting; judged after sieving), in which clean chips may not count. "
        "sieve_mass: through round holes of 12/64 in, 4.76 mm (7 CFR 810.401), or 4.50 mm (ISO "
        "5223): one sieve for the whole trial. foreign_mass: what is not corn."
    ),
    "ear_butt_damage": (
        "At the stop, key held: ears that lie in the header, as they come, none chosen. "
        "ears_damaged: kernels missing or cracked at the butt end. If you like, kernels_missing: "
        "over all of them; impact_score: 0 untouched to 5 worst, the group as a whole. It tells "
        "what plates and rolls do, before threshing. Common practice; no published definition "
        "found."
    ),
    "residue": (
        "tank: from the grain tank: tells what cleaning left, not what the header took in. behind: "
        "1 kg (2 lb) from the top of what fell behind the machine; sample_mass all of it, "
        "residue_mass its leaves, husks and stalk, cobs sorted out: an ear brings one cob, so it "
        "tells what came in with it. Common practice."
    ),
}
IN_WINDROW = (
    "Residue fell on this width: measure it across the rows. All frames of zone 3 lie inside it, "
    "spread over it; beside it lies what the header left, which zone 2 counts."
)


UNTOLD = "Nobody who counts is told which setup a strip has"


def counting_rules(trial: FieldTrial, blind: bool) -> list[str]:
    """How to count honestly, each with its source by number (see `SOURCES`)."""
    us = trial.config.units == "US"
    ends, back = ("100 ft", "20 ft") if us else ("30 m", "6 m")
    far = trial.back_up()
    needed = f"{far / 0.3048:.0f} ft" if us else f"{far:.1f} m"
    return [
        f"Stop while threshing steadily, at least {ends} from the row ends, without letting the "
        "machine clear itself [1]. Let the speed settle before the stop: while it changes, what "
        "falls behind is not what the setup does [4].",
        f"Shut off the header and back up. Sources differ on how far: {back} [1], one combine "
        "length [2]. Choose one for the whole trial. Ours: ",
        "Disconnect a spreader or chopper before a count [2], or leave it as it is on every strip. "
        "Write the width the residue fell on at zone 3 of the card (discharge_width): loss behind "
        "the machine is told per width of the header with it [1, 2]. Where nobody gives it, it is "
        "taken to be the header's, and loss from a windrow is overstated.",
        "Decide where each frame lies before looking at the ground, in the rows the card names "
        "[3]. A frame lies over one row, its long side along it [1]; its length stands on the "
        "card. Behind a windrow the frames of zone 3 lie in it, spread over its width [3].",
        "Lift stalks and leaves off, then count the loose kernels in the frame [1]. Agree before "
        "the first strip which broken kernels count, and keep to it [3].",
        "No kernels is a count: write 0. An empty box means that nobody counted. Never move a "
        "frame because of what lies in it; write what was odd under note [3].",
        "Behind the machine, kernels still on pieces of cob are threshing loss, loose ones "
        "separation loss [1, 2]: count them apart, each in its box, in every frame.",
        f"The same people count all strips of a block{f'. {UNTOLD}' * blind} [3].",
        *([f"Zone header, ears: search every row of the pass from the standing corn back, "
           f"{needed} for the area on the card; back up at least so far [1, 2]. Zone preharvest, "
           "ears: the same length of standing corn. Where backing up so far cannot be, search "
           "behind the machine [2] and write under header only ears that did not go through it: "
           "whole, not threshed, mostly in their husks. Those that went through count under total, "
           "with them. Ears that still hold kernels count [3]."] if far else []),
        f"A check of five frames takes about 15 minutes [2]; a strip here about "
        f"{minutes(trial.minutes())}. When it has to go faster, lay fewer frames, not hastier "
        "ones: write nothing in those left out [3].",
    ]


def order_rows(trial: FieldTrial, blind: bool) -> list[dict[str, Any]]:
    """Order of work, step by step: begin, strip and place, setup or change in words.

    Without a plan it is the order of the strips table, with no times.
    """
    plan = trial.plan
    strips = trial.strips.set_index(trial.strips["strip"].astype(str), drop=False)
    if plan is None:
        return _numbered(
            [
                _step(str(name), row, "", "", "" if blind else setup_words(trial, str(name)))
                for name, row in strips.iterrows()
            ]
        )
    out: list[dict[str, Any]] = []
    changing = 0.0
    for step in plan.order.to_dict("records"):
        if step["what"] == "change" and blind:
            # Several factors may change at once: to who counts it is one pause.
            changing += float(step["minutes"])
            begins = clock(float(step["begins"]))
            if out and out[-1]["change"]:
                begins = out.pop()["begins"]
            text = f"Change of setup, about {minutes(changing)}"
            out.append({"change": True, "begins": begins, "words": text})
        elif step["what"] == "change":
            text = f"Change: {step['words']}, about {minutes(float(step['minutes']))}"
            out.append({"change": True, "begins": clock(float(step["begins"])), "words": text})
        elif step["strip"] in strips.index:
            changing = 0.0
            words = "" if blind else setup_words(trial, step["strip"])
            begins = clock(float(step["begins"]))
            out.append(_step(step["strip"], strips.loc[step["strip"]], begins,
                             str(step["direction"]), words))  # fmt: skip
    known = {step.get("strip") for step in out}
    for name, row in strips.iterrows():
        if name not in known:
            words = "" if blind else setup_words(trial, str(name))
            out.append(_step(str(name), row, "", "", words))
    return _numbered(out)


def _numbered(steps: list[dict[str, Any]]) -> list[dict[str, Any]]:
    passes = [step for step in steps if not step["change"]]
    for run, step in enumerate(passes, start=1):
        step["run"] = run
    return steps


def _step(strip: str, row: Any, begins: str, direction: str, words: str) -> dict[str, Any]:
    return {"change": False, "begins": begins, "strip": strip, "field": str(row["field"]),
            "pair": str(row["pair"]), "direction": direction, "words": words}  # fmt: skip


def setup_words(trial: FieldTrial, strip: str) -> str:
    """A strip's setup: "Gathering chain: Cushioned chain; Ground speed: 3.5 mph; gap 36"."""
    own = trial.strips[trial.strips["strip"].astype(str) == strip].iloc[0]
    parts = []
    for factor in trial.config.setups:
        labels = dict(zip(factor.levels, factor.level_labels, strict=True))
        level = str(own[factor.name])
        words = labels.get(level, level)
        parts.append(words if words.startswith(f"{factor.label} ") else f"{factor.label}: {words}")
    return "; ".join(parts)


def clock(minutes_after: float) -> str:
    """Hours and minutes after the first step begins."""
    hours, rest = divmod(round(minutes_after), 60)
    return f"{hours}:{rest:02d}"


def minutes(value: float) -> str:
    """A time that work takes."""
    if value < 90:
        return f"{math.ceil(value)} min"
    return f"{value / 60:.1f}".removesuffix(".0") + " h"


def time_words(trial: FieldTrial) -> str:
    """How long the work takes by the plan; empty without one."""
    if trial.plan is None or not len(trial.plan.order):
        return ""
    order = trial.plan.order
    changes = float(order.loc[order["what"] == "change", "minutes"].sum()) / 60
    many = int((order["what"] == "change").sum())
    spent = f", {changes:.1f} of them for {many} change{'s' * (many > 1)} of setup" if many else ""
    return (
        f"By the plan the work takes {trial.plan.hours:.1f} hours{spent}. Times are "
        "hours:minutes after the first step begins."
    )
