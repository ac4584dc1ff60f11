"""The page that counts are typed into on a phone: every text of it, by the names its script has.

A text in which something is filled in has its name in braces: "{done} of {all}". The script fills
it; what is filled in is a number or a name, never a word. Cautions, rules and how to measure are
those of the paper (`trialkit.words.cautions`, `.safety`, `.crew`, `.cards`).
"""

from __future__ import annotations

from trialkit.words.columns import COLUMNS


def page_title(title: str) -> str:
    return f"Count: {title}"


def neutral_title(season: int, fields: list[str]) -> str:
    """Instead of a title that names a setup, on a page that tells none."""
    return f"Trial {season}: {', '.join(fields)}"


def crew_of(number: int, of: int) -> str:
    """Which crew a page is for, of several."""
    return f"Crew {number} of {of}"


def header_given(crew: int, own: bool) -> str:
    """Which of several crews checks the header; `own` on its own page."""
    return f"The header check is this crew's alone (crew {crew})." if own else (
        f"The header check is on the page of crew {crew}.")  # fmt: skip


def ground_given(field: str, crew: int) -> str:
    """Which of several crews takes stalks and ear butts of a field, on another's page."""
    return f"Stalks and ear butts of field {field} are on the page of crew {crew}."


def decimal_sign() -> str:
    """What stands between whole and part of a number; the page takes point and comma alike."""
    return "."


def template() -> dict[str, str]:
    """Texts of the page, by the names its script has for them."""
    return {**_screens(), **_keys(), **_copy()}


def _screens() -> dict[str, str]:
    """Of the cautions, the list of strips, one strip."""
    return {
        # Everywhere
        "home": "All strips", "back": "Back", "yes": "Yes, keep it",
        "no": "No, change it", "menu": "Overview",
        "phone": "This phone: {phone}", "no_script": "This page needs JavaScript. Allow it for "
        "this page, or count on paper.",
        # Safety
        "safety": "Before anyone goes near the machine",
        "safety_told": "Read it out loud. Everyone who is on the ground today hears it.",
        "unchecked": "",
        "safety_yes": "Everyone was told. We keep to it.", "read_on": "Read on",
        "rules": "How to count so that the counts can be trusted",
        # What is kept
        "kept": "All you type is kept on this phone.",
        "kept_not": "Nothing is kept on this phone: this browser does not let the page keep "
        "anything. Do not close the page. Send or save a copy after every strip.",
        "kept_lost": "This phone has stopped keeping what is typed (storage full or taken away). "
        "Do not close the page. Send or save a copy now and after every strip.",
        "kept_not_short": "Not kept: copy after every strip.",
        "kept_lost_short": "No longer kept: copy now.",
        "kept_private": "Not in a private window: what it keeps is gone when it is closed.",
        "elsewhere": "This page is open a second time on this phone. Go on in one of them only.",
        "go_on_here": "Go on here",
        # The strips in the order of work
        "progress": "Strips done: {done} of {all}",
        "go_on": "Go on: {name}", "all_done": "Everything on this page is done. Send the copy.",
        "strips_done": "All strips are counted or left out. Not typed on this phone:",
        "still_open": "Not typed on this phone: {n}",
        "lack_frames": "frames not counted: {n}", "lack_ears": "ear searches not told: {n}",
        "lack_header_check": "parts of rows not measured: {n}", "lack_stalks": "not measured: {n}",
        "lack_ear_butts": "not measured: {n}",
        "lack_taken": "readings and samples not typed: {n}",
        "done": "done", "begun": "begun: {done} of {all}", "open": "open",
        "left_out": "left out: {status}",
        "header_check": "Header check", "header": "Header {name}", "ground": "Stalks and ear butts",
        "in_field": "{table}, field {field}", "row": "Row {name}", "rows": "Row by row",
        "setup": "Setup", "blind": "Setup: not told here, so that every strip is counted alike.",
        "begins": "begins {time}",
        # A strip
        "count_strip": "Engine off, key with us: count", "measure": "Engine off, key with us: "
        "measure", "take": "Begin", "next_strip": "Next strip",
        "zone": "Zone {number}: {zone}", "zone_of": "Zone {number}, {where}",
        "ears": "Ears on the ground", "readings": "Strip: readings",
        "readings_and_samples": "Readings and samples", "who": "Strip: how it went",
        "width": "Width the residue fell on",
        "side_who": "Who measures, and when", "empty": "empty",
        "copy_now": "Send or save a copy now: nothing is kept "
        "on this phone.",
    }  # fmt: skip


