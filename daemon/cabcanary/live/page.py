"""A report as a page of sentences, as wide as it may be. A sign says what matters; colour only says it once more."""

from __future__ import annotations

import pwd
import unicodedata
from typing import TYPE_CHECKING, NamedTuple

from cabcanary.display import Display
from cabcanary.live.ask import name_of
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.live.report import Channel, Client, Recorder, Report, Standing

#: Narrower than this no sentence can be read.
NARROWEST = 20
#: The names of channels stand in a column of at most this share of the width.
_NAMES_SHARE = 0.4
#: Not written behind a value: the channel's name says it already.
_SILENT_UNITS = ("lambda", "state", "ratio")
_AT_LEAST = {"saturated high": "at least ", "saturated low": "at most "}
_WITHIN = "within"

BOLD, RED, YELLOW, PLAIN = "\x1b[1m", "\x1b[1;31m", "\x1b[33m", "\x1b[0m"
#: Where the owner has chosen none.
OWN_UNITS = Display()
_COLOURS = {"!": RED, "?": YELLOW, "-": YELLOW, "=": BOLD}


class Sentence(NamedTuple):
    """A line before it is fitted: its sign (! stands, ? cannot be seen, - less well, = a heading), and its words.

    What follows its first line begins at column `indent`; with 0 the sentence has no sign and stands at the edge.
    """

    sign: str
    words: str
    indent: int = 2


def page(report: Report, width: int, *, colour: bool, display: Display = OWN_UNITS) -> list[str]:
    """The lines of a report, none wider than `width` columns (where that is 20 or more), in the owner's units."""
    width = max(width, NARROWEST)
    return [line for sentence in sentences(report, width, display) for line in fitted(sentence, width, colour=colour)]


def sentences(report: Report, width: int, display: Display = OWN_UNITS) -> Iterator[Sentence]:
    """All there is to say, what matters most first."""
    if report.exit_code > 1:
        yield Sentence("!", report.problem)
        return
    since = span(report.watching_for_s or 0.0)
    yield Sentence("=", f"{report.vehicle}, stage: {report.stage}, watched for {since}.", 0)
    yield Sentence("=", _verdict(report), 0)
    yield from _alerts(report.alerts)
    yield from _unseen(report)
    yield from _channels(report.channels, width, display)
    yield from _coverage(report)
    yield from _recording(report.recorder)
    yield from _listeners(report.clients)
    yield Sentence("", "This is a monitor, not protection. Look at it only when parked.", 0)


def _verdict(report: Report) -> str:
    if report.tick_age_s is None:
        return "It has only just started: nothing has been read yet."
    if report.tick_age_s > 1.0:
        return f"ITS WATCH STANDS STILL: the last tick is {span(report.tick_age_s)} old. Start it again."
    counts = [(len(report.alerts), "alert", "stand"), (len(report.cannot_see), "channel", "cannot be seen")]
    parts = []
    for count, noun, verb in counts:
        if count:
            one = count == 1 and verb == "stand"
            parts.append(f"{count} {noun}{'s' if count > 1 else ''} {verb}{'s' if one else ''}")
    return f"{', '.join(parts)}." if parts else "Nothing stands, and everything is seen."


def _alerts(alerts: list[Standing]) -> Iterator[Sentence]:
    for alert in alerts:
        said = ", ".join(words for words in (alert.say.rstrip("."), alert.figures) if words)
        do = f"{alert.do.rstrip('.')}. " if alert.do else ""
        taken = "acknowledged, " if alert.acknowledged else ""
        aside = "put aside, " if alert.shelved else ""
        yield Sentence("!", f"{do}{said} ({alert.priority}, {taken}{aside}for {span(alert.for_s)}).")


def _unseen(report: Report) -> Iterator[Sentence]:
    for lost in report.cannot_see:
        also = f" With it go {', '.join(lost.lost_with_it)}." if lost.lost_with_it else ""
        why = "" if lost.why == lost.quality else f": {lost.why.rstrip('.')}"
        yield Sentence("?", f"Cannot see {lost.channel}, {lost.quality} for {span(lost.for_s)}{why}. {lost.do}.{also}")
    for part in report.parts:
        if part.ok is False:
            yield Sentence("?", f"{part.name}: {part.text.rstrip('.')}.")


