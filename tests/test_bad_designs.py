"""Trials that answer little or nothing: what their user reads, one row of a table each.

Every sentence names the cause and, where a comparison is missing, what can still be said; and
every strip is in the model of a response or named in its notes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from frozen_trials import CUSHION_PAIRS, GAP_FIELDS, SPLIT_STRIPS

from trialkit.analysis import analyse, effect_curve, response_surface
from trialkit.analysis.specifications import STILL
from trialkit.errors import DesignError
from trialkit.intake import write_trial
from trialkit.simulate import Effort, simulate_trial
from trialkit.trial import Trial, load_trial

MEASURED = ("frames", "ears", "grain", "residue")
COUNTED = {
    "frames": ["loose_kernels"], "ears": ["ears"], "residue": ["residue_mass"],
    "grain": ["kernels_damaged", "sieve_mass", "foreign_mass"],
}  # fmt: skip
SMALL = Effort(header_frames=4, preharvest_frames=1, total_frames=1)


def pairs(blocks: int = 4, fields: str = "A") -> Trial:
    table = pd.concat([CUSHION_PAIRS.fields] * len(fields)).assign(field=list(fields))
    return simulate_trial(
        CUSHION_PAIRS.config, CUSHION_PAIRS.truth, seed=1, blocks=blocks, fields=table, effort=SMALL
    )


def gaps(blocks: int = 3, fields: int = 1) -> Trial:
    return simulate_trial(
        GAP_FIELDS.config, GAP_FIELDS.truth, seed=1, blocks=blocks,
        fields=GAP_FIELDS.fields.head(fields),
        effort=replace(SMALL, settings=GAP_FIELDS.effort.settings),
    )  # fmt: skip


def split() -> Trial:
    return simulate_trial(
        SPLIT_STRIPS.config, SPLIT_STRIPS.truth, seed=1, blocks=3, fields=SPLIT_STRIPS.fields,
        effort=replace(SMALL, settings=SPLIT_STRIPS.effort.settings),
    )  # fmt: skip


def changed(trial: Trial, **tables: Callable[[pd.DataFrame], pd.DataFrame]) -> Trial:
    new = {name: make(trial.tables[name].copy()) for name, make in tables.items()}
    return Trial.from_tables(trial.config, {**trial.tables, **new})


def strips(trial: Trial, **columns: Callable[[pd.DataFrame], object]) -> Trial:
    return changed(trial, strips=lambda s: s.assign(**{c: make(s) for c, make in columns.items()}))


def without(trial: Trial, out: Callable[[pd.DataFrame], pd.Series]) -> Trial:
    gone = trial.strips.loc[out(trial.strips), "strip"]
    tables = {name: lambda t: t[~t["strip"].isin(gone)] for name in ("strips", *MEASURED)}
    return changed(trial, **tables)


def none_found(trial: Trial, where: Callable[[pd.DataFrame], pd.Series]) -> Trial:
    there = trial.strips.loc[where(trial.strips), "strip"]

    def empty(columns: list[str]):
        return lambda t: t.assign(**{c: t[c].where(~t["strip"].isin(there), 0) for c in columns})

    return changed(trial, **{name: empty(columns) for name, columns in COUNTED.items()})


def in_turn(s: pd.DataFrame) -> np.ndarray:
    return np.where(s["pair"].astype(int) % 2, "standard", "cushion")


def half_fraction() -> Trial:
    two = without(split(), lambda s: s["gap"].eq("narrow"))
    return strips(
        two,
        speed=lambda s: np.where(s["cushion"].eq("cushion") != s["gap"].eq("wide"), "fast", "slow"),
        speed_measured=lambda s: 7.0,
    )


def three_of_one_setup() -> Trial:
    joined = strips(
        pairs(5),
        cushion=lambda s: np.where(s["pair"].isin(["1", "2"]), "standard", s["cushion"]),
        pair=lambda s: s["pair"].replace("2", "1"),
    )
    return without(joined, lambda s: s["strip"].eq("A-01"))


SOME_FIELDS = {"A": "standard", "B": "standard", "C": "cushion"}

# ---------------------------------------------------------------- no response can be compared
REFUSED = {
    "setup goes with the field": (
        lambda: strips(pairs(), field=lambda s: s["cushion"]),
        ["Every field has one level of Gathering chain only", "Run every level in each field"],
    ),
    "setup goes with the pair, twice": (
        lambda: strips(pairs(2), cushion=in_turn),
        ["Gathering chain changes only between blocks", "2 of them leave it unrepeated"],
    ),
    "one pair": (lambda: pairs(1), ["only one pair (block)", "better six"]),
    "one strip a setup": (lambda: gaps(1), ["only one pair (block)", "better six"]),
    "one setup": (
        lambda: without(pairs(), lambda s: s["cushion"].eq("cushion")),
        ["the same setup (Gathering chain standard)", "at least two setups"],
    ),
    "two factors as one": (
        lambda: strips(split(), gap=lambda s: s["speed"].map({"slow": "usual", "fast": "wide"})),
        ["Stripper-plate gap and Ground speed always change together", "as one setup factor"],
    ),
    "a factor that two others give": (
        # Cushion and wide gap only where fast; the four cells left cannot hold three effects.
        lambda: without(
            strips(split(), gap=lambda s: s["gap"].replace("narrow", "usual")),
            lambda s: (
                s["speed"].eq("slow") & (s["cushion"].eq("cushion") | s["gap"].eq("wide"))
            ) | (s["speed"].eq("fast") & s["cushion"].eq("cushion").eq(s["gap"].eq("wide"))),
        ),
        ["one of Gathering chain, Stripper-plate gap, Ground speed follows from the others"],
    ),
    "no setup recorded": (
        lambda: strips(pairs(), cushion=lambda s: None),
        ["No measured strip has its setup recorded"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_nothing_can_be_compared(case: str) -> None:
    make, sentences = REFUSED[case]
    with pytest.raises(DesignError) as error:
        analyse(make())
    text = str(error.value)
    for sentence in sentences:
        assert sentence in text
    assert text.endswith(STILL) and text.count(STILL) == 1
    assert text.count(sentences[0]) == 1


# ---------------------------------------------------------------- one response, and what is said
ALIKE = "Measured values vary: check whether one value was written down"
# Trial, response, whether it can be analysed, what is read.
SAID = {
    "setup goes with the pair": (
        lambda: strips(pairs(6), cushion=in_turn), "header_loss", True,
        ["Gathering chain changes only between blocks", "difference between 6 blocks"],
    ),
    "scores, setup goes with the pair": (
        lambda: strips(pairs(6), cushion=in_turn), "residue_score", True,
        ["no block holds both"],
    ),
    "three fields with one setup": (
        lambda: strips(
            pairs(2, "ABCD"), cushion=lambda s: s["field"].map(SOME_FIELDS).fillna(s["cushion"])
        ), "header_loss", True,
        ["3 of 4 fields have one setup only (A, B, C)", "6 of 8 pairs (blocks) have strips of"],
    ),
    "missing strips": (
        lambda: without(pairs(6), lambda s: s["strip"].isin(["A-01", "A-06"])), "header_loss", True,
        ["2 of 6 pairs (blocks) have strips of one setup only (1, 3). They stay in the model"],
    ),
    "strips without frames": (
        lambda: changed(pairs(6), frames=lambda t: t[~t["strip"].isin(["A-01", "A-06"])]),
        "header_loss", True,
        ["2 of 12 strips have no measurement of this response", "(A-01, A-06)"],
    ),
    "three strips of a setup in a pair": (
        three_of_one_setup, "header_loss", True,
        ["1 of 4 pairs (blocks) has strips of one setup only (1). It stays in the model"],
    ),
    "a strip without its setup": (
        lambda: strips(pairs(), cushion=lambda s: s["cushion"].where(s["strip"].ne("A-01"))),
        "yield", True,
        ["setup is not recorded in full for these strips, which take no part: A-01."],
    ),
    "a level run once": (
        lambda: without(gaps(), lambda s: s["gap"].eq("wide") & s["pair"].ne("1")),
        "header_loss", True,
        ["Only one measured strip (Mill Piece-03) has Stripper-plate gap at wide",
         "interval rests on how strips of the other setups vary"],
    ),
    "a factor with one level": (
        lambda: without(split(), lambda s: s["speed"].eq("fast")), "header_loss", True,
        ["Ground speed was the same on every measured strip and is left out."],
    ),
    "a half fraction": (
        half_fraction, "header_loss", True,
        ["do not tell every interaction from the effect of another factor",
         "No measured strip has Stripper-plate gap at narrow."],
    ),
    "moisture missing on some strips": (
        lambda: strips(gaps(2, 4), moisture=lambda s: s["moisture"].where(s.index > 3)),
        "header_loss", True,
        ["Grain moisture was not recorded on 4 of 24 strips", "all of these strips are in"],
    ),
    "measured speed goes with the setup": (
        lambda: strips(
            pairs(6), speed_measured=lambda s: s["cushion"].map({"standard": 6.0, "cushion": 8.0})
        ), "header_loss", True,
        ["Ground speed was set by the setups or went with them",
         "so what it does is part of their effects"],
    ),
    "preharvest frames in one field": (
        lambda: changed(
            pairs(2, "ABCD"),
            frames=lambda t: t[t["zone"].ne("preharvest") | t["strip"].str.startswith("A")],
        ), "header_loss", True,
        ["3 of 4 fields have no preharvest frames (B, C, D)", "differences do not"],
    ),
    "more before the header than behind it": (
        lambda: changed(pairs(), frames=lambda t: t.assign(loose_kernels=t["loose_kernels"].where(
            t["zone"].ne("preharvest"), 10 * t["loose_kernels"] + 50))), "header_loss", True,
        ["Header loss comes out below zero under Standard chain, Cushioned chain",
         "Differences between setups stand."],
    ),
    "one frame 400 times denser": (
        lambda: changed(pairs(), frames=lambda t: t.assign(
            loose_kernels=t["loose_kernels"].where(t.index != 3, 400 * t["loose_kernels"]))),
        "header_loss", True,
        ["far from the plain mean of the strips (Standard chain: ", "strips' own values instead"],
    ),
    "samples with no kernel examined": (
        lambda: changed(pairs(), grain=lambda t: t.assign(
            kernels_examined=t["kernels_examined"].where(t["strip"].ne("A-01"), 0),
            kernels_damaged=t["kernels_damaged"].where(t["strip"].ne("A-01"), 0))),
        "kernel_damage", True,
        ["1 of 8 strips has no measurement of this response and takes no part in it (A-01)",
         "2 grain samples without counted kernels take no part here."],
    ),
    "nothing found under one setup": (
        lambda: none_found(pairs(), lambda s: s["cushion"].eq("cushion")), "header_loss", False,
        ["Under Gathering chain cushion there was no loose kernel in 16 frames (14.9 m2)",
         "puts the loss below 0.6 kg/ha", "compare the raw means, or count more"],
    ),
    "nothing found at all": (
        lambda: none_found(pairs(), lambda s: s["strip"].notna()), "processing_loss", False,
        ["no kernel in 32 frames of zone header (29.7 m2)", "below 0.3 kg/ha"],
    ),
    "nothing found under one combination": (
        lambda: none_found(split(), lambda s: s["cushion"].eq("cushion") & s["gap"].eq("wide")),
        "header_loss", False,
        ["Under Gathering chain cushion with Stripper-plate gap wide there was no loose kernel",
         "Each strip's own value can still be read", "without these strips"],
    ),
    "one yield everywhere": (
        lambda: strips(pairs(), **{"yield": lambda s: 12_000.0}), "yield", False,
        ["Yield has one and the same value on every strip (12,000)", ALIKE],
    ),
    "one share everywhere": (
        lambda: changed(pairs(), residue=lambda t: t.assign(sample_mass=2000.0, residue_mass=20.0)),
        "residue_mass", False,
        ["Material other than grain has one and the same value on every strip (1)", ALIKE],
    ),
    "one yield a setup": (
        lambda: strips(pairs(), **{"yield": lambda s: s["cushion"].str.len() * 1000.0}),
        "yield", False,
        ["Yield is the same on all strips of one setup (cushion: 7,000; standard: 8,000)", ALIKE],
    ),
    "two pairs, three ears": (
        lambda: pairs(2), "dropped_ears", False,
        ["Too little was counted", "Each strip's own value can still be read"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", SAID)
def test_what_is_said_of_one_response(case: str) -> None:
    make, name, analysed, sentences = SAID[case]
    trial = make()
    found = analyse(trial, responses=[name, "test_weight"])  # which every trial here has
    text = " ".join(found.responses[name].sentences) if analysed else found.skipped.get(name, "")
    for sentence in sentences:
        assert sentence in text, text
    for result in found.responses.values():
        out = set(trial.strips["strip"]) - set(result.data["strip"])
        assert all(strip in " ".join(result.sentences) for strip in out)
        contrasts = result.contrasts[["difference", "difference_low", "difference_high", "p"]]
        assert np.isfinite(contrasts.to_numpy()).all()


def test_one_hybrid_everywhere_changes_nothing() -> None:
    trial = pairs(2, "ABCD")
    bare = changed(trial, fields=lambda f: f.assign(hybrid=None))
    one, other = (analyse(t, responses=["header_loss"]).responses["header_loss"]
                  for t in (trial, bare))  # fmt: skip
    pd.testing.assert_frame_equal(one.contrasts, other.contrasts)


def test_a_setup_that_goes_with_blocks_is_judged_by_blocks() -> None:
    result = analyse(SAID["setup goes with the pair"][0](), responses=["yield"]).responses["yield"]
    assert result.design.kind == "6 blocks of strips on one field, each under one setup"
    assert "Setups are compared between strips;" in result.why
    # Two samples of three blocks: Student's t of the blocks' means, 4 degrees of freedom.
    blocks = result.data.groupby(["cushion", "pair"], observed=True)["value"].mean()
    own = [blocks[name].to_numpy() for name in ("cushion", "standard")]
    assert result.contrasts["difference"].item() == pytest.approx(own[0].mean() - own[1].mean())
    assert result.contrasts["df"].item() == pytest.approx(4)


# ---------------------------------------------------------------- more is asked than was run
ASKED = {
    "curve along one speed": (
        lambda: strips(pairs(), speed_measured=lambda s: 7.0),
        lambda r: effect_curve(r, along="speed_measured"),
        ["Ground speed ranges over 0 mph only", "stands in the analysis"],
    ),
    "curve along a speed not measured everywhere": (
        lambda: strips(pairs(), speed_measured=lambda s: s["speed_measured"].where(s.index > 1)),
        lambda r: effect_curve(r, along="speed_measured"),
        ["Ground speed was not recorded on 2 of 8 strips", "stands in the analysis"],
    ),
    "curve along a speed that went with the setup": (
        SAID["measured speed goes with the setup"][0],
        lambda r: effect_curve(r, along="speed_measured"),
        ["Ground speed went with Gathering chain", "stands in the analysis"],
    ),
    "surface over one speed": (
        lambda: strips(split(), speed_measured=lambda s: 7.0, speed_set=lambda s: 7.0,
                       speed=lambda s: "slow"),
        lambda r: response_surface(r, settings=("gap_front", "speed_measured")),
        ["Ground speed was nearly the same on every strip (4.3 to 4.3 mph)",
         "stands in the analysis"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", ASKED)
def test_more_is_asked_than_was_run(case: str) -> None:
    make, ask, sentences = ASKED[case]
    result = analyse(make(), responses=["header_loss"]).responses["header_loss"]
    with pytest.raises(DesignError) as error:
        ask(result)
    for sentence in sentences:
        assert sentence in str(error.value)


# ---------------------------------------------------------------- read from a folder
def test_seasons_in_one_folder_are_pointed_at(tmp_path) -> None:
    trial = pairs(6)
    dates = [pd.Timestamp(2024 + (i > 5), 10, 3) for i in range(len(trial.strips))]
    mixed = strips(trial, harvested_at=lambda s: dates)
    warned = " ".join(analyse(mixed, responses=["header_loss"]).warnings)
    assert "harvested in 2 years (2024: 6, 2025: 6 strips)" in warned
    # Read from its folder the other season's dates are lost, and that is said with the rest.
    write_trial(tmp_path / "mixed", mixed.config, mixed.tables)
    read = load_trial(tmp_path / "mixed")
    warned = analyse(read, responses=["header_loss"]).warnings[0]
    assert len(read.strips) == 12
    assert "6 cells of strips.csv could not be used" in warned and "harvested at" in warned
    assert "a strip of another season does not belong to this trial" in warned


def test_where_refusals_leave_nothing_to_compare_they_are_told_first(tmp_path) -> None:
    trial = pairs(6)
    write_trial(tmp_path / "t", trial.config, trial.tables)
    file = tmp_path / "t" / "strips.csv"
    file.write_text(file.read_text().replace("standard", "stanard"))
    with pytest.raises(DesignError, match=r"6 rows of strips\.csv were.*carries the same setup"):
        analyse(load_trial(tmp_path / "t"), responses=["header_loss"])


def test_strips_refused_at_the_door_are_counted(tmp_path) -> None:
    trial = pairs(6)
    write_trial(tmp_path / "t", trial.config, trial.tables)
    file = tmp_path / "t" / "strips.csv"
    file.write_text(file.read_text().replace("standard", "stanard", 1))
    found = analyse(load_trial(tmp_path / "t"), responses=["header_loss"])
    assert "1 row of strips.csv was refused when the trial was read" in found.warnings[0]
    assert "'stanard'" in found.warnings[0] and "take no part" in found.warnings[0]
