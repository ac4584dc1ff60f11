"""Pages over many trials: the truth they are drawn from, names, left-out trials, maps, commands."""

from __future__ import annotations

import base64
import io
import json
import re
import shutil
import zipfile
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import test_documents as documents
from frozen_trials import CUSHION_PAIRS
from pypdf import PdfReader
from report_pages import CHROMIUM, Visit
from test_browser import DESKTOP, PHONE, SEEN, serious
from typer.testing import CliRunner

from trialkit import plots, units
from trialkit.analysis import SPECIFICATIONS
from trialkit.cli import app
from trialkit.errors import DesignError
from trialkit.facts import Grade, grade
from trialkit.intake import SetupFactor, write_trial
from trialkit.many import TrialsCompared, amounts, compare
from trialkit.many.lost import ceiling
from trialkit.pages.elements import Element, Figure, every, tables
from trialkit.pages.letters import letter
from trialkit.pages.page import Page
from trialkit.pages.seasons import fields
from trialkit.pages.seasons import readers as seasons_readers
from trialkit.pages.seasons.readers import READERS, comparisons_of, page_of
from trialkit.pages.seasons.rendering import as_notebook, one_trial, render_seasons
from trialkit.quantities import Scale
from trialkit.simulate import Effort, Truth, simulate_trial
from trialkit.words import figures_seasons as words_drawn
from trialkit.words import seasons as words
from trialkit.words import seasons_used as used_words

RATIO = 0.6
NARROW, WIDE = "Narrow (1-1/8 in)", "Wide (1-3/8 in)"
ALIASES = {"narrow": NARROW, "usual": WIDE}
TRUTH = Truth(
    preharvest=4.0, header=60.0, header_ratios={}, sd={"field": 0.2, "setup_by_field": 0.06,
    "pair": 0.1, "strip": 0.1, "frame": 0.2}, preharvest_sd={}, moisture_sd=0.3, speed_sd=0.3,
)  # fmt: skip
EFFORT = Effort(header_frames=4, preharvest_frames=3, total_frames=0, ear_area=0, grain_samples=0,
                residue_samples=0, stalks=0)  # fmt: skip
PEOPLE = {"Quistrup": ("Krumhollow", "Vexley Bend"), "Zwetschgon": ("Dorfli", "Blorkwitz"),
          "Wimsprig": ("Tasselmoor",)}  # fmt: skip
SECRETS = tuple(w.lower() for own, fields in PEOPLE.items() for w in (own, *fields))
PLACES = {"Krumhollow": (41.51, -93.60), "Vexley Bend": (41.53, -93.64), "Dorfli": (41.57, -93.53),
          "Blorkwitz": (41.56, -93.55)}  # fmt: skip


def write(
    folder: Path, season: int, grower: str, seed: int, levels: tuple[str, str] = (WIDE, NARROW), *,
    agreed: bool = False, places: bool = True, more: tuple[SetupFactor, ...] = (),
    lost: tuple[str, ...] = (),
) -> Path:  # fmt: skip
    """A simulated trial of a grower's fields, three pairs (blocks) each; of the first pair the
    strips of levels in `lost` were hailed on."""
    gap = SetupFactor("gap", levels, levels[0], label="Deck plate gap")
    option = replace(CUSHION_PAIRS.config.option, factor="gap", level=levels[1])
    config = replace(
        CUSHION_PAIRS.config, title=f"Plates at {grower}'s", season=season, setups=(gap, *more),
        growers_agreed=agreed, option=option, thousand_kernel_mass=330.0,
    )  # fmt: skip
    fields = pd.DataFrame({"field": PEOPLE[grower], "grower": grower, "hybrid": f"H{seed % 3}"})
    if places and fields["field"].isin(list(PLACES)).all():
        at = [PLACES[name] for name in fields["field"]]
        fields[["latitude", "longitude"]] = at
    truth = replace(TRUTH, header_ratios={"gap": {levels[1]: RATIO}})
    trial = simulate_trial(config, truth, seed=seed, blocks=3, fields=fields, effort=EFFORT)
    strips = trial.tables["strips"]
    gone = strips["pair"].eq(strips["pair"].iloc[0]) & strips["gap"].astype(str).isin(lost)
    status = gone.map({True: "damaged", False: None})
    write_trial(folder, config, {**trial.tables, "strips": strips.assign(status=status)})
    return folder


