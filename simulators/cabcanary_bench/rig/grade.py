"""Was everything heard that should be, in time, and nothing else?

The grader knows nothing of the daemon's insides: it has what the sensors put out, step by step, what changed
on the buzzer's pin, and the events of the feed. Limits are the bench van's, written down here again so that
a mistake in reading the rule file cannot hide.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import TYPE_CHECKING, Any

from cabcanary.clock import NS_PER_S
from cabcanary_bench.drives.verdict import (
    KPA_PER_PSI,
    LEAN_BY,
    LONGEST_DELAY_S,
    OVER_BOOST_PSI,
    PITCH,
    PinSound,
    Verdict,
    ceiling,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary_bench.drives.scenario import Mark
    from cabcanary_bench.rig.rig import Rig

_BOOSTED_PSI = 2.0

_ALERT = {"lean": "lean_under_boost", "over_boost": "over_boost", "blind": "cannot_see_lambda"}
_SOUND = {"lean": "warning", "over_boost": "warning", "blind": "cannot_see"}


def grade(rig: Rig, events: Sequence[dict[str, Any]], pins: Sequence[dict[str, Any]], masked: Masks) -> list[Verdict]:
    """A verdict for every mark of the scenario, and one for all the rest of the drive."""
    sounded = pin_sounds(rig, pins)
    verdicts = []
    for mark in rig.van.scenario.marks:
        if mark.expects == "silent":
            verdicts.append(_silent(mark, rig, events))
        else:
            verdicts.append(_heard(mark, rig, events, sounded, masked))
    verdicts.append(_elsewhere(rig, events))
    return verdicts


class Masks:
    """When the daemon held gas of a fuel cut to be at the wideband; from the frames of its feed."""

    def __init__(self) -> None:
        self._times: list[float] = []
        self._masked: list[bool] = []

    def add(self, time_s: float, *, masked: bool) -> None:
        """One frame."""
        self._times.append(time_s)
        self._masked.append(masked)

    def end_after(self, time_s: float) -> float:
        """The time itself, or if it is masked, when that mask ends."""
        n = bisect_right(self._times, time_s) - 1
        if n < 0 or not self._masked[n]:
            return time_s
        while n < len(self._times) and self._masked[n]:
            n += 1
        return self._times[min(n, len(self._times) - 1)]


def _onset(mark: Mark, rig: Rig) -> float | None:
    """When the fault first stands at the sensor's output, in seconds of the drive."""
    assert mark.fault is not None
    for row, stepped_ns in zip(rig.van.outputs, rig.stepped_ns, strict=False):
        if row.time_s < mark.fault.start_s or row.boost_kpa is None:
            continue
        if row.time_s > mark.end_s:
            return None
        psi = row.boost_kpa / KPA_PER_PSI
        shown = row.lambda_shown
        stands = {
            "lean": psi > _BOOSTED_PSI and shown is not None and shown >= ceiling(psi) + LEAN_BY,
            "over_boost": psi > OVER_BOOST_PSI,
            "blind": psi > _BOOSTED_PSI,
        }
        if stands[mark.expects]:
            return rig.drive_s(stepped_ns)
    return None


def _heard(mark: Mark, rig: Rig, events: Sequence[dict[str, Any]], pins: Sequence[PinSound], masked: Masks) -> Verdict:
    onset = _onset(mark, rig)
    if onset is None:
        return Verdict(mark.name, mark.expects, kept=False, onset_s=None, heard_s=None, text="the fault never stood")
    onset = masked.end_after(onset)
    wanted, sound = _ALERT[mark.expects], _SOUND[mark.expects]
    raised = [e for e in _raised(rig, events) if mark.start_s <= e[0] <= mark.end_s]
    others = sorted({e[1] for e in raised} - {wanted})
    told = [t for t, alert in raised if alert == wanted]
    heard = next((p.time_s for p in pins if p.time_s >= mark.start_s and p.pitch == PITCH[sound]), None)
    if not told or heard is None:
        return Verdict(mark.name, mark.expects, kept=False, onset_s=onset, heard_s=None, text="never heard")
    delay = heard - onset
    kept = delay <= LONGEST_DELAY_S and not others
    text = f"{wanted} sounded {delay:.2f} s after its onset"
    if others:
        text += f"; also {', '.join(others)}"
    return Verdict(mark.name, mark.expects, kept, onset, heard, text)


def _silent(mark: Mark, rig: Rig, events: Sequence[dict[str, Any]]) -> Verdict:
    raised = sorted({alert for t, alert in _raised(rig, events) if mark.start_s <= t <= mark.end_s})
    text = f"sounded: {', '.join(raised)}" if raised else "silent, as it should be"
    return Verdict(mark.name, "silent", not raised, None, None, text)


def _elsewhere(rig: Rig, events: Sequence[dict[str, Any]]) -> Verdict:
    marks = rig.van.scenario.marks
    raised = [
        f"{alert} at {t:.1f} s"
        for t, alert in _raised(rig, events)
        if not any(m.start_s <= t <= m.end_s for m in marks) and alert != "limits_not_confirmed"
    ]
    text = f"sounded: {', '.join(raised)}" if raised else "silent, as it should be"
    return Verdict("all the rest", "silent", not raised, None, None, text)


def _raised(rig: Rig, events: Sequence[dict[str, Any]]) -> list[tuple[float, str]]:
    return [(rig.drive_s(e["t"]), str(e["what"])) for e in events if e["kind"] == "alert" and e.get("raised")]


def pin_sounds(rig: Rig, pins: Sequence[dict[str, Any]]) -> list[PinSound]:
    """Every time the pin began a tone; its record is in the kernel's monotonic ns."""
    return [
        PinSound((int(p["t"] * rig.clock.speed) - rig.started_ns) / NS_PER_S, float(p["frequency"]))
        for p in pins
        if p["state"] and p.get("frequency")
    ]
