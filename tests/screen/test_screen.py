"""The page that counts are typed into: a whole day on a phone, and all that goes wrong on one."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from phones import CHROMIUM, FEW, Phone, rows_of, write_trial
from typer.testing import CliRunner

from trialkit.cli import app
from trialkit.errors import ReportError
from trialkit.intake.added import fingerprint
from trialkit.pages.field_paper.boxes import card_boxes, header_boxes
from trialkit.pages.field_paper.source import field_trial
from trialkit.pages.screen import count_page
from trialkit.pages.screen.content import FIRST, content
from trialkit.pages.screen.crews import shared
from trialkit.responses import schema
from trialkit.simulate import Effort

Take = Callable[..., Phone]
needs_browser = pytest.mark.skipif(
    CHROMIUM is None, reason="no Chromium here (looked for chromium, chromium-browser)"
)
# A browser that lets a page keep nothing, and one that is full after the page was opened.
REFUSED = """
  const refuse = () => { throw new DOMException("no", "SecurityError"); };
  Object.defineProperty(window, "localStorage", {get: refuse});
  IDBFactory.prototype.open = refuse;
"""
FULL = """
  window.full = false;
  const set = Storage.prototype.setItem, put = IDBObjectStore.prototype.put;
  const check = () => { if (window.full) throw new DOMException("full", "QuotaExceededError"); };
  Storage.prototype.setItem = function (...given) { check(); return set.apply(this, given); };
  IDBObjectStore.prototype.put = function (...given) { check(); return put.apply(this, given); };
"""
SHARES = """
  navigator.canShare = given => given.files.length === 1;
  navigator.share = async given => { window.shared = await given.files[0].text(); };
