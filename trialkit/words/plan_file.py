"""The file that describes a plan, with a word on every line of it."""

from __future__ import annotations


def example() -> str:
    """A file that can be read as it stands; what has a default is shown behind #."""
    return _EXAMPLE


_EXAMPLE = """\
# A plan, for: trialkit power plan.toml, and: trialkit plan NEW_FOLDER --from plan.toml
# Lines that begin with # are not read. Lengths are in ft (US) or m (SI), row spacing in in or m,
# areas in ft2 or m2, speed in mph or km/h; with quotation marks in any unit, as in "75 cm".
title = "Cushioned against standard chain"
season = 2026
units = "US"

[header]
rows = 8
width = 20

[[setup]]
name = "cushion"
levels = ["standard", "cushion"]
# labels = ["Standard chain", "Cushioned chain"]  # words for people; of numbers, with their unit
hard_to_change = true

[[field]]
name = "Home"
length = 1320  # along the rows, headlands included
width = 400  # across the rows; or rows = 160; left out: as much as the trial takes
row_spacing = 30
planter_rows = 16  # left out: the joints between planter passes do not matter
headland = 60  # at each end, harvested before
# grower = "Name"  # whose field it is; reports give it a letter unless growers_agreed
# corner = [41.50, -93.60]  # latitude, longitude of the near left corner: a map for the cab
# heading = 0  # degrees clockwise from north, along the rows

[plan]
blocks = 6  # blocks, or pairs, in each field
seed = 7  # left out: drawn and recorded
# layout = "pairs"  # or "blocks", "split"; left out: as the factors ask for
# setups = [{cushion = "standard"}, {cushion = "cushion"}]  # left out: every combination
# pass_rows = 8  # rows taken in a pass
# border_passes = 1
# buffer_passes = 0
# buffers_between = "blocks"  # or "main strips", "strips"
# min_length = 300
# balance = false  # every setup at every place of its block equally often
# max_run = 3  # blocks in a row that begin alike
# order = "position"  # or "fewest changes"
# alternate = true  # up and down in turn
# max_change_hours = 12

[count]  # on every strip
header_frames = 8
preharvest_frames = 2
total_frames = 2
frame_area = 10
ear_area = 400  # what 20 ft of a pass hold; 0: no search for ears
grain_samples = 2
# kernels_examined = 200
# residue_samples = 1  # in the tank
# intake_samples = 1  # of what fell behind the machine
# butt_samples = 1  # groups of ears collected at the header
# ears_examined = 25

# [work]  # minutes of one person
# speed = 5
# turn_minutes = 1
# stop_minutes = 5  # of a strip: backing up, shutting off, walking
# frame_minutes = 3  # a check of five frames takes about 15
# search_minutes = 3  # for ears
# sample_minutes = 10  # sorting it
# field_minutes = 60  # moving to a field
# change_minutes = {cushion = 120}

# [power]  # what trialkit power simulates, unless told there
# reduction = 30  # percent by which every level loses less than its reference; below 0: more
# response = "header_loss"  # or "kernel_damage"
# loss = 1  # header loss of the reference, bu/ac or kg/ha
# damage = 5  # damaged kernels of the reference, percent
# pairs = [4, 5, 6, 7, 8]  # left out: numbers near the plan's own
# frames = [4, 6, 8, 12, 16]  # or grain samples, on each strip
# fields = [1, 2]
# rounds = 200  # simulated trials of each plan
# aim = 80  # power aimed at, percent
"""
