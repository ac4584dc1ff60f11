"""The page that counts are typed into on a phone, instead of on paper.

One HTML file with all it needs in it: it asks for nothing over a network and is forbidden to (a
content security policy). What is typed is kept on the phone at every key, in the browser's local
storage and, at every entry, in its database; where neither is to be had the page says so and offers
the copy after every strip. The columns asked for are those of the count cards (`boxes`), and so is
what a blind page leaves out. What leaves the phone is one CSV file, see `content.FIRST`.

Opened from a file in Chromium (156, on Linux, at the size of a phone), a count and typed digits
were there again after the page was reloaded, closed and opened, after the browser was killed within
a second of the key, and for a copy of the file under another name; a second private window knew
nothing of the first. Served by ``python -m http.server`` they were there again too. Other browsers,
and a browser on a telephone itself, were not tried: the page tries its storage when it opens and
says what it found in its first line.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Callable
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING, Any

from trialkit.display import UNSEEN, escape
from trialkit.intake.files import write_numbered
from trialkit.pages.field_paper.source import field_trial, folder_for
from trialkit.pages.resources import template_dir
from trialkit.pages.screen.content import content
from trialkit.pages.screen.crews import shared
from trialkit.pages.screen.pictures import pictures
from trialkit.words import ENGLISH

if TYPE_CHECKING:
    from trialkit.simulate import Effort
    from trialkit.trial import Trial

__all__ = ["count_page"]

NAME = "count_page"
SCRIPTS = ("numbers.js", "keep.js", "entries.js", "build.js", "screens.js", "typing.js", "start.js")


def count_page(
    trial: Trial | str | Path,
    out: str | Path | None = None,
    *,
    crew: int | None = None,
    blind: bool = True,
    language: str = ENGLISH,
    effort: Effort | None = None,
    progress: Callable[[str], None] | None = None,
) -> tuple[Path, ...]:
    """Write the page that counts are typed into on a phone, one file or one for each crew.

    Parameters
    ----------
    trial : Trial or path
        A folder needs no counts yet. With a ``plan.json`` the page follows its order of work.
    out : path, optional
        Folder to write to; by default the trial's own. An existing file is never overwritten: the
        name gets a number.
    crew : int, optional
        How many crews share the strips; each gets a page of its own, with whole blocks. The first
        crew's has the check of the header; a field's stalks and ear butts stand on the page of the
        first crew with a strip in it, and the other pages say so.
    blind : bool
        Whether the page, its source included, leaves out which setup a strip has. Names of strips
        and of headers are in it as they are.
    language : str
        As far as `trialkit.words` has it.
    effort : Effort, optional
        What is to be counted on each strip; by default what the plan says, else what the trial's
        tables hold, else the usual.
    progress : callable, optional
        Called with a few words before each step.

    Returns
    -------
    tuple of Path
        The files written, in the order of the crews.

    Raises
    ------
    TrialError
        When the trial or its plan cannot be read.
    ReportError
        For a language there is none of, a trial without strips, or more crews than blocks.
    """
    say = progress or (lambda step: None)
    say("reading the trial")
    found = field_trial(trial, effort, language)
    strips = list(map(str, found.strips["strip"]))
    parts = [strips] if crew is None else shared(found, crew)
    say("writing the page")
    made, drawn = {}, pictures(found)
    for n, own in enumerate(parts, start=1):
        data = content(found, own, None if crew is None else (n, len(parts)), blind)
        end = ".html" if crew is None else f"_crew-{n}.html"
        made[end] = page(data, drawn).encode("utf-8")
    return tuple(write_numbered(folder_for(found, out) / f"{NAME}.html", made))


def page(data: dict[str, Any], drawn: dict[str, str]) -> str:
    """The page as text; whatever comes from a user is data in it, never markup."""
    folder = template_dir() / "screen"
    script = "\n".join((folder / name).read_text(encoding="utf-8") for name in SCRIPTS)
    script = f'"use strict";\n(() => {{\n{script}}})();'
    style = (folder / "screen.css").read_text(encoding="utf-8")
    held = [f'<template id="picture-{name}">{svg}</template>' for name, svg in drawn.items()]
    return Template((folder / "screen.html").read_text(encoding="utf-8")).substitute(
        language=escape(data["language"]), title=escape(data["page_title"]),
        no_script=escape(data["words"]["no_script"]), text=_json(data), script=script, style=style,
        script_hash=_hash(script), style_hash=_hash(style), pictures="\n".join(held),
    )  # fmt: skip


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode()


def _json(data: Any) -> str:
    """JSON to stand in a page: no tag in it, and what is not seen by its number."""
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")
    return UNSEEN.sub(_by_number, text)


def _by_number(match: re.Match[str]) -> str:
    return "".join(f"\\u{n:04x}" for n in _units(match[0]))


def _units(text: str) -> list[int]:
    """Code units of UTF-16."""
    raw = text.encode("utf-16-be", "surrogatepass")
    return [int.from_bytes(raw[i : i + 2], "big") for i in range(0, len(raw), 2)]
