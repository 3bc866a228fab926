"""A drive in sentences: what it was, what was seen and what was not."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from cabcanary.alerts.words import mixture_under_boost
from cabcanary.cabview.quantities import quantity, words_of
from cabcanary.recorder.dating import UNKNOWN
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.store.manifest import Manifest


def clock(seconds: float) -> str:
    """Minutes and seconds from a drive's start: 2:49.4; with hours from one hour on."""
    tenths = round(seconds * 10)
    whole, tenth = divmod(tenths, 10)
    minutes, rest = divmod(whole, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}.{tenth}" if hours else f"{minutes}:{rest:02d}.{tenth}"


_MARK = re.compile(r"at (?:(\d{1,3}):)?(\d{1,4}):(\d{2}\.\d): (.+)", re.DOTALL)


def marked(at_s: float, words: str) -> str:
    """A note to a moment of the drive, as it is written down."""
    return f"at {clock(at_s)}: {words}"


def mark_of(note: str) -> tuple[float, str] | None:
    """The moment that a note is written to, in seconds from the drive's start, and its words; None for any other."""
    found = _MARK.fullmatch(note)
    if found is None:
        return None
    hours, minutes, seconds, words = found.groups()
    return 3600 * int(hours or 0) + 60 * int(minutes) + float(seconds), words


def length(seconds: float) -> str:
    """How long, for a person."""
    if seconds < 60:
        return f"{spelt(seconds, 2)} s"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min"


def start(manifest: Manifest) -> str:
    """When it began (UTC); a date that nobody vouches for is marked as such."""
    doubt = ", by a clock that was not set" if manifest.clock == UNKNOWN else ""
    return f"{manifest.start[:16].replace('T', ' ')} UTC{doubt}"


def share(part_s: float, whole_s: float) -> str:
    """A share of a drive in per cent."""
    return f"{spelt(100 * part_s / whole_s, 2)} %" if whole_s else "0 %"


def alerts(manifest: Manifest) -> str:
    """Its alerts in one line."""
    if not manifest.judged:
        return "not judged"
    counted = [words_of(a.alert) + (f" ×{a.count}" if a.count > 1 else "") for a in manifest.alerts]
    return ", ".join(counted) or "none"


def sentences(manifest: Manifest, blind_s: float) -> Iterator[str]:
    """All there is to say of it before one looks at a line."""
    yield f"{manifest.vehicle}, stage: {manifest.stage}."
    yield f"It took {length(manifest.length_s)} and began {start(manifest)}."
    if not manifest.judged:
        yield "No rules have watched it, so that it has no alert says nothing."
    elif not manifest.alerts:
        yield "Nothing was raised."
    else:
        yield f"Raised: {alerts(manifest)}."
    if manifest.peak_boost is not None:
        mixture = mixture_under_boost(manifest.model_dump())
        seen = f"leanest under boost: {mixture}" if mixture else "no mixture was seen under boost"
        yield f"Peak boost {quantity(manifest.peak_boost, manifest.boost_unit or '')}; {seen}."
    if blind_s:
        part = share(blind_s, manifest.length_s)
        yield f"For {length(blind_s)} of it ({part}) something could not be seen: what went wrong then nobody knows."
    if manifest.recovered:
        yield "It was cut off and put together from what had reached the card."
    if manifest.lost_blocks or manifest.lost_ticks:
        yield f"Not recorded: {manifest.lost_ticks} ticks and {manifest.lost_blocks} blocks did not reach the card."
    if manifest.made_from:
        yield f"It was made from {manifest.made_from}."
    if manifest.note:
        yield f"{manifest.note.rstrip('.')}."
