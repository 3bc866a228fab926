"""What the cab page shows: the alert that has the cab, some values, what cannot be seen; and whether anybody watches.

Fed with the lines of the daemon's feed; reads no clock: times are passed in, seconds of any one monotonic clock.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.alerts.why import why
from cabcanary.alerts.words import MONITOR_STOPPED
from cabcanary.cabview import quantities
from cabcanary.cabview.trust import Trust, trust_of
from cabcanary.display import Display
from cabcanary.model import Priority, Quality

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

#: A daemon that has told no frame for so long does not watch, s: ten are due in a second. With the way to the page it
#: stays below the two seconds that are promised.
SILENT_S = 1.0
_RANKS = {p.word: int(p) for p in Priority}
_AT_THE_END = {Quality.SATURATED_HIGH.words: "at least", Quality.SATURATED_LOW.words: "at most"}
_NO_MONITOR = "NO MONITOR RUNS: nobody watches this vehicle"
_HANGS = "THE MONITOR DOES NOT ANSWER: nobody may be watching this vehicle"
_START = "Start it, or look for the reason with: cabcanary status"

Told = dict[str, Any]


class Board:
    """The state of one daemon as the cab needs it. `shown` names the channels that are shown, in their order; `display`
    the owner's units; `above_air` channels that count from the air's pressure."""

    def __init__(self, shown: Sequence[str], display: Display | None = None, above_air: Collection[str] = ()) -> None:
        self._shown, self._display, self._above_air = tuple(shown), display or Display(), frozenset(above_air)
        self._hello: Told = {}
        self._alerts: dict[str, Told] = {}
        self._values: dict[str, list[Any]] = {}
        self._status: Told = {}
        self._frame_s: float | None = None
        self._why_gone = "the pages have just started"
        self._was_there = False

    # --- what the feed tells -------------------------------------------------------------------------------

    def hello(self, told: Told, now_s: float) -> None:
        """A daemon answers: nothing of an earlier one holds."""
        self._hello, self._alerts, self._values, self._status = told, {}, {}, {}
        self._frame_s, self._was_there, self._why_gone = now_s, True, ""

    def gone(self, why: str) -> None:
        """There is no daemon at the feed."""
        self._hello, self._why_gone = {}, why

    def event(self, told: Told) -> None:
        """An event; only alerts matter here."""
        if told.get("kind") != "alert":
            return
        # A notice has no state of its own: it stands as long as the monitor runs.
        if "state" not in told or told["active"] or not told["acknowledged"]:
            self._alerts[told["what"]] = told
        else:
            self._alerts.pop(told["what"], None)

    def frame(self, told: Told, now_s: float) -> None:
        """The newest values."""
        self._values, self._frame_s = told["values"], now_s

    def status(self, told: Told) -> None:
        """The daemon's whole answer: it puts right what a slow reader may have missed."""
        self._status = told
        self._alerts = {str(alert["what"]): alert for alert in told["alerts"]}

    # --- what the page is told ------------------------------------------------------------------------------

    def watch(self, now_s: float) -> tuple[str, str, str]:
        """How the daemon is (`watching`, `silent`, `gone`), and what to say of it: a headline, and the rest."""
        if not self._hello:
            first, _, rest = (MONITOR_STOPPED if self._was_there else _NO_MONITOR).partition(": ")
            return "gone", first, f"{rest}. {self._why_gone.rstrip('.').capitalize()}. {_START}."
        if self._frame_s is None or now_s - self._frame_s > SILENT_S:
            silent_s = int(now_s - (self._frame_s or now_s))
            first, _, rest = _HANGS.partition(": ")
            return "silent", first, f"{rest}. It has said nothing for {silent_s} s. {_START}."
        return "watching", "", ""

    def page(self, now_s: float) -> Told:
        """All that the page shows. Where nobody watches there are no values: what is old must not look alive."""
        state, headline, words = self.watch(now_s)
        if state != "watching":
            return {"state": state, "headline": headline, "words": words[:1].upper() + words[1:]}
        # A notice has sounded once, and asks for nothing.
        asking = [a for a in self._alerts.values() if a.get("raised") and "state" in a]
        cab = max(asking, key=_rank, default=None)
        return {
            "state": state,
            "vehicle": f"{self._hello['vehicle']}, stage: {self._hello['stage']}",
            "cab": None if cab is None else self._cab(cab, len(asking) - 1),
            "also": [_also(a) for a in sorted(self._alerts.values(), key=_rank, reverse=True) if a is not cab],
            "values": [self._value(name) for name in self._shown],
            "lines": [*self._unseen(), *self._coverage(), self._drive()],
        }

    def _cab(self, alert: Told, others: int) -> Told:
        blind = bool(alert.get("blind"))
        return {
            "alert": alert["what"],
            # Blindness has its own look, as it has its own sound.
            "look": "blind" if blind and alert.get("priority") == Priority.WARNING.word else alert.get("priority", ""),
            "kind": "cannot see" if blind else alert.get("priority", "notice"),
            "do": str(alert.get("do") or alert.get("text", "")).rstrip("."),
            "say": str(alert.get("say", "")).rstrip(".") if alert.get("do") else "",
            "figures": why(alert, self._display, self._above_air, quantities.words_of),
            "others": others,
        }

    def _value(self, name: str) -> Told:
        told = self._values.get(name)
        if told is None:
            return _cell(name, Trust.STALE, "", "not told")
        value, words, _, uncertainty = _whole(told)
        trust = trust_of(words)
        if value is None or trust > Trust.WITHIN:
            return _cell(name, max(trust, Trust.NOT_TRUSTED), "", words)
        own = str(self._hello.get("units", {}).get(name, ""))
        shown = self._display.quantity(value, own, uncertainty or 0.0, above_air=name in self._above_air)
        value, uncertainty, unit = shown.number, shown.uncertainty, shown.unit
        if shown.vacuum:
            words_at_end = {Quality.SATURATED_HIGH.words: "at most", Quality.SATURATED_LOW.words: "at least"}
            unit = f"{unit} vacuum"
        else:
            words_at_end = _AT_THE_END
        if words == Quality.WITHIN.words:
            return _cell(name, trust, quantities.between(value, uncertainty, unit), "within", unit)
        text, band = quantities.number(value, unit), quantities.band(uncertainty)
        return _cell(name, trust, text, words_at_end.get(words, words), unit, band)

    def _unseen(self) -> list[Told]:
        """What cannot be seen, of all channels; those that are shown say so themselves as well."""
        lost = [n for n, told in self._values.items() if trust_of(told[1]) > Trust.WITHIN]
        made_of = {n: c["made_of"] for n, c in self._status.get("channels", {}).items()}
        roots = [n for n in lost if not set(made_of.get(n, ())) & set(lost)]
        found = []
        for name in roots:
            _, words, reason, _ = _whole(self._values[name])
            why = f", {reason}" if reason and reason != words else ""
            found.append(_line("unseen", f"Cannot see {quantities.words_of(name)}: {words}{why}."))
        return found

    def _coverage(self) -> list[Told]:
        """Whether it is watched for everything; if not, for what it is not, and why."""
        parts = self._hello.get("coverage", [])
        well = [p["watched_for"] for p in parts if p["watched"] == "yes"]
        found = [_line("covered", f"Watched for {', '.join(well)}.")] if well else []
        for part in parts:
            if part["watched"] in ("no", "less well"):
                how = "Not watched" if part["watched"] == "no" else "Watched less well"
                why = f": {part['why'][0]}" if part["why"] else ""
                found.append(_line("gap", f"{how} for {part['watched_for']}{why}."))
        return found

    def _drive(self) -> Told:
        if not self._status:
            return _line("drive", "")
        recorder = self._status["recorder"]
        if not recorder["ok"]:
            return _line("unseen", f"Not recording: {recorder['text'].rstrip('.')}.")
        return _line("drive", "Recording this drive." if self._status["drive"] else "No drive is under way.")


def _whole(told: list[Any]) -> list[Any]:
    """Value, quality, reason, uncertainty: a daemon of an older version leaves out what is empty."""
    return [*told, *("", 0.0)[len(told) - 2 :]]


def _rank(alert: Told) -> tuple[int, int, str]:
    """As the annunciator chooses: the highest priority, then the most recent."""
    return _RANKS.get(alert.get("priority", ""), 0), int(alert["t"]), str(alert["what"])


def _also(alert: Told) -> str:
    said = str(alert.get("say") or alert.get("text", "")).rstrip(".")
    taken = ", acknowledged" if alert.get("acknowledged") else ""
    aside = ", put aside" if alert.get("shelved") else ""
    return f"{said} ({alert.get('priority', 'notice')}{taken}{aside})."


def _cell(name: str, trust: Trust, text: str, word: str, unit: str = "", band: str = "") -> Told:
    return {
        "channel": name,
        "trust": trust.word,
        "text": text,
        "unit": quantities.unit_words(unit),
        "band": band,
        "word": word,
    }


def _line(kind: str, words: str) -> Told:
    return {"kind": kind, "words": words}
