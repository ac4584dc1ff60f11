"""How it was measured, the cautions, the thanks, and what is kept for the record."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from trialkit.pages import advice
from trialkit.pages.context import Context
from trialkit.pages.elements import (
    Element,
    Group,
    Heading,
    Sentence,
    bullets,
    folded,
)
from trialkit.pages.quality import refused_cells
from trialkit.pages.registry import part
from trialkit.responses import ZONES
from trialkit.version import __version__
from trialkit.words import cautions as cautioned
from trialkit.words import field_day as words


@part("measured", words.measured_title())
def measured(page: Context) -> Iterable[Element]:
    """How it was measured, in few words."""
    trial, strips = page.used, page.used.strips
    pairs = len(strips[["field", "pair"]].drop_duplicates())
    items = [words.laid_out(len(strips), pairs, page.block, strips["field"].nunique())]
    if len(trial.frames):
        there = set(trial.frames["zone"])
        zones = [zone.ground().where for name, zone in ZONES.items() if name in there]
        items.append(words.frames(len(trial.frames), zones))
    if len(trial.grain):
        items.append(words.grain_samples(len(trial.grain)))
    moisture = page.reading("moisture")
    if moisture is not None:
        items.append(words.moisture(advice.between(moisture, 0)))
    return (bullets(items),)


@part("cautions", cautioned.before_walking())
def cautions(page: Context) -> Iterable[Element]:
    """The cautions for anyone who counts behind a combine or touches a header."""
    return (bullets(cautioned.counting()), Sentence(cautioned.defer(), "defer"))


@part()
def thanks(page: Context) -> Iterable[Element]:
    """Thanks to those who gave ground and time, by name if they agreed."""
    known = page.trial.fields.get("grower")
    names = [] if known is None else list(dict.fromkeys(known.dropna().astype(str)))
    told = Sentence(words.thanks(names, page.letters.agreed))
    return (Group("thanks", (told,), "section"),)


@part("records", "For the record")
def record(page: Context) -> Iterable[Element]:
    """Data quality, conversions and the models in the statistician's words."""
    trial, config = page.used, page.config
    items = [words.loss_is()] if "header_loss" in page.responses else []
    if len(trial.ears):
        items.append(words.ears_searched(len(trial.ears)))
    items.append(
        words.kernels_reckoned(
            config.thousand_kernel_mass, config.kernel_mass_stated, config.base_moisture
        )
    )
    models: list[Element] = [Heading("Models", 3)]
    for name, result in page.responses.items():
        told = [f"{result.title}: {result.model.rstrip('.')}.", result.why, *result.sentences]
        told += [f"{f.sentence} {f.weaker}" for f in page.every_finding(name) if f.weaker]
        models.append(Sentence(page.letters.text(" ".join(told)), "record"))
    quality = refused_cells(trial, page.letters)
    return (folded(words.record_title(), bullets(items), *quality, *models),)


@part()
def colophon(page: Context) -> Iterable[Element]:
    """Version, data hash and date, so that the page can be made again."""
    return (made_with(page, words.names_shown(page.letters.agreed)),)


def made_with(page: Context, names: str) -> Group:
    """From what the page was made, and what became of names."""
    fingerprint = page.trial.data_hash()[:16]
    told = words.made_with(__version__, date.today().isoformat(), fingerprint, names)
    simulated = (Sentence(words.simulated()),) if page.simulated else ()
    return Group("colophon", (*simulated, Sentence(told)), "footer")
