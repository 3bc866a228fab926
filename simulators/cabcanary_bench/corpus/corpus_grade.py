"""Grades of the corpus: faults found and missed, delays, faults found under another name, false alarms."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from statistics import median
from typing import TYPE_CHECKING, Any

from cabcanary_bench.corpus.injected import INJECTED
from cabcanary_bench.drives.labels import ABOVE_THE_LIMIT
from cabcanary_bench.faults.circumstances import CircumstanceKind
from cabcanary_bench.faults.kinds import FaultKind

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from cabcanary_bench.corpus.corpus import Outcome, Sound
    from cabcanary_bench.drives.labels import Label

_LEAN = ("lean_under_boost", "lean_under_load", "lean_at_tip_in", "knock_prone")
_NO_BOOST = ("boost_lost", "boost_fell", "boost_halved", "boost_low")
_SUPPLY = ("supply_low", "supply_low_boosted", "supply_high", "belt_lost")
_BLIND_MAP = (
    "cannot_see_map", "cannot_see_boost", "cannot_see_boost_as_burnt", "cannot_see_air_pressure", "pressure_line_dead",
    "pressure_line_slow", "open_tap",
)  # fmt: skip
_BLIND_ENGINE = tuple(
    f"cannot_see_{c}"
    for c in ("engine_speed", "throttle", "coolant", "fuel_system", "short_trim", "long_trim", "vehicle_speed")
)
_BY_EXPECTATION: dict[str, tuple[str, ...]] = {
    "lean": _LEAN,
    "over_boost": ("over_boost",),
    "supply": _SUPPLY,
    "blind lambda": ("cannot_see_lambda", "cannot_see_boost_as_burnt", "wideband_at_its_end"),
    "blind map": _BLIND_MAP,
    "blind engine": _BLIND_ENGINE,
}
#: For what the table of kinds calls "other": the alerts that name it.
_BY_KIND: dict[FaultKind, tuple[str, ...]] = {
    FaultKind.WIDEBAND_DRIFT: ("wideband_off",),
    FaultKind.EXHAUST_LEAK: ("fuel_trim_at_idle", "wideband_off"),
    FaultKind.MISFIRE: (*_LEAN, "wideband_off", "wideband_at_its_end", "fuel_trim_at_idle"),
    FaultKind.BELT_SLIP: _NO_BOOST,
    # With the throttle shut it shows as a manifold without vacuum.
    FaultKind.HOSE_OFF: (*_NO_BOOST, "open_tap"),
    FaultKind.BYPASS_STUCK_OPEN: _NO_BOOST,
    FaultKind.BYPASS_STUCK_SHUT: ("charge_heats_at_idle", "vacuum_leak"),
    FaultKind.UNMEANT_BOOST: ("open_tap", "over_boost"),
    FaultKind.TAP_OPEN: ("vacuum_leak", "fuel_trim_at_idle", "open_tap"),
    FaultKind.VACUUM_LEAK: ("vacuum_leak", "fuel_trim_at_idle"),
    FaultKind.CRANK_BROWN_OUT: ("supply_low_cranking",),
    # Stuck where an overrun had taken it, it shows "at least 1.5": lean, or a sensor that says so.
    FaultKind.WIDEBAND_STUCK: ("cannot_see_lambda", "cannot_see_boost_as_burnt", "wideband_at_its_end", *_LEAN),
    FaultKind.WIDEBAND_SLOW: ("wideband_slow", "lean_under_boost"),
    FaultKind.CHARGE_WIRE_OPEN: ("cannot_see_charge_temperature",),
    FaultKind.CHARGE_SHORT: ("cannot_see_charge_temperature",),
    FaultKind.SUPPLY_WIRE_OPEN: ("cannot_see_supply",),
}
#: Ordinary, and still a correct alert: a line blocked by ice shows no pressure, whatever the cause, a wideband whose
#: feed breaks down shows no mixture, and an engine whose pump breathes air under boost is lean.
_RIGHTLY: dict[str, tuple[str, ...]] = {
    CircumstanceKind.FROZEN_MAP_LINE: _BLIND_MAP,
    CircumstanceKind.BROWN_OUT: ("cannot_see_lambda",),
    CircumstanceKind.LOW_TANK_IN_BEND: _LEAN,
    ABOVE_THE_LIMIT: ("over_boost",),
}
#: A fault in a drive is given this long after it has ended: what sounds late was there all the same.
_GRACE_S = 8.0
#: After a brown-out the computer starts anew, and the wideband is to be warm again before it is believed: that is told
#: as such, and never as a warning.
_AFTERWARDS_S: dict[str, float] = {CircumstanceKind.BROWN_OUT: 60.0}


def names_of(label: Label) -> tuple[str, ...]:
    """The alerts that name a fault for what it is."""
    if any(label.kind == i.name for i in INJECTED):
        return (label.expects,)
    return _BY_KIND.get(FaultKind(label.kind)) or _BY_EXPECTATION.get(label.expects) or ()


@dataclass(slots=True)
class KindResult:
    """What became of one kind of fault."""

    must: int = 0
    found: int = 0
    #: Sounded while it was there, and by another name.
    other_name: int = 0
    #: Not severe enough, or the drive did not show it: found all the same.
    beyond: int = 0
    below: int = 0
    blind_monitor: int = 0
    delays_s: list[float] = field(default_factory=list)
    first: Counter[str] = field(default_factory=Counter)
    missed: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Report:
    """The whole grade."""

    hours: float = 0.0
    drives: int = 0
    false: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    false_at: list[str] = field(default_factory=list)
    rightly: Counter[str] = field(default_factory=Counter)
    kinds: dict[str, KindResult] = field(default_factory=lambda: defaultdict(KindResult))
    lean_sensor_s: list[float] = field(default_factory=list)
    lean_cylinder_s: list[float] = field(default_factory=list)
    weakened: dict[str, tuple[int, int, float, float]] = field(default_factory=dict)

    @property
    def missed(self) -> int:
        """Faults that had to be found and were not."""
        return sum(k.must - k.found for k in self.kinds.values())

    def as_json(self) -> dict[str, Any]:
        """For a program to read."""
        return {
            "ordinary_hours": round(self.hours, 2),
            "drives": self.drives,
            "false": {p: dict(c) for p, c in self.false.items()},
            "false_at": self.false_at,
            "rightly": dict(self.rightly),
            "faults": {
                name: {
                    "must": k.must,
                    "found": k.found,
                    "by_another_name": k.other_name,
                    "below_severity": k.below,
                    "of_them_found": k.beyond,
                    "monitor_without_power": k.blind_monitor,
                    "median_s": round(median(k.delays_s), 3) if k.delays_s else None,
                    "first_alert": dict(k.first.most_common(4)),
                    "missed": k.missed,
                }
                for name, k in self.kinds.items()
            },
            "lean_s": {"sensor": _quantiles(self.lean_sensor_s), "cylinder": _quantiles(self.lean_cylinder_s)},
            "weakened": {
                rule: dict(zip(("found", "found_weakened", "median_s", "median_weakened_s"), row, strict=True))
                for rule, row in self.weakened.items()
            },
        }


def _quantiles(values: Sequence[float]) -> dict[str, float] | None:
    if not values:
        return None
    ordered = sorted(values)
    return {
        "count": len(ordered),
        "median": round(median(ordered), 3),
        "p95": round(ordered[min(len(ordered) - 1, int(len(ordered) * 0.95))], 3),
        "worst": round(ordered[-1], 3),
    }


def grade(outcomes: Iterable[Outcome]) -> Report:
    """Everything that the drives of a corpus gave, in one report."""
    report = Report()
    trips: dict[str, list[tuple[float, float | None, float | None]]] = defaultdict(list)
    for outcome in outcomes:
        report.drives += 1
        faults = [label for label in outcome.labels if label.is_fault]
        if not faults:
            _ordinary(report, outcome)
        for label in faults:
            _fault(report, outcome, label)
            _weakened(trips, outcome, label)
    report.weakened = {rule: _weakened_row(rows) for rule, rows in sorted(trips.items())}
    report.kinds = dict(sorted(report.kinds.items()))
    return report


def _ordinary(report: Report, outcome: Outcome) -> None:
    report.hours += outcome.hours
    for sound in outcome.sounds:
        if _is_right(sound, outcome.labels):
            report.rightly[sound.alert] += 1
            continue
        report.false[sound.priority][sound.alert] += 1
        report.false_at.append(
            f"{outcome.job.name} {outcome.job.seed} at {sound.at_s:.1f} s: {sound.alert}, {sound.priority}"
        )


def _is_right(sound: Sound, labels: Sequence[Label]) -> bool:
    """Whether something that is no fault makes it true all the same."""

    def covers(label: Label) -> bool:
        mild = sound.priority != "warning"
        afterwards_s = _AFTERWARDS_S.get(label.kind, _GRACE_S) if mild else _GRACE_S
        named = sound.alert in _RIGHTLY.get(label.kind, ())
        return named and label.start_s <= sound.at_s <= label.end_s + afterwards_s

    return any(covers(label) for label in labels)


def _fault(report: Report, outcome: Outcome, label: Label) -> None:
    result = report.kinds[label.kind]
    names = names_of(label)
    inside = [s for s in outcome.sounds if label.start_s <= s.at_s <= label.end_s + _GRACE_S]
    named = [s for s in inside if s.alert in names]
    onset = label.onset_sensor_s if label.onset_sensor_s is not None else label.start_s
    dies = any(label.start_s <= begin <= label.end_s for begin, _ in outcome.down)
    if label.must_be_found and not named and (dies or any(begin <= onset <= end for begin, end in outcome.down)):
        result.blind_monitor += 1
        return
    if inside:
        result.first[inside[0].alert] += 1
    if not label.must_be_found:
        result.below += 1
        result.beyond += bool(named)
        return
    result.must += 1
    if not named:
        result.other_name += bool(inside)
        result.missed.append(f"{outcome.job.seed} (severity {label.severity:.2f}, onset {onset:.1f} s)")
        return
    result.found += 1
    result.delays_s.append(named[0].at_s - onset)
    _lean(report, outcome, label, named)


def _lean(report: Report, outcome: Outcome, label: Label, named: Sequence[Sound]) -> None:
    """How soon a lean mixture under boost sounded: from the sensor's output, or the end of a mask on it, and from the
    cylinder."""
    first = next((s for s in named if s.alert == "lean_under_boost"), None)
    if label.expects != "lean" or first is None or label.kind == FaultKind.TIP_IN_LEAN:
        return
    if outcome.unmasked_s is not None:
        report.lean_sensor_s.append(first.at_s - outcome.unmasked_s)
    if label.onset_cylinder_s is not None:
        report.lean_cylinder_s.append(first.at_s - label.onset_cylinder_s)


def _weakened(trips: dict[str, list[tuple[float, float | None, float | None]]], outcome: Outcome, label: Label) -> None:
    """For each rule that named the fault: when it did, and when it would have, made slower."""
    if not label.must_be_found:
        return
    for rule, slow in outcome.weakened.items():
        if rule not in names_of(label):
            continue
        end = label.end_s + _GRACE_S
        onset = label.onset_sensor_s if label.onset_sensor_s is not None else label.start_s
        full = next((s.at_s for s in outcome.sounds if s.alert == rule and label.start_s <= s.at_s <= end), None)
        if full is not None:
            later = next((t for t in slow if label.start_s <= t <= end), None)
            trips[rule].append((onset, full, later))


def _weakened_row(rows: Sequence[tuple[float, float | None, float | None]]) -> tuple[int, int, float, float]:
    full = [at - onset for onset, at, _ in rows if at is not None]
    later = [at - onset for onset, _, at in rows if at is not None]
    nan = float("nan")
    return len(full), len(later), round(median(full), 2) if full else nan, round(median(later), 2) if later else nan


# --- for a person -------------------------------------------------------------------------------------------------


def lines(report: Report) -> list[str]:
    """The report as text."""
    found = [f"ordinary driving: {report.hours:.1f} h"]
    for priority in ("warning", "caution", "advisory"):
        counts = report.false.get(priority, Counter())
        total = sum(counts.values())
        rate = total / report.hours * 100 if report.hours else 0.0
        which = ", ".join(f"{alert} {n}" for alert, n in counts.most_common(6))
        found.append(f"  false {priority:<9}{total:4d}  {rate:7.2f} in 100 h  {which}")
    found += [f"    {where}" for where in report.false_at[:20]]
    if report.rightly:
        found.append("  rightly said of no fault: " + ", ".join(f"{a} {n}" for a, n in report.rightly.most_common()))
    found += ["", f"{'fault':<24}{'found':>9}{'median':>10}{'below':>8}  first alert"]
    for name, k in report.kinds.items():
        middle = f"{median(k.delays_s):8.2f} s" if k.delays_s else f"{'-':>10}"
        below = f"{k.beyond}/{k.below}" if k.below else "-"
        first = ", ".join(f"{a} {n}" for a, n in k.first.most_common(3))
        down = f"  ({k.blind_monitor} while the monitor had no power)" if k.blind_monitor else ""
        found.append(f"{name:<24}{k.found:4d}/{k.must:<4d}{middle}{below:>8}  {first}{down}")
        found += [f"{'':<24}  MISSED: {m}" for m in k.missed[:5]]
    for words, values in (("the sensor's output", report.lean_sensor_s), ("the cylinder", report.lean_cylinder_s)):
        quantiles = _quantiles(values)
        if quantiles:
            found.append(
                f"lean under boost, from {words}: median {quantiles['median']:.2f} s, 95 % within "
                f"{quantiles['p95']:.2f} s, worst {quantiles['worst']:.2f} s of {quantiles['count']}"
            )
    if report.weakened:
        found += ["", f"{'rule, made slower':<26}{'found':>14}{'median time':>20}"]
        for rule, (full, later, before, after) in report.weakened.items():
            found.append(f"{rule:<26}{full:6d} -> {later:<4d}{before:9.2f} -> {after:<.2f} s")
    return found
