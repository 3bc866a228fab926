"""The page: what stands at its top and bottom, and how it looks on a screen, in the dark and on paper."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary import __version__
from cabcanary.review.report.looked import Looked, Section, clock
from cabcanary.review.report.markup import Markup, el, sideways

if TYPE_CHECKING:
    from collections.abc import Sequence

#: At the top of every report.
SAFETY = (
    "This is a monitor, not protection: it warns, and it cannot stop an engine from being damaged.",
    "Limits come from a qualified tuner for this engine and fuel; those that come with the program are examples.",
    "This page says what was seen in one drive, and what was not. What was not seen is not known.",
    "It does not say that the engine or the tune is fit for anything: that is for the tuner to decide.",
)

#: How it looks: `page.css` says why.
_STYLE = Path(__file__).with_name("page.css")
#: Drawn once; every plot of the page may fill a stretch with it.
_HATCH = Markup(
    '<svg width="0" height="0" style="position:absolute" aria-hidden="true"><defs><pattern id="hatch" width="5" '
    'height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<line class="hatch" x1="0" y1="0" x2="0" y2="5"/>'
    "</pattern></defs></svg>"
)


def page(looked: Looked, sections: Sequence[tuple[str, Section]], marks: list[dict[str, Any]]) -> str:
    """The whole document; it asks nothing of anybody and runs nothing."""
    vehicle = looked.drive.plan.settings.vehicle
    title = f"Drive report: {vehicle.name}, {looked.figures.start[:10] or looked.name}"
    return document(
        title, *_top(looked), *(_section(key, s) for key, s in sections), *_notes(looked, marks), *_end(looked)
    )


def document(title: str, *parts: Markup) -> str:
    """One page of these parts, whole and alone."""
    head = el(
        "head",
        el("meta", charset="utf-8"),
        el("meta", name="viewport", content="width=device-width, initial-scale=1"),
        el("title", title),
        Markup(f"<style>{_STYLE.read_text(encoding='utf-8')}</style>"),
    )
    body = el("body", _HATCH, el("main", *parts))
    return f"<!DOCTYPE html>\n{el('html', head, body, lang='en', xmlns='http://www.w3.org/1999/xhtml')}\n"


def _top(looked: Looked) -> list[Markup]:
    settings = looked.drive.plan.settings
    confirmed = settings.limits.confirmed_by
    limits = (
        f"The limits of this drive were confirmed by {confirmed}, as the settings say."
        if confirmed
        else "Nobody has confirmed the limits of this drive: they are examples."
    )
    units = looked.display.words
    return [
        el("h1", f"{settings.vehicle.name}: one drive"),
        el("p", f"Stage “{settings.vehicle.stage}”, drive {looked.name}", class_="under"),
        el("div", *(el("p", words) for words in (*SAFETY, limits)), class_="safety"),
        *([el("p", units)] if units else []),
    ]


def _section(key: str, section: Section) -> Markup:
    parts = [sideways(p, section.title) if p.startswith("<table") else p for p in section.parts]
    return el(
        "section",
        el("h2", section.title, id=key),
        *(el("p", s) for s in section.sentences),
        *parts,
        aria_labelledby=key,
    )


def _notes(looked: Looked, marks: list[dict[str, Any]]) -> list[Markup]:
    notes = looked.manifest.notes if looked.manifest else []
    kept = looked.manifest is not None and looked.manifest.kept
    if not (notes or marks or kept):
        return []
    items = [*(el("li", note) for note in notes), *(el("li", f"at {clock(m['at_s'])}: {m['text']}") for m in marks)]
    said = [el("p", "This drive is marked as kept.")] if kept else []
    listed = [el("ul", *items)] if items else []
    return [el("section", el("h2", "Notes and marks", id="notes"), *said, *listed, aria_labelledby="notes")]


def _end(looked: Looked) -> list[Markup]:
    recorded = looked.manifest.software if looked.manifest else ""

    words = f"Made by cabcanary {__version__}" + (f", recorded by {recorded}" if recorded else "")
    masks = (
        "Judged and masked are as the drive's own rules have it; boost “as burnt” is the boost when the gas "
        "was burnt that "
        "the wideband showed. ± is two standard uncertainties, or 95 %, of what has been stated in the settings."
    )
    return [
        el("section", el("h2", "How to read it", id="how"), el("p", masks), el("p", f"{words}."), aria_labelledby="how")
    ]
