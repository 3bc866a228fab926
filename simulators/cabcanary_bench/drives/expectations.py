"""A scenario file's expectations and their verdicts, judged by the alerts raised, the sounds and the recordings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

from cabcanary.spelling import spelt
from cabcanary_bench.drives.verdict import LEAN_BY, OVER_BOOST_PSI, PITCH, Verdict, ceiling

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from cabcanary_bench.drives.expected import Expectation, Kept, Shown
    from cabcanary_bench.drives.scenario import Scenario
    from cabcanary_bench.drives.verdict import PinSound

#: Boost that counts, psi: from here on the bench van's rules speak of it.
_BOOSTED_PSI = 2.0
#: The pin is set within the tick that decides; its record and the event's have clocks that differ by less than this, s.
_SAME_S = 0.05
#: The alert of every start, which nothing in the van causes.
_AT_EVERY_START = "limits_not_confirmed"


class Raised(NamedTuple):
    """An alert that asked for attention, at seconds of the drive, and the sound it has."""

    time_s: float
    alert: str
    sound: str


@dataclass(frozen=True, slots=True)
class Heard:
    """The outcome of a drive. `told` are the monitor's other events as "kind what"; `cab` says which alert had the cab
    from when on, and `pins` what the buzzer did: both None where there was none. `shows(what, from, to)` is when the
    sensors first showed a thing, s."""

    raised: Sequence[Raised]
    told: Sequence[tuple[float, str]]
    shows: Callable[[Shown, float, float], float | None]
    cab: Sequence[tuple[float, str]] | None = None
    pins: Sequence[PinSound] | None = None


def is_shown(what: Shown, boost_psi: float | None, lambda_shown: float | None) -> bool:
    """Whether the sensors show this at a moment."""
    if boost_psi is None or boost_psi <= _BOOSTED_PSI:
        return False
    if what == "over_boost":
        return boost_psi > OVER_BOOST_PSI
    return what == "boost" or (lambda_shown is not None and lambda_shown >= ceiling(boost_psi) + LEAN_BY)


def judge(scenario: Scenario, heard: Heard) -> list[Verdict]:
    """A verdict for every expectation, and one for all that nobody expected."""
    by_what = {"sounds": _sounds, "silent": _silent, "tells": _tells}
    verdicts = [by_what[e.what](e, heard) for e in scenario.expectations]
    return [*verdicts, _all_the_rest(scenario, heard)]


def judge_kept(kept: Kept, drives: Sequence[dict[str, Any]], cut_ns: Iterable[int]) -> Verdict:
    """Whether the recorder kept what it must; `cut_ns` are the times at which the monitor was killed."""
    recovered = [d for d in drives if d["recovered"]]
    lost_s = sum(_lost_s(d, list(cut_ns)) for d in drives)
    text = f"{len(drives)} recorded"
    text += f", {len(recovered)} of them recovered" if recovered else ""
    text += f", {lost_s:.2f} s lost" if lost_s else ", nothing lost"
    good = (len(drives), len(recovered)) == (kept.drives, kept.recovered) and lost_s <= kept.lost_s
    return Verdict("recording", "recorded", good, None, None, text)


def _lost_s(drive: dict[str, Any], cuts: list[int]) -> float:
    """What a drive lacks: ticks that it counted as lost, and those between its last one and the cut."""
    lost = drive["lost_ticks"] * drive["length_s"] / max(1, drive["ticks"])
    ended_ns = drive["first_ns"] + drive["length_s"] * 1e9
    after = [cut - ended_ns for cut in cuts if cut >= ended_ns]
    return float(lost + (min(after) / 1e9 if drive["recovered"] and after else 0.0))


def _onset(e: Expectation, heard: Heard) -> float | None:
    return e.start_s if e.shown is None else heard.shows(e.shown, e.start_s, e.end_s)


def _verdict(e: Expectation, expects: str, came_s: float | None, onset_s: float, text: str) -> Verdict:
    late = came_s is None or (e.within_s is not None and came_s - onset_s > e.within_s)
    told = late and came_s is not None and e.within_s is not None
    bound = f", and {spelt(e.within_s)} s are allowed" if told and e.within_s is not None else ""
    return Verdict(e.name, expects, not late, onset_s, came_s, text + bound)


def _sounds(e: Expectation, heard: Heard) -> Verdict:
    alert, onset = e.whom[0], _onset(e, heard)
    if onset is None:
        words = f"the sensors never showed it ({e.shown}) from {spelt(e.start_s)} s to {spelt(e.end_s)} s"
        return Verdict(e.name, alert, kept=False, onset_s=None, heard_s=None, text=words)
    raised = next((r for r in heard.raised if r.alert == alert and e.start_s <= r.time_s <= e.end_s), None)
    if raised is None:
        others = sorted({r.alert for r in heard.raised if e.start_s <= r.time_s <= e.end_s})
        words = "never raised" + (f"; instead: {', '.join(others)}" if others else "")
        return _verdict(e, alert, None, onset, words)
    came_s, words = _heard_at(raised, heard, e.end_s)
    from_what = "its start" if e.shown is None else f"the sensors showed {e.shown.replace('_', ' ')}"
    if came_s is not None:
        words = f"{alert} {words} {came_s - onset:.2f} s after {from_what}"
    return _verdict(e, alert, came_s, onset, words)


def _heard_at(raised: Raised, heard: Heard, end_s: float) -> tuple[float | None, str]:
    """When an alert was heard: by the buzzer's own record where there is one and the alert had the cab."""
    if heard.pins is None or heard.cab is None:
        return raised.time_s, "was raised"
    in_cab = next((t for t, alert in heard.cab if alert == raised.alert and t >= raised.time_s - _SAME_S), None)
    if in_cab is None or in_cab > end_s:
        return raised.time_s, "was raised beside a greater one"
    pitch = PITCH[raised.sound]
    came_s = next((p.time_s for p in heard.pins if p.pitch == pitch and p.time_s >= in_cab - _SAME_S), None)
    return came_s, "sounded" if came_s is not None else f"the buzzer never gave the sound {raised.sound}"