@pytest.fixture(scope="module")
def trials(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four seasons of one grower, one of them under other names and one with a second factor; two
    other growers, one of whom lost a third of the strips; a trial of something else."""
    root = tmp_path_factory.mktemp("seasons")
    write(root / "Quistrup 2022", 2022, "Quistrup", 1)
    write(root / "Quistrup 2023", 2023, "Quistrup", 2, ("usual", "narrow"))
    write(root / "Quistrup 2024", 2024, "Quistrup", 3)
    guards = SetupFactor("guards", ("off", "on"), "off")
    write(root / "Quistrup 2025", 2025, "Quistrup", 4, more=(guards,))
    write(root / "Zwetschgon 2023", 2023, "Zwetschgon", 5)
    write(root / "Wimsprig 2025", 2025, "Wimsprig", 6, lost=(WIDE, NARROW))
    write(root / "Zwetschgon 2024", 2024, "Zwetschgon", 7, ("soft", "hard"))
    return root


@pytest.fixture(scope="module")
def found(trials: Path) -> tuple[dict[str, TrialsCompared], dict[str, str]]:
    return comparisons_of(trials, aliases=ALIASES)


@pytest.fixture(scope="module")
def made(found) -> dict[str, Page]:
    """Every reader's page; the grower's is Quistrup's."""
    return {r: page_of(r, *found, grower="quistrup") for r in READERS}


@pytest.fixture(scope="module")
def shown_on(made: dict[str, Page]) -> dict[str, tuple[Element, ...]]:
    """What the pages are made of, once."""
    return {reader: page.elements for reader, page in made.items()}


@pytest.fixture(scope="module")
def written(made: dict[str, Page], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The pages as files."""
    from trialkit.pages.rendering import on_paper, page

    out = tmp_path_factory.mktemp("written")
    for reader, own in made.items():  # as the command does
        notebook, kind = as_notebook(own, "page"), READERS[reader]
        title = own.context.letters.page_title(kind.title)
        (out / f"{reader}.html").write_text(page(notebook, title, kind), encoding="utf-8")
        (out / f"{reader}.pdf").write_bytes(on_paper(notebook, title, kind.layout, "us-letter"))
    return {reader: out / f"{reader}.html" for reader in made}


def text_of(path: Path) -> str:
    return path.read_text(encoding="utf-8")


# ---------------------------------------------------------------- numbers
def test_a_ratio_of_all_that_lies_there_is_the_difference_of_what_the_header_lost(found) -> None:
    """Against plain means of strips from which the loss before harvest was taken, field by field:
    the one is a mean of logarithms over pairs, so they agree nearly."""
    one = found[0]["header_loss"]
    reference, other = one.factors["gap"]
    assert (one.strips["on_ground"] > one.strips["value"]).all()
    plain = one.side_by_side.set_index(["trial", "field"])
    by_pairs = amounts.by_field(one, "gap", other).set_index(["trial", "field"])["raw"]
    away = by_pairs - (plain[other] - plain[reference])
    assert len(away) == 11
    assert away.abs().max() < 0.05 * plain[reference].mean()
    assert abs(away.mean()) < 0.02 * plain[reference].mean()
    # Setups of a field differ by what lay on the ground, as own pairs do.
    ground = one.strips.groupby(["trial", "field", "gap"])["on_ground"].mean().unstack()
    differ = (plain[other] - plain[reference]).reindex(ground.index)
    assert differ.to_numpy() == pytest.approx((ground[other] - ground[reference]).to_numpy())
    # A ratio of what is left after that, times all that lay there, would be out by its share.
    share = 1 - plain[reference].mean() / amounts.reference_level(one, "gap").on_ground
    assert share > 0.04


def test_the_headline_covers_the_truth_and_every_page_reads_one_object(made, shown_on) -> None:
    page = made["grower"].context
    own = page.found
    per_kernel = float(units.kernels_per_m2_to_kg_ha(1.0, 330.0))
    variance = sum(TRUTH.sd[u] ** 2 for u in TRUTH.sd)
    lost = TRUTH.header * np.exp(variance / 2) * per_kernel  # mean over all effects (log-normal)
    true = (RATIO - 1) * lost
    # The amount stands at what these fields lost; their mean strays from the truth's own.
    at = amounts.reference_level(page.primary, "gap").value / lost
    assert 0.7 < at < 1.4
    assert own.difference.low < true * at < own.difference.high
    assert own.ratio.low < RATIO < own.ratio.high and own.grade is Grade.CLEAR
    assert own.n_trials == 6 and own.label == NARROW and own.reference_label == WIDE
    # Money, figure, sentence and table all come to that difference.
    price = page.config.price_per_t
    assert page.money.grain.value == pytest.approx(-own.difference.value * price / 1000)
    plot = plots.season_forest(page.fields, own, page.next_field, title="", system="US")
    ax = plot.axes[0]
    diamond = next(p for p in ax.patches if p.get_gid() == "pooled").get_xy()
    factor = float(units.kg_ha_to_bu_ac(1.0))
    assert sorted(diamond[:3, 0]) == pytest.approx(
        sorted(v * factor for v in (own.difference.low, own.difference.value, own.difference.high))
    )
    shown = page.finding.absolute[0]
    for reader, elements in shown_on.items():
        assert shown in " ".join(map(str, every(elements))), reader


def test_every_field_stands_once_a_season_and_the_next_one_below(made) -> None:
    page = made["grower"].context
    rows = page.fields
    assert len(rows) == 11 and list(rows["season"]) == sorted(rows["season"])
    assert rows["mine"].sum() == 8 and rows["ground"].nunique() == 5
    # The model's mean of fields is the mean effect, but for the spread of what they lost.
    assert rows["value"].mean() == pytest.approx(page.found.difference.value, rel=0.2)
    plot = plots.season_forest(rows, page.found, page.next_field, title="", system="US")
    labels = [tick.get_text() for tick in plot.axes[0].get_yticklabels()]
    assert [x for x in labels if x.isdigit()] == ["2022", "2023", "2024", "2025"]
    assert labels[-1] == "Next field" and labels.count("Krumhollow") == 4
    marks = [line for line in plot.axes[0].lines if line.get_gid() in ("own", "other")]
    factor = float(units.kg_ha_to_bu_ac(1.0))
    assert [float(m.get_xdata()[0]) for m in marks] == pytest.approx(list(factor * rows["value"]))
    low, high = page.next_field[1:]
    assert low < page.found.difference.low and high > page.found.difference.high
    # Sentence and figure print the same ends.
    drawn = re.search(r"The next field: \u2212?([\d.,]+) to \u2212?([\d.,]+)\.", plot.alt_text)
    told = re.search(r"from ([\d.,]+) bu/ac \w+ to ([\d.,]+) bu/ac", fields.next_in_short(page))
    assert drawn and told and told.groups() == drawn.groups()


def of_fields(raw: list[float]) -> SimpleNamespace:
    """A page as far as `fields.in_short` and the map read it."""
    rows = pd.DataFrame({
        "ground": range(len(raw)), "name": [f"Field {letter(i)}" for i in range(len(raw))],
        "season": 2024, "mine": True, "raw": raw, "raw_low": np.array(raw) - 0.3,
        "raw_high": np.array(raw) + 0.3, "value": np.nan, "low": np.nan, "high": np.nan,
        "latitude": 41.5, "longitude": [-93.0 - i / 50 for i in range(len(raw))],
    })  # fmt: skip
    return SimpleNamespace(
        fields=rows, own=True, others=1, found=SimpleNamespace(falls=True, unit="kg/ha"),
        letters=SimpleNamespace(grower=""), primary=SimpleNamespace(growers=pd.DataFrame()),
    )  # fmt: skip


def test_no_difference_and_none_known_are_told_as_such() -> None:
    told = fields.in_short(of_fields([-1.0, 0.0, 2.0, np.nan]))
    assert told.endswith("less in 1 of 3 comparisons. The other way went Field C (2024). "
                         "No difference in Field B (2024).")  # fmt: skip
    told = fields.in_short(of_fields([-1.0, 0.0]))
    assert told.endswith("No field went the other way. No difference in Field B (2024).")
    none = fields.in_short(of_fields([np.nan]))
    assert "not known" in none and "0 of 0" not in none and "other way" not in none
    assert words.signs(grade(np.nan, 1.0, 1.0), np.nan) == "not known"
    assert "about 1 in 10 does" in words.fields_differ("9 %", ["Field A"], 0.9)
    ends = words.next_in_short(-1250.0, 0.3, Scale("kg/ha", 1.0), "less", "more", 0)
    assert ends == "from 1,250 kg/ha less to about 0"
    page = of_fields([-1.2, 0.004, 2.0, np.nan])
    plot = plots.field_map(page.fields, page.found)
    keys = [text.get_text() for text in plot.legends[0].get_texts()]
    assert keys == list(words_drawn.MAP_KEY.values())
    assert "Field B (mine): difference 0.00 kg/ha; " in plot.alt_text
    assert "Field D (mine): difference not known." in plot.alt_text


# ---------------------------------------------------------------- names
def test_no_page_names_anyone_but_whose_it_is(written: dict[str, Path]) -> None:
    for reader, path in written.items():
        own = ("quistrup", "krumhollow", "vexley bend") if reader == "grower" else ()
        pdf = PdfReader(path.with_suffix(".pdf"))
        parts = [text_of(path), " ".join(p.extract_text() for p in pdf.pages), str(pdf.metadata)]
        for data in re.findall(r'base64,([^"]+)"', parts[0]):
            raw = base64.b64decode(data)
            if raw[:2] == b"PK":
                with zipfile.ZipFile(io.BytesIO(raw)) as archive:
                    parts += [archive.read(n).decode() for n in archive.namelist()]
            else:
                parts.append(raw.decode("utf-8", "ignore"))
        for text in parts:
            spaced = " ".join(text.lower().split())
            for name in SECRETS:
                assert name not in spaced or name in own, (reader, name)
            if reader != "grower":
                assert "93.6" not in spaced  # where a field lies says whose it is
        if own:
            assert all(name in parts[0].lower() for name in own)


def test_a_field_keeps_its_letter_over_the_years(made) -> None:
    letters = made["field-day"].context.letters
    own = {letters.fields[f"Quistrup {year}", "Krumhollow"] for year in range(2022, 2026)}
    assert len(own) == 1 and own.pop().startswith("Field ")
    assert len(set(letters.fields.values())) == 5
    # The letter another page shows is the one a grower may be asked by.
    grower = made["grower"].context.letters
    others = {grower.fields[key] for key in grower.fields if key not in grower.mine}
    assert others == {letters.fields[key] for key in grower.fields if key not in grower.mine}
    assert letters.growers["Quistrup"] == "Grower A"


def test_whose_page_it_is_must_be_said(found) -> None:
    with pytest.raises(DesignError, match=r"3 growers.*--grower.*Quistrup \(A\)"):
        page_of("grower", *found)
    with pytest.raises(DesignError, match="no grower 'Nobody'"):
        page_of("grower", *found, grower="Nobody")
    assert page_of("grower", *found, grower="Grower C").context.letters.grower == "Zwetschgon"


# ---------------------------------------------------------------- which trials
def test_what_was_left_out_stands_there_with_its_reason(shown_on) -> None:
    for reader in ("grower", "researcher"):
        table = next(t for t in tables(shown_on[reader]) if list(t.head) == used_words.USED_HEAD)
        told = [" ".join(map(str, row)) for row in table.rows]
        assert len(told) == 7
        assert sum("in full" in text for text in told) == 4
        assert sum("in part: 12 strips at other levels of guards" in text for text in told) == 1
        out = next(text for text in told if "left out:" in text)
        # Season, fields and strips of what is left out too; what to type for who makes the page.
        assert " 2024 2 12 left out:" in out
        assert "levels of gap (hard, soft) are not those" in out
        assert ("--alias" in out) == (reader == "researcher")
        if reader == "grower":
            own = [text for text, mine in zip(told, table.mine, strict=True) if mine]
            assert len(own) == 4 and all(" Krumhollow and Vexley Bend " in text for text in own)
    everything = " ".join(map(str, every(shown_on["grower"])))
    assert f"usual as {WIDE}; narrow as {NARROW}" in everything


def test_strips_a_trial_lost_are_told_and_hold_grades(shown_on, found) -> None:
    """2 of 6 strips, a third: the trial alone is at most leaning; the mean, of which it holds 4
    strips, is held by nothing, and would be where such trials held a third."""
    one = found[0]["header_loss"]
    lost = one.trials.set_index("trial").loc["Wimsprig 2025"]
    assert (lost["n_laid"], lost["n_lost"], lost["n_strips"]) == (6, 2, 4)
    assert lost["at_most"] == Grade.LEANING.value
    alone = one.by_trial.set_index("trial").loc["Wimsprig 2025", "evidence"]
    assert Grade(alone).strength <= Grade.LEANING.strength
    every_one = one.trials["n_strips"].sum()
    for reader, elements in shown_on.items():
        told = " ".join(map(str, every(elements)))
        assert "(2 of 6) lost a third or more of its strips. It holds 4 of the " in told, reader
        assert "2 of 6 strips lost (2 damaged): " in told, reader
        assert "5 trials used in full" not in told
    assert ceiling(one.trials) is None and one.effects["at_most"].eq("").all()
    third = one.trials.assign(at_most=one.trials["trial"].str.startswith("Quistrup").map(
        {True: "leaning", False: ""}))  # fmt: skip
    share = third.loc[third["at_most"].ne(""), "n_strips"].sum() / every_one
    assert share >= 1 / 3 and ceiling(third) is Grade.LEANING
    worse = third.assign(at_most=third["at_most"].replace("leaning", "open"))
    assert ceiling(worse) is Grade.OPEN
    held = replace(one, trials=third, effects=one.effects.assign(at_most="leaning"))
    assert amounts.comparisons(held)[0].grade is Grade.LEANING
    page = page_of("field-day", {"header_loss": held})
    first = " ".join(map(str, every(page["headline"].elements)))
    assert "probably left" in first and "told as likely at most, whatever its p" in first


def test_a_grower_whose_trials_were_left_out_is_told_so(found) -> None:
    one = found[0]["header_loss"]
    assert one.left_places == {
        "Zwetschgon 2024": (("Zwetschgon", "Dorfli"), ("Zwetschgon", "Blorkwitz"))
    }
    left = replace(one, left_places={"Zwetschgon 2024": (("Silkwood", "Flat"),)})
    with pytest.raises(DesignError, match=r"Silkwood has 1 trial here, which was left out.*gap"):
        page_of("grower", {"header_loss": left}, grower="silkwood")


def test_a_page_that_names_others_says_so(found, shown_on) -> None:
    def told(elements: tuple[Element, ...]) -> str:
        return " ".join(map(str, every(elements)))

    assert "Quistrup and no other grower" in told(shown_on["grower"])
    some = {n: replace(c, trials=c.trials.assign(
        growers_agreed=c.trials["trial"].str.startswith("Zwetschgon"))) for n, c in found[0].items()
    }  # fmt: skip
    shown = told(page_of("grower", some, grower="quistrup").elements)
    assert "Dorfli" in shown and "Tasselmoor" not in shown
    assert "no other grower" not in shown and "are letters." not in shown
    assert used_words.names_some(True) in shown and used_words.lettered_some() in shown


# ---------------------------------------------------------------- tables
def test_a_field_of_two_pairs_does_not_round_the_others_away(found) -> None:
    """One limit of 136 bu/ac beside limits of 0.3: digits are the column's, an estimate of -0.3
    stays one, and tables and chart say one thing of a field."""
    one = found[0]["header_loss"]
    rows = one.by_field.assign(raw_high=one.by_field["raw_high"].where(
        one.by_field.index != 3, 4.6))  # fmt: skip
    page = page_of("researcher", {"header_loss": replace(one, by_field=rows)})
    table = tables(page["every_field"].elements)[0]
    shown = [re.findall(r"\d+(?:\.(\d+))?", cell) for row in table.rows for cell in row[4:]]
    assert {len(digits) for cells in shown for digits in cells} == {1}
    assert any(len(cell.split(" to ")[1]) > 5 for row in table.rows for cell in row[4:5])
    assert not any(row[4].startswith(("0 ", "0.0 ")) for row in table.rows)
    chart = plots.season_forest(page.context.fields, page.context.found, page.context.next_field,
                                title="", system="US")  # fmt: skip
    beside = {text.get_text() for text in chart.axes[0].texts}
    assert {row[5] for row in table.rows} <= beside


def test_seasons_count_fields_as_the_chart_does(made) -> None:
    page = made["field-day"]
    less = int(page.context.fields["raw"].lt(0).sum())
    by_season = tables(page["side_by_side"].elements)[0]
    assert sum(int(str(row[-1]).split()[0]) for row in by_season.rows) == less


def test_without_aliases_a_trial_is_left_out_and_two_end_in_a_sentence(trials: Path) -> None:
    found = compare(trials)
    reasons = found.skipped.set_index("trial")["reason"]
    assert f'--alias "narrow={NARROW}"' in reasons["Quistrup 2023"]
    both = [trials / "Quistrup 2022", trials / "Quistrup 2023"]
    with pytest.raises(DesignError, match=r"(?s)of 2 found, 0 can be used.*--alias") as raised:
        compare(both)
    assert str(raised.value).count("its levels of gap") == 1
    assert len(compare(both, aliases=ALIASES).trials) == 2


# ---------------------------------------------------------------- the map
def test_a_map_is_drawn_where_places_are_given_and_may_be_shown(shown_on, found) -> None:
    def on_map(elements: tuple[Element, ...]) -> list[Figure]:
        return [e for e in every(elements) if isinstance(e, Figure) and "north up" in e.caption]

    assert on_map(shown_on["field-day"]) == [] == on_map(shown_on["researcher"])
    own = on_map(shown_on["grower"])
    assert len(own) == 1 and "Map of 2 fields" in own[0].picture.alt
    agreed = {n: replace(c, trials=c.trials.assign(growers_agreed=True)) for n, c in
              found[0].items()}  # fmt: skip
    every_place = on_map(page_of("field-day", agreed)["places"].elements)
    assert "Map of 4 fields" in every_place[0].picture.alt  # the fifth gives no place
    one = agreed["header_loss"]
    bare = replace(one, by_field=one.by_field.drop(columns=["latitude", "longitude"]))
    told = page_of("field-day", {"header_loss": bare})["places"].elements
    assert on_map(told) == [] and words.no_map(0) in " ".join(map(str, every(told)))


def test_points_lie_as_on_the_ground(made) -> None:
    """East and north against the arc of the sphere between the two fields, computed here."""
    page = made["grower"].context
    rows = page.letters.places_kept(page.fields)
    plot = plots.field_map(rows, page.found, system="US")
    ax = plot.axes[0]
    points = np.array([np.ravel(m.get_data()) for m in ax.lines if m.get_gid() == "own"])
    bar = next(line for line in ax.lines if line.get_gid() == "distance").get_xdata()
    metres_a_unit = float(next(t.get_text() for t in ax.texts if " mi" in t.get_text())[:-3])
    mile = (bar[1] - bar[0]) / metres_a_unit
    (la, lo), (lb, mo) = (np.radians(PLACES[n]) for n in ("Krumhollow", "Vexley Bend"))
    half = np.sin((lb - la) / 2) ** 2 + np.cos(la) * np.cos(lb) * np.sin((mo - lo) / 2) ** 2
    arc = 2 * 6371.0 * np.arcsin(np.sqrt(half)) / 1.609344  # haversine, miles
    assert np.hypot(*(points[0] - points[1])) / mile == pytest.approx(arc, rel=1e-3)
    west = points[:, 0].argmin()
    assert points[west, 1] == points[:, 1].max()  # Vexley Bend lies to the north-west


# ---------------------------------------------------------------- the page itself
def test_pages_are_valid_told_in_words_and_load_nothing(written: dict[str, Path]) -> None:
    for path in written.values():
        documents.test_page_is_valid_whole_and_small(path)
        documents.test_ids_are_unique_and_references_lead_somewhere(path)
        documents.test_nothing_is_loaded_from_elsewhere(path)
        soup = documents.BeautifulSoup(text_of(path), "html.parser")
        levels = [int(h.name[1]) for h in soup.find_all(re.compile("^h[1-6]$"))]
        assert levels[0] == 1 and levels.count(1) == 1 and max(np.diff(levels)) <= 1
        assert all(len(image["alt"]) > 40 for image in soup.find_all("img"))


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here")
def test_nothing_bars_a_reader_on_a_phone_or_a_desktop(written: dict[str, Path]) -> None:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        for reader in ("grower", "researcher"):  # the field-day page has the grower's parts
            path = written[reader]
            for viewport in (PHONE, DESKTOP) if reader == "grower" else (PHONE,):
                with Visit(browser, path, viewport) as visit:
                    seen = visit.page.evaluate(SEEN)
                    assert seen == {"wide": 0, "out": [], "small": [], "blank": []}, reader
                    assert visit.complaints == []
                    if viewport is PHONE:  # contrast, the slowest rule, on one of like styles
                        assert serious(visit.page, contrast=reader == "grower") == [], reader
        browser.close()


# ---------------------------------------------------------------- commands
def run(*args: object) -> object:
    return CliRunner().invoke(app, [str(a) for a in args])


def test_report_over_folders_overwrites_nothing(
    trials: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(seasons_readers, "ALSO", ())  # header loss is enough here
    folders = [trials / "Quistrup 2022", trials / "Quistrup 2024"]
    told = run("report", *folders, "--for", "grower", "--out", tmp_path)
    assert told.exit_code == 0, told.output
    first = tmp_path / "seasons_grower.html"
    before = first.read_bytes()
    again = render_seasons(folders, tmp_path, report="grower")
    assert again.html.name == "seasons_grower-2.html" and first.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "seasons_grower-2.html", "seasons_grower.html"
    ]  # fmt: skip


def test_a_single_trial_keeps_its_own_page(trials: Path, tmp_path: Path) -> None:
    own = trials / "Quistrup 2022"
    assert one_trial([own]) == own
    shutil.copytree(own, tmp_path / "all" / "only")
    assert one_trial([tmp_path / "all"]) == tmp_path / "all" / "only"
    assert one_trial([trials]) is None and one_trial([own, trials / "Quistrup 2024"]) is None
    assert one_trial([tmp_path / "nothing"]) == tmp_path / "nothing"
    told = run("report", own, "--alias", "a=b")
    assert told.exit_code == 2 and "several trials" in told.stderr


def test_compare_takes_names_level_and_gives_json(trials: Path, found) -> None:
    alias = [x for pair in ALIASES.items() for x in ("--alias", "=".join(pair))]
    told = run("compare", trials, *alias, "--factor", "gap", "--level", "0.9", "--json")
    assert told.exit_code == 0, told.output
    given = json.loads(told.stdout)
    one = found[0]["header_loss"]  # the same at 95 %
    own, shown = amounts.comparisons(one)[0].difference, given["differences"][0]
    assert given["level"] == 0.9 and shown["difference"] == pytest.approx(own.value)
    assert own.low < shown["low"] < shown["high"] < own.high
    assert given["effects"][0]["estimate"] == pytest.approx(one.effects["estimate"].iloc[0])
    assert len(given["strips"]) == len(one.strips) and len(given["skipped"]) == 1
    # Levels as the trials write them, not as they are brought to one form.
    assert set(given["factors"]["gap"]) == {NARROW, WIDE} == {r["gap"] for r in given["strips"]}
    assert {given["effects"][0]["level"], shown["reference"]} == {NARROW, WIDE}
    assert {NARROW, WIDE} <= set(given["side_by_side"][0])
    assert not any(name in told.stdout.lower() for name in SECRETS)
    assert {row["latitude"] for row in given["by_field"]} == {None}
    for wrong, why in (("narrow", "takes two names"), ("=wide", "takes two names")):
        refused = run("compare", trials, "--alias", wrong)
        assert refused.exit_code == 2 and why in refused.stderr
    twice = run("compare", trials, "--alias", "a=b", "--alias", "a=c")
    assert twice.exit_code == 2 and "say one of them" in twice.stderr


def test_titles_of_what_is_also_compared_are_known() -> None:
    from trialkit.pages.seasons.readers import ALSO, FIRST

    assert {FIRST, *ALSO} <= set(SPECIFICATIONS)
