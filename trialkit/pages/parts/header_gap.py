"""One header's gap to aim at, its speeds, and what its uneven gaps do to the trial's noise."""

from __future__ import annotations

import math
from collections.abc import Iterator

from trialkit import units
from trialkit.header import at_speeds
from trialkit.header.butts import butts_reaching
from trialkit.header.limits import source_of
from trialkit.pages.context import Context
from trialkit.pages.elements import Element
from trialkit.pages.header_checked import Said, loss
from trialkit.pages.header_noise import noise_words
from trialkit.pages.registry import part
from trialkit.quantities import number
from trialkit.words import ear_butts, said
from trialkit.words import header as header_words
from trialkit.words import header_page as words
from trialkit.words.header_limits import limit_and_source

# A strip measured this much faster than any was set to stands in the table of speeds too.
FASTER = 1.02


@part("target", words.title("target"))
def target(context: Context) -> Iterator[Element]:
    """The gap to aim at, from the stalks of each field."""
    told = Said(context)
    report, limits = told.report, told.report.limits

    def limit(name: str) -> str:
        return limit_and_source(getattr(limits, name), source_of(limits, name), told.system)

    if gap := " ".join(said(report.told["gap"])):
        yield told.sentence(gap)
    if report.own_gaps:
        yield told.sentence(words.own_gaps())
    percentile = source_of(limits, "stalk_percentile")
    yield told.sentence(words.stalks_ask(
        limits.stalk_percentile, percentile, limit("stalk_clearance"), limit("taper")
    ))  # fmt: skip
    yield told.sentence(words.cushion_opening(report.cushion, limit("cushion")))
    rows = [
        [told.field(r.field), number(r.stalks, 0), told.cell(r.by_stalks),
         told.cell(r.target_front), told.cell(r.target_rear)]
        for r in report.fields.itertuples() if r.stalks
    ]  # fmt: skip
    if rows:
        yield told.table(*words.target_table(report.header, told.system), rows)
    for text in _butts(context, told):
        yield told.sentence(text)


def _butts(context: Context, told: Said) -> list[str]:
    """How many ear butts would reach the rolls, at the gap as read and at the one to aim at."""
    report, trial = told.report, context.trial
    ears = trial.ear_butts[trial.ear_butts["field"].isin(report.fields["field"])]
    if ears.empty:
        return [ear_butts.none_measured()]
    read, aim = report.medians[1], report.target.rear
    gaps = {ear_butts.the_gap(False): aim}
    if not math.isnan(read):
        # The wider end decides; where both are nearly the same gap, one is enough.
        apart = abs(read - aim) > report.limits.own_gap
        gaps = {ear_butts.the_gap(True): read} | (gaps if apart else {})
    reaches = [
        butts_reaching(ears["diameter"], gap).sentences(trial.config.units, which)
        for which, gap in gaps.items()
    ]
    return [*(first for first, *_ in reaches), _counted(context, told), " ".join(reaches[-1][1:])]


def _counted(context: Context, told: Said) -> str:
    """What ears collected at the header tell beside their diameters."""
    trial = context.used
    counts = trial.ear_butt_damage.merge(trial.strips[["strip", "field"]], on="strip")
    counts = counts[counts["field"].isin(told.report.fields["field"])]
    if counts.empty:
        return ear_butts.count_damage()
    return ear_butts.damage_counted(counts["ears_examined"].sum(), counts["ears_damaged"].sum())


@part("feeding", words.title("feeding"))
def feeding(context: Context) -> Iterator[Element]:
    """What feeds the header, what it pulls and how long it takes, speed by speed."""
    told = Said(context)
    report = told.report
    speeds = list(report.speeds)
    if report.fastest > FASTER * max(speeds, default=0.0):
        speeds.append(report.fastest)
    if not speeds:
        yield told.sentence(words.speed_lacks())
        return
    us = told.system == "US"
    size = units.SQUARE_METRES_PER_ACRE / units.SQUARE_METRES_PER_HECTARE if us else 1.0
    rows = []
    for r in at_speeds(report, speeds).itertuples():
        finishes = header_words.pulling(str(r.pulling))
        if r.pulling == "some" and not report.unit.assumed:
            finishes = header_words.not_on_rows(list(r.rows_short))
        rows.append([
            told.speed(r.speed), finishes, _plain(r.feed_row, 1), _plain(r.feed_header, 0),
            told.roll(r.pull_through), told.roll(r.left), _plain(r.roll_ratio, 2),
            _plain(r.chain_ratio, 2), _plain(r.capacity / size, 1),
            _plain(60 * r.hours_per_ha * size, 1),
        ])  # fmt: skip
    yield told.table(*words.speeds_table(report.header, told.system), rows)
    for name in ("pulling", "fed", "ratios", "time"):
        if text := " ".join(said(report.told[name])):
            yield told.sentence(text)


def _plain(value: float, places: int) -> str:
    return "" if math.isnan(value) else number(value, places)


@part("noise", words.title("noise"))
def noise(context: Context) -> Iterator[Element]:
    """How much repairs narrow the trial's noise."""
    told = Said(context)
    ratio: float | None = context.options["loss_ratio"]
    answer, *more = noise_words(told.report, loss(context), ratio)
    spread = [n for n in told.report.told["spread"] if n.code != "header.spread_and_frames"]
    yield told.sentence(answer, "summary")
    for text in (" ".join(said(spread)), *more):
        if text:
            yield told.sentence(text)
