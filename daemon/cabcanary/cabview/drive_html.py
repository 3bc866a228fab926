"""The list of drives and one drive as HTML."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary.cabview import drive_words
from cabcanary.cabview.archive import LONGEST_NOTE
from cabcanary.cabview.html import text
from cabcanary.cabview.quantities import unit_words, words_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary.cabview.archive import Listed, Moment
    from cabcanary.store.manifest import Manifest

#: Channels that are plotted at first, where the drive has none of the cab page's.
_FIRST_CHANNELS = 4


def list_of(drives: Sequence[Listed], number: int, count: int, faults: int, on_a_page: int) -> str:
    """The page `number` of all drives, `count` of them; so many besides cannot be read."""
    said = f"{count} drives are recorded" if count != 1 else "One drive is recorded"
    lost = f" {faults} more cannot be read: cabcanary drives says why." if faults else ""
    rows = "".join(map(_row, drives))
    table = (
        '<div class="wide" tabindex="0" role="region" aria-label="Drives"><table><thead><tr><th scope="col">start (UTC)'
        '</th><th scope="col">length</th><th scope="col">stage</th><th scope="col">alerts</th><th scope="col">not seen'
        f'</th><th scope="col">notes</th></tr></thead><tbody>{rows}</tbody></table></div>'
    )
    listed = table if drives else ""
    doubt = " A ? marks a date by a clock that was not set." if "?</a>" in rows else ""
    return f"<h1>Drives</h1><p>{said}, the newest first.{doubt}{lost}</p>{listed}{_turn(number, on_a_page, count)}"


def _row(listed: Listed) -> str:
    m, blind_s = listed
    doubt = "" if "UTC," not in drive_words.start(m) else "?"
    kept = '<span class="kept">kept</span> ' if m.kept else ""
    blind = drive_words.share(blind_s, m.length_s) if blind_s else "-"
    loud = ' class="raised"' if m.alerts else ""
    return (
        f'<tr><th scope="row"><a href="/drives/{text(m.drive)}">{text(m.start[:16].replace("T", " "))}{doubt}</a></th>'
        f"<td>{drive_words.length(m.length_s)}</td><td>{text(m.stage)}</td>"
        f"<td{loud}>{text(drive_words.alerts(m))}</td><td>{blind}</td><td>{kept}{text('; '.join(m.notes))}</td></tr>"
    )


def _turn(number: int, on_a_page: int, count: int) -> str:
    links = []
    if number > 1:
        links.append(f'<a href="/drives?page={number - 1}">newer</a>')
    if number * on_a_page < count:
        links.append(f'<a href="/drives?page={number + 1}">older</a>')
    return f'<p class="turn">{" ".join(links)}</p>' if links else ""


# --- one drive ----------------------------------------------------------------------------------------------------


def channels_of(names: Sequence[str], units: dict[str, str], shown: Sequence[str]) -> list[tuple[str, str, bool]]:
    """Name, unit, and whether it is plotted at first: those of the cab page, or else the first ones."""
    first = [n for n in shown if n in names] or list(names[:_FIRST_CHANNELS])
    ordered = [*first, *(n for n in names if n not in first)]
    return [(n, unit_words(units.get(n, "")), n in first) for n in ordered]


def one_drive(
    m: Manifest, blind_s: float, moments: Sequence[Moment], channels: Sequence[tuple[str, str, bool]], length_s: float
) -> str:
    """A drive: sentences, what happened, traces, notes, downloads."""
    said = "".join(f"<p>{text(s)}</p>" for s in drive_words.sentences(m, blind_s))
    name = text(m.drive)
    return (
        f'<p class="back"><a href="/drives">All drives</a></p><h1>Drive of {text(m.start[:16].replace("T", " "))}</h1>'
        f'<div class="said">{said}</div>{_moments(moments)}{_plots(name, channels, length_s)}{_notes(m, name)}'
        f'<h2>For other programs</h2><p><a href="/drives/{name}/parquet" download>Parquet</a>, as it is kept; '
        f'<a href="/drives/{name}/csv" download>CSV</a>, which takes a while for a long drive.</p>'
    )


def _moments(moments: Sequence[Moment]) -> str:
    if not moments:
        return ""
    items = "".join(
        f'<li class="{text(m.kind)}"><span class="nth">{n}</span> '
        f'<button type="button" class="go" data-at="{m.at_s}" data-mark="{n}">'
        f"{drive_words.clock(m.at_s)}</button> <strong>{text(m.kind)}</strong> {text(m.words)}</li>"
        for n, m in enumerate(moments, 1)
    )
    return f'<h2>What happened</h2><ol class="moments">{items}</ol>'


def _plots(name: str, channels: Sequence[tuple[str, str, bool]], length_s: float) -> str:
    boxes = "".join(
        f'<label><input type="checkbox" value="{text(n)}" data-unit="{text(unit)}" data-words="{text(words_of(n))}"'
        f"{' checked' if chosen else ''}> {text(words_of(n))}</label>"
        for n, unit, chosen in channels
    )
    keys = "".join(
        f'<button type="button" class="quiet" data-do="{what}">{words}</button>'
        for what, words in (
            ("whole", "Whole drive"), ("in", "Nearer"), ("out", "Farther"), ("back", "Earlier"), ("on", "Later"),
        )
    )  # fmt: skip
    grounds = "".join(
        f'<li><span class="ground {kind}" aria-hidden="true"></span> {words}</li>'
        for kind, words in (
            ("good", "plain: good"), ("within", "dots: within an interval, or beyond the end of its range"),
            ("not-trusted", "hatched: not trusted, no line is drawn"), ("stale", "crossed: stale or absent, not seen"),
        )
    )  # fmt: skip
    return (
        f'<h2>Traces</h2><div id="plots" data-drive="{name}" data-length="{length_s:.6f}">'
        f'<div class="controls" role="group" aria-label="Part of the drive">{keys}</div>'
        '<p id="shown" class="shown"></p><label class="moment">Moment '
        '<input id="moment" type="range" min="0" max="1000" value="0"></label>'
        '<p id="here" class="here"></p><div id="strips"></div>'
        f'<ul class="grounds" aria-label="What the ground of a trace means">{grounds}</ul>'
        "<p>The light band around a trace reaches two standard uncertainties to each side. From far away each point is "
        "drawn from its lowest to its highest value. Drag to look nearer; the wheel, the keys + and -, and the arrows "
        f'do it too.</p><details><summary>Channels</summary><div class="boxes">{boxes}</div></details></div>'
    )


def _note(note: str) -> str:
    """A note; one to a moment leads there, and stands in the traces."""
    mark = drive_words.mark_of(note)
    if mark is None:
        return f"<li>{text(note)}</li>"
    at_s, words = mark
    go = f'<button type="button" class="go" data-at="{at_s:.1f}" data-mark="note">{drive_words.clock(at_s)}</button>'
    return f"<li>{go} {text(words)}</li>"


def _notes(m: Manifest, name: str) -> str:
    notes = "".join(_note(note) for note in m.notes)
    kept = ("no", "Release", "It is kept: it is never removed to make room.") if m.kept else (
        "yes", "Keep", "It may be removed to make room when the card is full.")  # fmt: skip
    return (
        f'<h2>Notes</h2><ul class="notes">{notes}</ul><form method="post" action="/drives/{name}/note" class="note">'
        f'<label for="words">A note to this drive</label><textarea id="words" name="words" rows="2" '
        f'maxlength="{LONGEST_NOTE - 20}" required></textarea><label class="at"><input type="checkbox" id="at" '
        'name="at" value=""> at the moment that is pointed at</label>'
        '<button type="submit" class="do-it">Write it down</button></form>'
        f'<form method="post" action="/drives/{name}/keep" class="keep"><p>{kept[2]}</p>'
        f'<button type="submit" name="kept" value="{kept[0]}" class="quiet">{kept[1]}</button></form>'
    )