def _silent(e: Expectation, heard: Heard) -> Verdict:
    raised = [r for r in heard.raised if e.start_s <= r.time_s <= e.end_s and r.alert != _AT_EVERY_START]
    wrong = [r for r in raised if not e.whom or r.alert in e.whom]
    text = _these(wrong) if wrong else "silent, as it should be"
    return Verdict(e.name, "silent", not wrong, None, None, text)


def _tells(e: Expectation, heard: Heard) -> Verdict:
    onset = _onset(e, heard)
    if onset is None:
        return Verdict(e.name, e.whom[0], kept=False, onset_s=None, heard_s=None, text="the sensors never showed it")
    came_s = next((t for t, what in heard.told if what == e.whom[0] and e.start_s <= t <= e.end_s), None)
    words = "never told" if came_s is None else f"told {came_s - onset:.2f} s after its start"
    return _verdict(e, e.whom[0], came_s, onset, words)


def _all_the_rest(scenario: Scenario, heard: Heard) -> Verdict:
    """What nobody expected must not sound."""
    asked = [e for e in scenario.expectations if e.what == "sounds"]
    wrong = [
        r
        for r in heard.raised
        if 0 <= r.time_s <= scenario.length_s
        and r.alert not in (_AT_EVERY_START, *scenario.may_sound)
        and not any(r.alert == e.whom[0] and e.start_s <= r.time_s <= e.end_s for e in asked)
    ]
    text = _these(wrong) if wrong else "silent, as it should be"
    return Verdict("all the rest", "silent", not wrong, None, None, text)


def _these(wrong: Sequence[Raised]) -> str:
    return "sounded: " + ", ".join(f"{r.alert} at {r.time_s:.1f} s" for r in wrong[:6])