"""


def strips_of(planned: Path) -> list[str]:
    return [str(s) for s in field_trial(planned).strips["strip"]]


def data_of(file: Path) -> Any:
    text = file.read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.S)
    assert found
    return json.loads(found[1])


def held_to_the_format(rows: list[dict[str, str]], strips: list[str]) -> None:
    """What every copy keeps to, whoever reads it."""
    mark = hashlib.sha256("\n".join(sorted(strips)).encode()).hexdigest()[:12]
    assert rows and list(rows[0])[:7] == [
        "trial", "phone", "entry", "revision", "void", "entered", "table"
    ]  # fmt: skip
    assert {row["trial"] for row in rows} == {mark}
    assert len({row["phone"] for row in rows}) == 1
    assert re.fullmatch("[A-Z0-9]{4}", rows[0]["phone"])
    assert [int(row["entry"]) for row in rows] == list(range(1, len(rows) + 1))
    for row in rows:
        assert None not in row and None not in row.values()  # as many cells as heads
        assert int(row["revision"]) >= 1 and row["void"] in ("", "yes")
        assert datetime.fromisoformat(row["entered"]).utcoffset() is not None
        own = {c.header("US") for c in schema.table(row["table"]).columns}
        assert {head for head, cell in list(row.items())[7:] if cell} <= own


# --- What is on it -----------------------------------------------------------------------------


def test_every_box_of_the_cards_is_asked_and_no_other(planned: Path, page_file: Path) -> None:
    trial, data = field_trial(planned), data_of(page_file)
    asked: dict[tuple[str, str], set[str]] = {}
    for job in data["jobs"]:
        for step in job["steps"]:
            for name in step["fields"]:
                table, _, column = name.partition(".")
                assert table == step["table"]
                asked.setdefault((job["kind"], step["record"]), set()).add(column)
    for strip in map(str, trial.strips["strip"]):
        boxes = card_boxes(trial, strip, True)
        for name, table in boxes.items():
            for row in table.rows:
                cells = dict(zip(table.columns, row, strict=True))
                wanted = {c for c, cell in cells.items() if cell is None}
                if name == "frames" and cells["zone"] != "total":
                    wanted -= {"kernels_on_cobs"}  # has no box there on the card either
                wanted -= {"main_strip"}  # the plan has none, and cards leave it out
                keys = {"strips": [], "frames": ["zone", "frame"], "ears": ["zone"],
                        "residue": ["sample", "taken_at"]}.get(name, ["sample"])  # fmt: skip
                record = "|".join([name, strip, *(str(cells[k]) for k in keys)])
                assert asked.pop(("strip", record)) == wanted, record
    # No score behind the machine: the tables take none there.
    residue = card_boxes(trial, strips_of(planned)[0], True)["residue"]
    where, score = residue.columns.index("taken_at"), residue.columns.index("score")
    assert {(row[where], row[score]) for row in residue.rows} == {("tank", None), ("behind", "")}
    ((_, table),) = header_boxes(trial)
    common = asked.pop(("header", ""))
    for row in table.rows:
        got = asked.pop(("header", f"header_check|1|{row[1]}"))
        assert got | common == set(table.columns) - {"header", "row"}
    assert {key[0] for key in asked} == {"ground"}
    strips = [step["strip"] for step in data["order"] if not step["change"]]
    assert strips == [job["name"] for job in data["jobs"] if job["kind"] == "strip"]


def test_no_setup_is_told_unless_asked_for(planned: Path, page_file: Path, tmp_path: Path) -> None:
    told = ("standardloop", "paddedloop", "plainest loop", "padded loop", "cushion", "chainset")
    text = page_file.read_text(encoding="utf-8").casefold()
    assert [word for word in told if word in text] == []
    (open_,) = count_page(planned, tmp_path, blind=False)
    assert "padded loop" in open_.read_text(encoding="utf-8").casefold()
    # A title that tells what is compared gives way; one that does not stays.
    named = write_trial(tmp_path / "named", title="Padded loops on trial")
    (blind,) = count_page(named, tmp_path)
    assert "padded" not in blind.read_text(encoding="utf-8").casefold()
    assert data_of(page_file)["title"] == "Rows (2026)"


def test_crews_share_whole_blocks(tmp_path: Path) -> None:
    trial = field_trial(write_trial(tmp_path / "t", blocks=5))
    for crews in range(1, 6):
        parts = shared(trial, crews)
        joined = [strip for part in parts for strip in part]
        assert joined == list(map(str, trial.strips["strip"])) and all(parts)
        sizes = [len(part) for part in parts]
        assert max(sizes) - min(sizes) <= 2  # a block has two strips
        pairs = trial.strips.set_index("strip")["pair"]
        blocks = [{pairs[s] for s in part} for part in parts]
        assert sum(map(len, blocks)) == len(set().union(*blocks)) == 5
    with pytest.raises(ReportError, match="choose 1 to 5 crews, not 6"):
        shared(trial, 6)
    made = count_page(tmp_path / "t", crew=2)
    assert [p.name for p in made] == ["count_page_crew-1.html", "count_page_crew-2.html"]
    marks = {data_of(path)["trial"] for path in made}
    # A pause for a change stands where the setup of this page's strips changes, and there alone.
    setup = dict(zip(trial.strips["strip"].astype(str), trial.strips["cushion"], strict=True))
    for path in made:
        before, pause = "", False
        for step in data_of(path)["order"]:
            if step["change"]:
                assert before and not pause
                pause = True
                continue
            if before:
                assert pause == (setup[before] != setup[step["strip"]])
            before, pause = step["strip"], False
    assert marks == {fingerprint(map(str, trial.strips["strip"]))}


def test_command(planned: Path, tmp_path: Path) -> None:
    run = CliRunner().invoke(app, ["cards", str(planned), "--screen", "--out", str(tmp_path)])
    assert run.exit_code == 0, run.output
    assert [p.name for p in tmp_path.iterdir()] == ["count_page.html"]
    assert "Page for a phone" in run.output and "browser" in run.output
    for wrong in (["--crew", "2"], ["--screen", "--crew", "99"], ["--screen", "--language", "xx"]):
        run = CliRunner().invoke(app, ["cards", str(planned), "--out", str(tmp_path), *wrong])
        assert run.exit_code == 2 and "Traceback" not in run.output
    assert len(list(tmp_path.iterdir())) == 1


def test_limits_are_those_of_intake_in_the_trials_units(planned: Path) -> None:
    fields = content(field_trial(planned), strips_of(planned), None, True)["fields"]
    wide, butt = fields["strips.discharge_width"], fields["ear_butts.diameter"]
    kernels = fields["frames.loose_kernels"]
    assert wide["head"] == "discharge_width (ft)"
    assert [wide["low"], wide["high"]] == pytest.approx([0.3 / 0.3048, 31 / 0.3048])
    assert butt["high"] == pytest.approx(90 / 25.4)
    assert (kernels["low"], kernels["high"]) == (0, 1e6)


# --- A day in the field ------------------------------------------------------------------------


@needs_browser
def test_a_whole_trial_on_one_phone_without_a_network(
    planned: Path, page_file: Path, phone: Take
) -> None:
    own = phone(page_file)
    own.context.set_offline(True)
    own.open()
    assert own.page.get_by_text("All you type is kept on this phone.").is_visible()
    own.tap("Read on")
    assert not own.page.get_by_role("button", name="Everyone was told").count()
    # Taps too many read to the end and confirm nothing.
    hasty = "() => { for (let i = 0; i < 9; i++) document.querySelector('#keys button').click(); }"
    own.page.evaluate(hasty)
    assert own.page.get_by_role("button", name="Everyone was told").is_visible()
    own.confirm()
    strips, counts = strips_of(planned), {}
    for n, strip in enumerate(strips, start=1):
        own.tap("Go on:" if n == 1 else "Next strip")
        assert own.title() == strip
        own.tap("Engine off, key with us: count")
        while (title := own.title()) != strip:
            if "Frame" in title:
                frame = title.split()[-1]
                counts[strip, frame] = value = str(5 + n + int(frame[-1]))
                own.count(value, touch=n == 1)
            elif "how it went" in title:
                own.page.get_by_label("counted by (initials)").fill("Ä")
                own.large()
            else:
                own.count("14.5" if "Width" in title else "1", touch=n == 1)
    assert own.page.get_by_text("done").first.is_visible()
    rows = own.copy()
    held_to_the_format(rows, strips)
    frames = {(r["strip"], r["frame"]): r for r in rows if r["table"] == "frames"}
    assert {key: row["loose_kernels"] for key, row in frames.items()} == counts
    assert {row["area (ft2)"] for row in frames.values()} == {"10"}
    assert {r["discharge_width (ft)"] for r in rows if r["table"] == "strips"} == {"14.5"}
    assert {r["counted_by"] for r in rows if r["table"] == "strips"} == {"Ä"}
    searches = [(r["strip"], r["zone"], r["ears"]) for r in rows if r["table"] == "ears"]
    assert len(set(searches)) == 2 * len(strips) and {s[2] for s in searches} == {"1"}
    with own.page.expect_download() as saved:
        own.tap("Save the file")
    raw = Path(saved.value.path()).read_bytes()
    assert rows_of(raw.decode("utf-8")) == rows and raw.count(b"\r\n") == len(rows) + 1
    # The tables take it: under the trial's own heads nothing is unknown.
    heads = set(pd.read_csv(planned / "frames.csv", nrows=0).columns)
    assert heads - {"note"} <= set(rows[0])


@needs_browser
def test_typed_digits_and_place_survive_a_closed_page(page_file: Path, phone: Take) -> None:
    own = phone(page_file).confirm()
    own.go("#/0/0")
    own.count("12")
    own.keys("34")
    where = own.page.evaluate("location.hash")
    own.page.reload()
    own.page.wait_for_selector("html[data-ready]")
    assert own.title().endswith("Frame P2")
    assert own.page.locator(".number .value").inner_text() == "34"
    own.keys("5")  # what was typed and not kept goes on, and was not there "before"
    assert own.page.locator(".number").inner_text().split() == ["loose", "kernels", "345"]
    own.open()  # closed, and opened again from the file
    own.go(where)
    assert own.page.locator(".number .value").inner_text() == "345"
    (row,) = own.copy()
    assert row["loose_kernels"] == "12"  # what is not kept yet is told, not sent
    assert own.page.get_by_text("Typed and not kept yet").is_visible()
    # Either place alone is enough.
    empty_base = """name => new Promise(done => {
      const asked = indexedDB.open(name);
      asked.onsuccess = () => {
        const turn = asked.result.transaction("kept", "readwrite");
        turn.objectStore("kept").clear();
        turn.oncomplete = done;
      };
    })"""
    for lost in ("() => localStorage.clear()", empty_base):
        own.page.evaluate(lost, f"trialkit-{row['trial']}-2026")
        own.open()
        assert [r["loose_kernels"] for r in own.copy()] == ["12"]


@needs_browser
def test_undo_and_correction_are_revisions(page_file: Path, phone: Take) -> None:
    own = phone(page_file).confirm()
    own.go("#/0/0")
    own.count("12")
    own.count("13")
    own.tap("Undo")
    assert own.title().endswith("Frame P2")
    assert own.page.locator(".number .value").inner_text() == "\u2013"
    rows = own.copy()
    assert [(r["entry"], r["revision"], r["void"]) for r in rows] == [
        ("1", "1", ""), ("2", "2", "yes")
    ]  # fmt: skip
    own.go("#/0/0")
    own.page.get_by_role("button", name="Delete the last digit").tap()
    own.count("4")  # 14 instead of 12
    own.count("15")  # the frame that was undone, counted after all
    rows = own.copy()
    assert [(r["entry"], r["revision"], r["void"], r["loose_kernels"]) for r in rows] == [
        ("1", "2", "", "14"), ("2", "3", "", "15")
    ]  # fmt: skip
    own.go("#/")
    for expected in (("14", "yes"), ("12", "")):
        own.tap("Undo the last" if own.title() == "Rows (2026)" else "Undo")
        rows = own.copy()
        assert (rows[0]["loose_kernels"], rows[1]["void"]) == ("14" if expected[1] else "12", "yes")
        own.go("#/")
    assert [r["revision"] for r in rows] == ["3", "4"]


@needs_browser
def test_what_looks_wrong_is_asked_again(page_file: Path, phone: Take) -> None:
    own = phone(page_file).confirm()
    own.go("#/0/0")
    own.count("11")
    own.keys("110")
    own.large()
    assert own.page.get_by_text("110 in frame P2, about 11").is_visible()
    own.tap("No, change it")
    assert own.title().endswith("Frame P2") and len(own.copy()) == 1
    own.go("#/0/1")
    own.large()
    own.tap("Yes, keep it")
    assert len(own.copy()) == 2
    # 0 in all frames of the zone behind the header, at the last of them.
    job = data_of(page_file)["jobs"][0]
    first = next(i for i, s in enumerate(job["steps"]) if s.get("name") == "H1")
    own.go(f"#/0/{first}")
    own.count("0")
    own.count("0")
    own.keys("0")
    own.large()
    assert own.page.get_by_text("0 kernels in 3 frames of zone 2").is_visible()
    own.tap("Yes, keep it")
    # What no table takes is refused: out of range, a row without what it is about, no reason.
    at = {s["title"]: i for i, s in enumerate(job["steps"])}
    own.go(f"#/0/{at['width']}")
    own.keys("500")
    own.large()
    assert "from 0.9843 to 101.7" in own.page.locator("#said").inner_text()
    own.go(f"#/0/{at['who']}")
    own.tap("damaged")
    own.large()
    assert "reason" in own.page.locator("#said").inner_text()
    own.page.get_by_label("reason").fill('deer, "many" =1+1')
    own.large()
    row = next(r for r in own.copy() if r["table"] == "strips")
    assert (row["status"], row["reason"]) == ("damaged", 'deer, "many" =1+1')
    own.go("#/")
    assert own.page.get_by_text("left out: damaged").is_visible()


@needs_browser
def test_a_glove_that_taps_twice_leaves_no_frame_empty(page_file: Path, phone: Take) -> None:
    own = phone(page_file).confirm()
    for gap in (0, 60, 150, 300, 500):
        own.go("#/0/0")
        own.keys("8")
        box = own.page.locator("#large").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        own.page.touchscreen.tap(x, y)
        own.page.wait_for_timeout(gap)
        own.page.touchscreen.tap(x, y)
        own.page.wait_for_timeout(50)
        assert own.title().endswith("Frame P2") and not own.page.locator("dialog[open]").count()
    own.large()  # who means it is asked
    assert own.page.get_by_text("Frame P2 is left empty").is_visible()
    own.tap("No, change it")
    assert own.title().endswith("Frame P2")


@needs_browser
def test_what_was_left_empty_is_open(page_file: Path, phone: Take) -> None:
    own = phone(page_file).confirm()
    steps = data_of(page_file)["jobs"][0]["steps"]
    first = [s for s in steps if s["group"] == 0]
    frames = sum(s["table"] == "frames" for s in first)
    searches = sum(s["table"] == "ears" for s in first)
    own.go("#/0/0")
    own.count("8")
    for _ in first[1:]:
        own.leave()
    lack = f"frames not counted: {frames - 1}; ear searches not told: {searches}"
    assert own.page.get_by_text(lack).is_visible()
    own.go("#/")
    assert own.page.locator("#progress").inner_text().startswith("Strips done: 0 of ")
    assert own.page.get_by_text(lack).count() == 1
    own.go("#/copy")
    own.page.get_by_text("Not typed on this phone:").tap()
    for told in (lack, "readings and samples not typed", "Header 1: parts of rows",
                 "stalks, field"):
        assert own.page.locator("li", has_text=told).first.is_visible(), told


@needs_browser
def test_the_first_key_takes_the_place_of_a_kept_value(page_file: Path, phone: Take) -> None:
    own = phone(page_file).confirm()
    own.go("#/0/0")
    own.count("15")
    own.go("#/0/0")
    own.keys("1")
    assert own.page.locator(".number .value").inner_text() == "1"
    assert "before 15" in own.page.locator(".number .label").inner_text()
    own.keys("6")
    assert own.page.locator(".number .value").inner_text() == "16"


@needs_browser
def test_more_than_a_crop_holds_is_refused_and_the_unlikely_asked(
    page_file: Path, phone: Take
) -> None:
    own = phone(page_file).confirm()
    steps = data_of(page_file)["jobs"][0]["steps"]
    own.go("#/0/0")
    own.keys("9999")  # of 9290 on 10 square feet at 10 000 a square metre
    own.large(at_once=True)
    assert "at most 9290" in own.page.locator("#said").inner_text()
    ears = next(i for i, s in enumerate(steps) if s["table"] == "ears")
    own.go(f"#/0/{ears}")
    own.keys("2")
    own.large(at_once=True)
    own.leave()
    second = next(n for n, job in enumerate(data_of(page_file)["jobs"]) if n)
    own.go(f"#/{second}/{ears}")
    own.keys("999")
    own.large(at_once=True)
    own.large()
    assert own.page.get_by_text("the most in this zone on this phone is 2").is_visible()
    own.tap("No, change it")
    own.page.locator(".number").first.tap()
    own.keys("0")
    own.page.locator(".number").nth(1).tap()
    own.keys("0.3")
    own.large()
    own.large()
    assert own.page.get_by_text("0 ears found, but 0.3").is_visible()
    own.tap("No, change it")
    # Nor more of a sample than all of it.
    grain = next(i for i, s in enumerate(steps) if s["table"] == "grain")
    own.go(f"#/0/{grain}")
    for value in ("200", "250"):
        own.keys(value)
        own.large(at_once=True)
    assert "250 (of these, damaged) is more than 200" in own.page.locator("#said").inner_text()
    own.keys("2")
    assert own.page.locator('[aria-pressed="true"] .value').inner_text() == "2"


IN_SIGHT = """() => { const box = document.querySelector('.number[aria-pressed="true"]')
  .getBoundingClientRect(); return box.top >= document.getElementById("main")
  .getBoundingClientRect().top && box.bottom <= document.getElementById("keys")
  .getBoundingClientRect().top + 1; }"""


@needs_browser
def test_the_field_being_typed_is_in_sight(page_file: Path, phone: Take) -> None:
    own = phone(page_file, REFUSED).confirm()
    jobs = data_of(page_file)["jobs"]
    header = next(i for i, job in enumerate(jobs) if job["kind"] == "header")
    ears = next(i for i, s in enumerate(jobs[0]["steps"]) if s["table"] == "ears")
    for height in (640, 667):
        own.page.set_viewport_size({"width": 360, "height": height})
        for where in ("#/0/0", f"#/0/{ears}", f"#/{header}/1"):
            own.go(where)
            for n in range(own.page.locator(".number").count()):
                own.page.locator(".number").nth(n).dispatch_event("click")
                own.keys("1")
                assert own.page.evaluate(IN_SIGHT), (height, where, n)
    own.go("#/0/0")
    own.count("7")
    own.tap("Undo")
    assert "Undone" in own.page.locator("#said").inner_text()
    own.go("#/0/1")
    assert own.page.locator("#said").inner_text() == ""


@needs_browser
def test_header_stalks_and_butts(page_file: Path, phone: Take) -> None:
    own = phone(page_file).confirm()
    jobs = data_of(page_file)["jobs"]
    header = next(i for i, job in enumerate(jobs) if job["kind"] == "header")
    own.go(f"#/{header}")
    assert own.page.get_by_text("key out and with you").is_visible()
    own.tap("Engine off, key with us: measure")
    own.page.get_by_label("measured by (initials)").fill("KL")
    own.tap("Now")
    own.large()
    lit = own.page.locator(".drawing .lit")
    assert lit.first.get_attribute("data-part") == "gap_front"
    own.keys("1.25")
    own.page.get_by_role("button", name=re.compile("^rear gap")).tap()  # the middle is left out
    assert lit.first.get_attribute("data-part") == "gap_rear"
    own.keys("1")
    own.tap("Fraction of an inch")
    own.keys(["3/8"])  # as on a tape, by one key; the file has it in decimals
    assert own.page.locator('[aria-pressed="true"] .value').inner_text() == "1 3/8"
    own.large()  # on to the next reading
    own.large()  # which is left empty: the row is kept
    assert own.title() == "Header 1: Row 2, Plates"
    for i, job in enumerate(jobs):
        if job["kind"] == "ground":
            own.go(f"#/{i}/0")
            own.page.keyboard.type("0,9")  # a comma is taken too
            own.large()
    rows = own.copy()
    held_to_the_format(rows, [job["name"] for job in jobs if job["kind"] == "strip"])
    head = {key: cell for key, cell in rows[0].items() if cell and key not in FIRST}
    today = datetime.fromisoformat(rows[0]["entered"]).date().isoformat()
    assert head == {"header": "1", "row": "1", "gap_front (in)": "1.25", "gap_rear (in)": "1.375",
                    "measured_by": "KL", "measured_at": today}  # fmt: skip
    ground = [(r["table"], r["field"], r["diameter (in)"]) for r in rows[1:]]
    assert ground == [("stalks", "North", "0.9"), ("ear_butts", "North", "0.9")]
    # The state of the flaps, under the numbers, is come to before the row is kept.
    guides = next(i for i, s in enumerate(jobs[header]["steps"])
                  if "header_check.flaps" in s["fields"])  # fmt: skip
    own.go(f"#/{header}/{guides}")
    for _ in range(own.page.locator(".number").count()):
        own.keys("1")
        own.large(at_once=True)
    assert own.page.evaluate(IN_SIGHT.replace('.number[aria-pressed="true"]', ".choices.here"))
    own.tap("torn")
    own.large()
    assert [r["flaps"] for r in own.copy() if r["flaps"]] == ["torn"]


@needs_browser
def test_two_phones_on_one_trial(page_file: Path, phone: Take) -> None:
    one, two = phone(page_file).confirm(), phone(page_file).confirm()
    for own, value in ((one, "8"), (two, "9")):
        own.go("#/0/0")
        own.count(value)
    (first,), (second,) = one.copy(), two.copy()
    assert first["phone"] != second["phone"] and first["trial"] == second["trial"]
    assert (first["loose_kernels"], second["loose_kernels"]) == ("8", "9")
    # A second window on the same phone: the first stands aside, and nothing is counted twice.
    other = one.context.new_page()
    other.goto(one.url)
    other.wait_for_selector("html[data-ready]")
    assert one.page.get_by_text("open a second time").is_visible()


@needs_browser
def test_where_nothing_is_kept_it_says_so_and_offers_the_copy(page_file: Path, phone: Take) -> None:
    own = phone(page_file, REFUSED + SHARES)
    assert "Nothing is kept on this phone" in own.page.locator("#warning").inner_text()
    own.confirm()
    assert own.page.locator("#warning").is_visible()
    own.go("#/0/0")
    steps = data_of(page_file)["jobs"][0]["steps"]
    for step in [s for s in steps if s["group"] == 0]:
        if step["title"] == "frame":
            own.count("6")
        else:
            own.leave()
    # After the strip the copy comes by itself.
    assert own.title() == "Send or save the copy"
    own.tap("Send the file")
    shared_text = own.page.wait_for_function("() => window.shared").json_value()
    assert [r["loose_kernels"] for r in rows_of(shared_text)] == ["6"] * 6


@needs_browser
def test_a_full_phone_is_told_at_the_key(page_file: Path, phone: Take) -> None:
    own = phone(page_file, FULL).confirm()
    own.go("#/0/0")
    own.count("6")
    assert not own.page.locator("#warning").is_visible()
    own.page.evaluate("window.full = true")
    own.keys("7")
    assert "No longer kept: copy now" in own.page.locator("#warning").inner_text()
    own.large()
    assert [r["loose_kernels"] for r in own.copy()] == ["6", "7"]  # while it is open
    own.page.evaluate("""() => { delete Navigator.prototype.clipboard;
      document.execCommand = () => false; }""")
    own.tap("Copy the text")
    assert "copy it by hand" in own.page.locator("#said").inner_text()
    chosen = own.page.evaluate("""() => { const a = document.querySelector("textarea");
      return a.selectionEnd - a.selectionStart === a.value.length; }""")
    assert chosen


@needs_browser
def test_four_hundred_frames(tmp_path: Path, phone: Take) -> None:
    """The work of a key does not grow with what was counted: no more is written at the 400th."""
    folder = write_trial(tmp_path / "t", Effort(header_frames=100), blocks=2)
    (file,) = count_page(folder)
    count = """window.written = 0; const set = Storage.prototype.setItem;
      Storage.prototype.setItem = function (key, text) { window.written += text.length;
        return set.call(this, key, text); };"""
    own = phone(file, count).confirm()
    frames = [(j, i) for j, job in enumerate(data_of(file)["jobs"]) if job["kind"] == "strip"
              for i, s in enumerate(job["steps"]) if s["table"] == "frames"]  # fmt: skip
    assert len(frames) >= 400
    written = own.page.evaluate(
        """async frames => {
          const next = () => new Promise(done =>
            addEventListener("hashchange", done, {once: true}));
          const out = [];
          document.body.hidden = true;  // nothing of it need be painted
          for (const [job, step] of frames) {
            const there = next();
            const where = `#/${job}/${step}`;
            if (location.hash !== where) { location.hash = where; await there; }
            const before = window.written, moved = next();
            const key = [...document.querySelectorAll(".key")].find(k => k.textContent === "7");
            key.click();
            document.getElementById("large").click();
            if (document.querySelectorAll(".number").length > 1) { // a key in the next field too
              key.click();
              document.getElementById("large").click();
            }
            await moved;
            out.push(window.written - before);
          }
          document.body.hidden = false;
          return out;
        }""",
        frames,
    )
    assert len(own.copy()) == len(frames)
    steady = written[40:]  # the list of what may be undone has its length by then
    assert max(steady) < 1.2 * min(steady)
    own.open("#/0/1")
    own.page.get_by_role("button", name="Delete the last digit").tap()
    own.count("8")
    counts = [row["loose_kernels"] for row in own.copy()]
    assert len(counts) == len(frames) and counts.count("8") == 1


# --- Seen, reached and read out ----------------------------------------------------------------

OUT_OF_SIGHT = """() => [...document.querySelectorAll("body *")].filter(element =>
  element.checkVisibility({visibilityProperty: true}) && !element.closest("svg, .many, textarea")
  && (element.getBoundingClientRect().right > innerWidth + 0.5
    || element.getBoundingClientRect().left < -0.5)).map(e => e.outerHTML.slice(0, 120))"""
SMALL = """() => [...document.querySelectorAll("button, summary, input")].filter(element =>
  element.checkVisibility() && (element.getBoundingClientRect().height < 48
    || element.getBoundingClientRect().width < 44)).map(e => e.outerHTML.slice(0, 120))"""
LETTERS = """() => [...document.querySelectorAll("body *")].filter(element =>
  element.checkVisibility() && !element.closest("svg, textarea")
  && [...element.childNodes].some(node => node.nodeType === 3 && node.textContent.trim())
  && parseFloat(getComputedStyle(element).fontSize) < 18).map(e => e.outerHTML.slice(0, 120))"""


@needs_browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_screen_is_for_thumbs_and_screen_readers(
    page_file: Path, phone: Take, scheme: str
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    own = phone(page_file, color_scheme=scheme)
    jobs = data_of(page_file)["jobs"]
    header = next(i for i, job in enumerate(jobs) if job["kind"] == "header")
    first = {s["title"]: i for i, s in reversed(list(enumerate(jobs[0]["steps"])))}
    screens = ["", "#/", "#/0", *(f"#/0/{i}" for i in first.values()), f"#/{header}",
               f"#/{header}/0", f"#/{header}/1", f"#/{header + 1}/0", "#/copy"]  # fmt: skip
    if scheme == "dark":  # one of each kind: colours alone differ
        screens = ["", "#/", f"#/0/{first['frame']}", f"#/0/{first['who']}", "#/copy"]
    for where in screens:
        if where:
            own.go(where)
        options: dict[str, Any] = {"resultTypes": ["violations"]}
        if scheme == "dark":  # nothing else hangs on the colours
            options["runOnly"] = ["color-contrast"]
        found = Axe().run(own.page, options=options).response["violations"]
        problems = [(v["id"], v["nodes"][0]["html"][:150]) for v in found
                    if v["impact"] in ("serious", "critical")]  # fmt: skip
        assert problems == [], where
        for what in (OUT_OF_SIGHT, SMALL, LETTERS):
            assert own.page.evaluate(what) == [], where
        assert own.page.evaluate("document.body.scrollHeight <= innerHeight"), where
        if not where:
            own.confirm()


@needs_browser
def test_names_are_text_whatever_they_hold(tmp_path: Path, phone: Take) -> None:
    folder = write_trial(tmp_path / "t", FEW)
    table = pd.read_csv(folder / "strips.csv")
    hostile = ["</script><img src=x onerror=document.title='taken'>", 'a"b,c', "$text ${x}",
               "\N{SUBSCRIPT TWO} & &amp; \\u003c"]  # fmt: skip
    names = dict(zip(table["strip"], hostile, strict=True))
    for name in ("strips", "frames", "ears"):
        own = pd.read_csv(folder / f"{name}.csv", dtype=str)
        own["strip"] = own["strip"].map(names)
        own.to_csv(folder / f"{name}.csv", index=False)
    (folder / "plan.json").unlink()
    (file,) = count_page(folder)
    read = strips_of(folder)
    own_phone = phone(file).confirm()
    for n in range(4):
        own_phone.go(f"#/{n}/0")
        own_phone.count("3")
    rows = own_phone.copy()
    assert [row["strip"] for row in rows] == read and read[0] == hostile[0]
    assert own_phone.page.title() != "taken"
