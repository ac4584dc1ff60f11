"""Many rows: the fast path finds the same faults on the same lines as row-by-row arithmetic."""

from __future__ import annotations

import numpy as np
from sound_trial import Make

from trialkit.intake import read_trial

ROWS = 60_000


def test_faults_among_many_rows(trial_folder: Make) -> None:
    rng = np.random.default_rng(11)
    strips = rng.choice(["S1", "S2", "S3", "s4"], ROWS)
    kernels = rng.poisson(20, ROWS)
    area = np.round(rng.uniform(5, 15, ROWS), 6)
    rows = [
        f"F{i},{s},{('header', 'total')[i % 2]},{a!r},{k},{'' if i % 7 else 'wet'}"
        for i, (s, k, a) in enumerate(zip(strips, kernels.tolist(), area.tolist(), strict=True))
    ]
    spoiled = {
        17: "F17,S1,header,10,-4,", 5_000: "F5000,S1,header,10,4.5,",
        30_000: 'F30000,S1,header,10,4,"open', 40_001: "F40001,S9,header,10,4,",
        50_000: "F50000,S1,header,10,4,,,1", ROWS - 1: "F59999,S1,side,10,4,",
    }  # fmt: skip
    for at, row in spoiled.items():
        rows[at] = row
    two_lines, blank, again = 20_000, 25_000, 45_000
    rows[two_lines] = 'F20000,S1,header,10,4,"two\nlines"'
    rows[blank] = ""
    rows[again] = rows[44_000]
    text = "frame,strip,zone,area,loose_kernels,note\n" + "\n".join(rows)
    intake = read_trial(trial_folder(frames=text))
    lines = [at + 2 + (at > two_lines) for at in sorted({*spoiled, again})]
    assert intake.refused["line"].tolist() == lines
    counts = intake.read.iloc[1]
    assert counts["rows_in"] == ROWS - 1
    assert counts["rows_refused"] == len(lines)
    kept = intake.tables["frames"]
    sound = np.ones(ROWS, bool)
    sound[[*spoiled, again, blank, two_lines]] = False
    expected = int(kernels[sound].sum()) + 4
    assert kept["loose_kernels"].sum() == expected
    assert len(kept) == ROWS - 1 - len(lines)