def _keys() -> dict[str, str]:
    """Of a screen to type on, and of what is asked again or refused there."""
    return {
        "frame": "Frame {name}", "sample": "Sample {name}", "number": "Number {n}",
        "area": "area {area}", "along": "{length} along one row",
        "so_far": "Zone {number}: {done} of {all} frames, kernels {sum}",
        "on_cobs": ", on cobs {sum}",
        "strip_so_far": "Strip: {done} of {all}", "taken_so_far": "Taken: {done} of {all}",
        "keep": "Keep", "next": "Next", "leave_empty": "Leave empty", "undo": "Undo the last",
        "undo_key": "Undo",
        "undone": "Undone: {what}", "nothing_to_undo": "Nothing to undo",
        "fraction": "Fraction of an inch", "digits": "Back to the digits",
        "previous": "Previous", "note": "Note", "how": "How it is measured", "now": "Now",
        "delete": "Delete the last digit", "point": "Decimal sign", "typed": "{label}: {value}",
        "nothing_typed": "{label}: empty",
        "sure": "Sure?",
        "far": "{value} in frame {name}, about {usual} in the others of this zone and strip.",
        "zeros": "0 kernels in {n} frames of zone {number}, {zone}.",
        "most_far": "{value}, {label}: the most in this zone on this phone is {most}.",
        "no_ears": "0 ears found, but {value} for one ear.",
        "empty_sure": "{what} is left empty: not counted.", "none_zero": "None there? Type 0.",
        "more_than": "{value} ({label}) is more than {most} ({whole}). Please type the wrong one "
        "again.",
        "was": "before {value}",
        "too_dense": "{label}: at most {most} on this area, more than a whole crop holds. Please "
        "type it again.",
        "far_rule": "A count is asked again when it is more than three times, or less than a "
        "third of, the middle one of the other frames of its zone and strip, and 10 kernels or "
        "more away from it; when it is more than ten times the highest of its zone on this phone; "
        "and 0 in all frames of a zone of three or more. What was counted stands: answer yes.",
        "between": "{label}: from {low} to {high}. Please type it again.",
        "whole": "{label} is a whole number.", "not_a_number": "{label}: {value} is no number.",
        "at_least": "{label}: {low} or more. Please type it again.",
        "needed": "{label} is needed before this can be kept.",
        "reason_needed": "Please write the reason too: the strip is left out and told as left out.",
    }  # fmt: skip


def _copy() -> dict[str, str]:
    """Of the copy that leaves the phone."""
    return {
        "export": "Send or save the copy", "export_about": "One file with all that was counted on "
        "this phone (entries: {n}). A later copy takes the place of an earlier one.",
        "export_when": "Send it each evening.",
        "export_none": "Nothing has been counted on this phone yet.",
        "drafts": "Typed and not kept yet, so not in the copy: {names}",
        "share": "Send the file", "download": "Save the file", "copy": "Copy the text",
        "text": "The copy as text: select all of it and copy it",
        "shared": "Handed over.", "not_shared": "Nothing was sent.",
        "downloaded": "Saved as {file}. Look whether it is there.", "copied": "Copied. Paste it "
        "into a message.",
        "not_copied": "This browser does not copy: select the text below and copy it by hand.",
        "take_in": "At the computer: trialkit add FOLDER FILE",
    }  # fmt: skip


def labels() -> dict[str, str]:
    """What is typed, by the column it goes to; a column that is not here is called by its name."""
    return {
        **COLUMNS, "status": "what became of the strip", "written_by": "typed by (initials)",
    }


def measured_how(text: str) -> str:
    """How something is measured, as the paper has it, for a page without the tables' own names."""
    return text


def levels() -> dict[str, str]:
    """What a choice is called; the file holds the trial's own word whatever the language."""
    return {
        "harvested": "harvested", "not harvested": "not harvested", "damaged": "damaged",
        "spoilt count": "spoilt count", "sound": "sound", "torn": "torn", "missing": "missing",
        "tank": "tank", "behind": "behind the machine",
        "preharvest": "preharvest", "total": "total",
        "stalks": "stalks", "ear_butts": "ear butts",
    }  # fmt: skip


def written(pages: int) -> str:
    """What stands before the name of each file that was written."""
    return "Page for a phone" if pages == 1 else "Page for a crew's phone"


def getting_there() -> str:
    """How the page comes onto a phone; what was tried is said, the rest is not claimed."""
    return (
        "Send the file to the phone (mail, messenger, cable), open it in the phone's browser, not "
        "in the preview of the mail, and look at its first line: it says whether the phone keeps "
        "what is typed."
    )