def _channels(channels: dict[str, Channel], width: int, display: Display) -> Iterator[Sentence]:
    if not channels:
        return
    yield Sentence("=", "It sees", 0)
    names = max(columns(clean(name)) for name in channels)
    names = names if names <= width * _NAMES_SHARE else 0
    told = [
        Sentence("" if c.usable else "?", _channel(padded(clean(n), names), c, display), 4) for n, c in channels.items()
    ]
    cell = max(columns(s.words) for s in told) + 2
    beside = (width + 2) // (cell + 4)
    if beside < 2 or any(s.sign for s in told):
        yield from told
        return
    # A wide terminal holds several columns, so that one screen holds all. A sign has its line to itself.
    rows = -(-len(told) // beside)
    for row in range(rows):
        yield Sentence("", "  ".join(padded(s.words, cell) for s in told[row::rows]).rstrip(), 4)


def _channel(name: str, channel: Channel, display: Display) -> str:
    how = channel.quality if channel.usable else channel.quality.upper()
    return f"{name} {_value(channel, display)}{how} for {span(channel.for_s)}"


def _value(channel: Channel, display: Display) -> str:
    if channel.value is None:
        return ""
    own = channel.unit
    unit = display.unit_for(own)
    behind = "" if unit in _SILENT_UNITS else f" {unit}"
    if channel.quality == _WITHIN and channel.low is not None and channel.high is not None:
        low, high = display.number(channel.low, own), display.number(channel.high, own)
        return f"{spelt(low, 4)} to {spelt(high, 4)}{behind}".rstrip() + ", "
    band = f" ± {spelt(display.size(channel.uncertainty, own), 2)}" if channel.uncertainty else ""
    value = spelt(display.number(channel.value, own), 4)
    return f"{_AT_LEAST.get(channel.quality, '')}{value}{band}{behind}".rstrip() + ", "


def _coverage(report: Report) -> Iterator[Sentence]:
    yield Sentence("=", "It watches for", 0)
    well = [c.watched_for for c in report.coverage if c.watched == "yes"]
    if well:
        yield Sentence("", f"yes: {', '.join(well)}.")
    for covered in report.coverage:
        if covered.watched != "yes":
            reason = {"less well": ", because ", "no": ", "}.get(covered.watched, "; ")
            why = reason + "; ".join(covered.why) if covered.why else ""
            sign = "" if covered.watched == "not needed yet" else "-"
            yield Sentence(sign, f"{covered.watched}: {covered.watched_for}{why}.")


def _recording(recorder: Recorder | None) -> Iterator[Sentence]:
    if recorder is None:
        return
    yield Sentence("=", "It records", 0)
    if not recorder.ok:
        yield Sentence("!", f"{recorder.text.rstrip('.')}.")
    drive, last = recorder.drive, recorder.last_drive
    now = f"drive {drive.drive}, under way for {span(drive.for_s)}" if drive is not None else "no drive is under way"
    yield Sentence("", f"{now}.")
    if last is not None:
        yield Sentence("", f"last drive: {last.text.removeprefix('last drive: ').rstrip('.')}.")
    if recorder.free_bytes is None or not recorder.size_bytes:
        yield Sentence("?", f"free space cannot be seen: {recorder.disk_problem}.")
    else:
        share = 100 * recorder.free_bytes / recorder.size_bytes
        yield Sentence("", f"{spelt(recorder.free_bytes / 1e9, 3)} GB are free ({share:.0f} %).")


def _listeners(clients: list[Client]) -> Iterator[Sentence]:
    yield Sentence("=", f"It is read by {len(clients)}, this one included" if clients else "Nobody reads it", 0)
    for client in clients:
        frames = f", {spelt(client.frames_hz, 3)} frames a second" if client.frames_hz else ""
        missed = f", and has missed {client.skipped} lines: it does not read" if client.skipped else ""
        name = name_of(client.pid) or "a program"
        who = f"{name} ({_user(client.user)}, process {client.pid})"
        yield Sentence("-" if client.skipped else "", f"{who}{frames}{missed}.")


def _user(number: int) -> str:
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return f"user {number}"


def short(report: Report) -> str:
    """A report in one line, for a log."""
    if report.exit_code > 1:
        return clean(f"! {report.problem}")
    stands = [f"! {a.say}" for a in report.alerts] + [f"? {u.channel} {u.quality}" for u in report.cannot_see]
    drive = "in a drive" if report.recorder is not None and report.recorder.drive is not None else "no drive"
    return clean("; ".join([_verdict(report).rstrip("."), *stands, drive]))


# --- fitting ----------------------------------------------------------------------------------------------------


def span(seconds: float) -> str:
    """A length of time in two units at most: 3.2 s, 12 s, 4 min 10 s, 2 h 5 min, 3 d 2 h."""
    whole = int(seconds)
    if whole < 60:
        return f"{seconds:.1f} s" if seconds < 9.95 else f"{whole} s"
    for large, small, size, per in (("min", "s", 60, 60), ("h", "min", 3600, 60), ("d", "h", 86400, 24)):
        if whole < size * per or large == "d":
            rest = whole % size // (size // per)
            return f"{whole // size} {large}" + (f" {rest} {small}" if rest else "")
    raise AssertionError(seconds)


def clean(text: str) -> str:
    """Text from wires and settings, with nothing in it that a terminal would obey."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def columns(text: str) -> int:
    """How many columns of a terminal this takes."""
    wide = sum(unicodedata.east_asian_width(c) in "WF" for c in text)
    return len(text) + wide - sum(unicodedata.combining(c) > 0 for c in text)


def padded(text: str, width: int) -> str:
    """Filled up with spaces."""
    return text + " " * (width - columns(text))


def fitted(sentence: Sentence, width: int, *, colour: bool) -> Iterator[str]:
    """A sentence in lines no wider than this; words that are longer than a line are cut."""
    first = padded(sentence.sign, 2) if sentence.indent else ""
    hue = _COLOURS.get(sentence.sign, "") if colour else ""
    for line in _wrapped(first, clean(sentence.words), width, sentence.indent):
        yield f"{hue}{line}{PLAIN}" if hue else line


def _wrapped(first: str, text: str, width: int, indent: int) -> Iterator[str]:
    line, begun = first, False
    for word in _words(text, width - max(indent, columns(first))):
        if begun and columns(line) + columns(word) > width:
            yield line.rstrip()
            line = " " * indent + word.lstrip()
        else:
            line += word
        begun = True
    yield line.rstrip()


def _words(text: str, longest: int) -> Iterator[str]:
    """The words, each with the spaces before it, in pieces that fit."""
    spaces, word = "", ""
    for c in text + " ":
        if c != " ":
            if word and columns(word + c) > longest:
                yield spaces + word
                spaces, word = "", ""
            word += c
            continue
        if word:
            yield spaces + word
            spaces, word = "", ""
        spaces += c
