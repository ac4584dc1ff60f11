"""What people call the tables' columns: over the boxes of the sheets, on the phone, on pages."""

from __future__ import annotations

COLUMNS = {
    # strips
    "main_strip": "main strip", "gap_front": "front gap", "gap_rear": "rear gap",
    "speed_set": "speed set", "speed_measured": "speed measured",
    "roll_rpm": "roll speed", "test_weight": "test weight",
    "discharge_width": "width the residue fell on", "harvested_at": "harvested at",
    "counted_by": "counted by (initials)", "written_by": "written by (initials)",
    "key_held_by": "key held by (initials)",
    # frames, ears
    "loose_kernels": "loose kernels", "kernels_on_cobs": "kernels on cobs", "ears": "ears found",
    "kernel_mass_per_ear": "grain of one ear", "kernels_per_ear": "kernels on one ear",
    # samples
    "kernels_examined": "kernels looked at", "kernels_damaged": "of these, damaged",
    "sample_mass": "mass of the sample", "sieve_mass": "of this, through the sieve",
    "foreign_mass": "of this, not corn", "ears_examined": "ears looked at",
    "ears_damaged": "of these, damaged at the butt", "kernels_missing": "kernels missing",
    "impact_score": "score 0 to 5", "residue_mass": "of this, residue", "score": "score 0 to 5",
    "taken_at": "taken at",
    # the header
    "gap_middle": "middle gap",
    "plate_left_front": "left plate, front", "plate_left_rear": "left plate, rear",
    "plate_right_front": "right plate, front", "plate_right_rear": "right plate, rear",
    "set_front": "set to, front", "set_rear": "set to, rear",
    "roll_left_wear_length": "left roll, worn length",
    "roll_right_wear_length": "right roll, worn length",
    "roll_left_flute": "left roll, flute height", "roll_right_flute": "right roll, flute height",
    "clearance_1": "clearance 1, front", "clearance_2": "clearance 2",
    "clearance_3": "clearance 3", "clearance_4": "clearance 4",
    "clearance_5": "clearance 5, rear", "roll_clearance": "between the rolls",
    "plate_edge_wear": "plate edge wear", "chain_slack": "chain slack",
    "chain_stretch": "chain stretch", "flaps": "flaps (ear savers)",
    "measured_by": "measured by (initials)", "measured_at": "date",
}  # fmt: skip
"""By the column; one that is not here is called by its name."""


def called(column: str) -> str:
    """A column in words: "front gap" for gap_front."""
    return COLUMNS.get(column, column.replace("_", " "))
