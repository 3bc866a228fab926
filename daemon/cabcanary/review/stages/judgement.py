"""The review of a stage: for each criterion the figure, its interval, the limit, the evidence, and a verdict.

It never says that anything is safe: it says what was seen and what was not, and a tuner decides.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.model import NOTICES, OWN_ALERTS
from cabcanary.plan.hoses import cap, in_psi, joint_bounds
from cabcanary.plan.idle_signature import LEAKS, NOTHING, signature
from cabcanary.review.figures.columns import Columns
from cabcanary.review.figures.drive_figures import (
    BAND_PSI,
    FROM_PSI,
    SUSTAINED_S,
    Figures,
    Moment,
    all_cells,
    figures_from,
)
from cabcanary.review.figures.limits import ceiling_of, number_of, rule_files
from cabcanary.review.list.drives import samples_path
from cabcanary.review.list.recorded_drive import RecordedError, read_drive
from cabcanary.review.stages.compare import Difference, difference
from cabcanary.review.stages.idle_signs import Idled, changes, idled, sensors_apart
from cabcanary.review.witness.seen import SeenSoFar
from cabcanary.spelling import spelt
from cabcanary.store.manifest import newest_first

if TYPE_CHECKING:
    from cabcanary.plan.plan import Plan
    from cabcanary.store.manifest import Manifest

PASS, FAIL, MORE = "pass", "fail", "not enough yet"
#: Seconds that the highest band of boost, and each below it, must have been seen.
HIGHEST_S, LOWER_S = 60.0, 20.0
#: Of the seconds with boost so many may have been blind, %.
_BLIND_PERCENT = 2.0
#: What counts as a change between stages: kPa at idle (1 inHg is 3.4), per cent of mixture and of pressure ratio.
IDLE_KPA, MIXTURE_PERCENT, RATIO_PERCENT = 2.0, 1.5, 2.0
_PSI = units.unit("psi")


@dataclass(frozen=True, slots=True)
class Criterion:
    """One line of a review."""

    name: str
    verdict: str
    figure: str
    limit: str = ""
    evidence: tuple[Moment, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """For a program."""
        evidence = [{"drive": m.drive, "at_s": m.at_s} for m in self.evidence]
        return {
            "criterion": self.name, "verdict": self.verdict, "figure": self.figure, "limit": self.limit,
            "evidence": evidence,
        }  # fmt: skip


@dataclass(slots=True)
class Stage:
    """The drives of one stage."""

    name: str
    figures: list[Figures] = field(default_factory=list)
    idles: list[Idled] = field(default_factory=list)
    manifests: list[Manifest] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    seen: SeenSoFar | None = None


def drives_of(plan: Plan, stages: set[str]) -> dict[str, Stage]:
    """What the recorded drives of these stages say, the oldest first."""
    ceiling = ceiling_of(rule_files(plan))
    found = {name: Stage(name, seen=SeenSoFar(ceiling)) for name in stages}
    for path, manifest in newest_first(plan.settings.daemon.folder, plan.settings.vehicle.name):
        if manifest.stage not in found:
            continue
        stage = found[manifest.stage]
        try:
            columns = Columns(read_drive(samples_path(path, manifest)))
            figures = figures_from(columns, manifest.start)
            stage.figures.insert(0, figures)
            if stage.seen is not None:
                stage.seen.add(columns, figures)
            stage.idles.insert(0, idled(columns))
        except (RecordedError, OSError) as error:
            stage.unread.append(str(error))
            continue
        stage.manifests.insert(0, manifest)
    return found


def review(plan: Plan, now: Stage, before: Stage | None) -> list[Criterion]:
    """Every criterion of the stage in force, held against the stage before where there is one."""
    found = [*_mixture(plan, now), _boost(plan, now), _blind(now)]
    if before is not None:
        found += [
            _change("idle pressure", now, before, "idle", IDLE_KPA, "kPa", 1.0),
            _idle_signature(now, before),
            _change("mixture at like boost", now, before, "mixture", MIXTURE_PERCENT, "%", 100.0),
            _change("boost at like speed", now, before, "boost", RATIO_PERCENT, "%", 100.0),
        ]
    return [*found, _supply(plan, now), _alerts(now), _joints(plan), _calibrations(plan)]


def verdict_of(criteria: list[Criterion]) -> str:
    """Of all of them: one that fails decides, then one of which too little was seen."""
    verdicts = {c.verdict for c in criteria}
    return FAIL if FAIL in verdicts else MORE if MORE in verdicts else PASS


# --- the criteria ---------------------------------------------------------------------------------------------------


def _mixture(plan: Plan, now: Stage) -> list[Criterion]:
    ceiling = ceiling_of(rule_files(plan))
    if ceiling is None:
        return [Criterion("mixture under boost", MORE, "the rules have no table 'ceiling'")]
    highest = _highest_band(plan)
    found = []
    for band in range(highest + 1):
        low, high = FROM_PSI + band * BAND_PSI, FROM_PSI + (band + 1) * BAND_PSI
        # A band's limit is the tightest in it; below its lower end another band speaks.
        limit = min(ceiling(low), ceiling(high))
        found.append(_band(now, band, f"mixture from {low:.0f} to {high:.0f} psi", limit, last=band == highest))
    return found


def _band(now: Stage, number: int, name: str, limit: float, *, last: bool) -> Criterion:
    seen = [f.bands[number] for f in now.figures if number in f.bands]
    seconds, pulls = sum(b.seconds for b in seen), sum(b.pulls for b in seen)
    wanted, words = (
        HIGHEST_S if last else LOWER_S,
        f"lambda {limit:.2f}, seen for {HIGHEST_S if last else LOWER_S:.0f} s",
    )
    lasted = [b for b in seen if b.leanest is not None]
    if not lasted:
        return Criterion(name, MORE, "no pull that lasted there yet", words)
    worst = max(lasted, key=lambda b: b.leanest or 0.0)
    leanest, at = worst.leanest or 0.0, () if worst.at is None else (worst.at,)
    figure = (
        f"leanest for {spelt(SUSTAINED_S)} s {leanest:.3f}, in {seconds:.0f} s of {pulls} pulls in {len(seen)} drives"
    )
    cell = None if now.seen is None else now.seen.band(number)
    if cell is not None:
        figure += f"; {cell.said}"
    if leanest > limit or (cell is not None and cell.decided is True):
        return Criterion(name, FAIL, figure, words, at)
    if seconds < wanted:
        more = math.ceil((wanted - seconds) / max(seconds / max(pulls, 1), 0.1))
        return Criterion(name, MORE, f"{figure}; about {more} more pulls for so many seconds", words, at)
    open_yet = cell is not None and cell.decided is None
    return Criterion(name, MORE if open_yet else PASS, figure, words, at)


def _boost(plan: Plan, now: Stage) -> Criterion:
    seen = [f for f in now.figures if f.highest_psi is not None]
    limit_pa = _limit_pa(plan)
    if not seen or limit_pa is None:
        return Criterion(
            "boost against the hoses' limit", MORE, "no boost was seen yet" if limit_pa else "no limit is set"
        )
    top = max(seen, key=lambda f: f.highest_psi or 0.0)
    highest, limit = top.highest_psi or 0.0, _PSI.from_si(limit_pa)
    at = () if top.highest_at is None else (top.highest_at,)
    figure = f"highest for {spelt(SUSTAINED_S)} s {highest:.1f} psi"
    verdict = FAIL if highest > limit else PASS if highest > limit - BAND_PSI else MORE
    more = "" if verdict != MORE else f"; nothing above {highest:.1f} psi was seen yet"
    return Criterion("boost against the hoses' limit", verdict, figure + more, in_psi(limit_pa), at)


def _blind(now: Stage) -> Criterion:
    boosted, blind = sum(f.boosted_s for f in now.figures), sum(f.blind_s for f in now.figures)
    if boosted < LOWER_S:
        return Criterion("blind under boost", MORE, f"{boosted:.0f} s of boost so far", f"{spelt(_BLIND_PERCENT)} %")
    share = 100.0 * blind / boosted
    verdict = FAIL if share > _BLIND_PERCENT else PASS
    return Criterion("blind under boost", verdict, f"{share:.1f} % of {boosted:.0f} s", f"{spelt(_BLIND_PERCENT)} %")


def _change(name: str, now: Stage, before: Stage, kind: str, least: float, unit: str, scale: float) -> Criterion:
    """A difference that is plain and larger than `least` fails; one that might still be is not enough yet."""
    found = difference(all_cells(before.figures, kind), all_cells(now.figures, kind))
    limit = f"within {spelt(least)} {unit} of stage '{before.name}'"
    if found is None:
        return Criterion(name, MORE, "too few drives in both stages saw it", limit)
    sensors, unsure = sensors_apart(before.idles, now.idles) if kind == "idle" else ("", 0.0)
    found = replace(found, low=found.low - unsure / scale, high=found.high + unsure / scale)
    middle, low, high = found.middle * scale, found.low * scale, found.high * scale
    figure = f"{middle:+.1f} {unit} ({low:+.1f} to {high:+.1f}), {found.drives[1]} drives against {found.drives[0]}"
    figure += f"; {sensors}: they may differ by {spelt(unsure, 2)} {unit}" if sensors else ""
    if changed(found, least / scale):
        return Criterion(name, FAIL, figure, limit)
    sure = max(abs(low), abs(high)) <= least
    return Criterion(name, PASS if sure else MORE, figure, limit)


def _idle_signature(now: Stage, before: Stage) -> Criterion:
    """What the changes at idle look like: a leak's signature fails, and what cannot be told is not enough yet."""
    found = signature(changes(before.idles, now.idles, *(all_cells(s.figures, "idle") for s in (before, now))))
    verdict = FAIL if found.kind in LEAKS else PASS if found.kind == NOTHING else MORE
    figure = f"{found.said}; next: {found.next}" if found.next else found.said
    return Criterion("what the idle looks like", verdict, figure, f"as in stage '{before.name}'")


def changed(found: Difference, least: float) -> bool:
    """Whether a difference is told as one: plain, and larger than counts."""
    return found.plain and abs(found.middle) > least


def _supply(plan: Plan, now: Stage) -> Criterion:
    seen = [f.supply_lowest for f in now.figures if f.supply_lowest is not None]
    if "supply" not in plan.settings.channels or not seen:
        return Criterion("supply while running", MORE, "not measured")
    limit = number_of(rule_files(plan), "supply_lowest", "V")
    figure = f"lowest {min(seen):.1f} V in {len(seen)} drives"
    if limit is None:
        return Criterion("supply while running", MORE, figure, "no limit is set")
    return Criterion("supply while running", PASS if min(seen) >= limit else FAIL, figure, f"{limit:.1f} V")


def _alerts(now: Stage) -> Criterion:
    counts: dict[str, int] = {}
    for manifest in now.manifests:
        for a in manifest.alerts:
            if a.priority != "advisory" and a.alert not in NOTICES | OWN_ALERTS:
                counts[f"{a.alert} ({a.priority})"] = counts.get(f"{a.alert} ({a.priority})", 0) + a.count
    if not now.manifests:
        return Criterion("alerts", MORE, "no drive of this stage yet", "none")
    told = ", ".join(f"{n} x {alert}" for alert, n in sorted(counts.items())) or f"none in {len(now.manifests)} drives"
    warned = any("(warning)" in alert for alert in counts)
    return Criterion("alerts", FAIL if warned else PASS, told, "no warning")


def _joints(plan: Plan) -> Criterion:
    joints = plan.settings.stage_joints
    if not joints:
        return Criterion("joints", MORE, "none is recorded: add [[joints]]", "each confirmed")
    limit = _limit_pa(plan)
    weak = [b.words for b in joint_bounds(plan.settings, plan.settings.vehicle.stage) if limit and b.pa < limit - 1.0]
    unseen = [f"'{j.name}'" for j in joints if not j.confirmed_by]
    if weak:
        return Criterion("joints", FAIL, "; ".join(weak), "each stands the stage's limit")
    if unseen:
        return Criterion("joints", MORE, f"nobody has looked at {', '.join(unseen)}", "each confirmed")
    return Criterion("joints", PASS, f"{len(joints)} confirmed", "each confirmed")


def _calibrations(plan: Plan) -> Criterion:
    wanted = [n for n in ("map", "lambda") if n in plan.settings.channels]
    without = [n for n in wanted if not getattr(plan.settings.channels[n], "residual", 0.0)]
    if without:
        return Criterion("calibrations", MORE, f"none is on record for {', '.join(without)}", "each calibrated")
    return Criterion("calibrations", PASS, f"on record for {', '.join(wanted)}", "each calibrated")


# --- what the rules say ---------------------------------------------------------------------------------------------


def _limit_pa(plan: Plan) -> float | None:
    bound = cap(plan.settings)
    limits = [x for x in (plan.hose_limit_pa, None if bound is None else bound.pa) if x is not None]
    return min(limits, default=None)


def _highest_band(plan: Plan) -> int:
    """The band in which the limit lies; the first one where there is none."""
    limit = _limit_pa(plan)
    return 0 if limit is None else max(0, math.ceil((_PSI.from_si(limit) - FROM_PSI) / BAND_PSI - 1e-9) - 1)


def lines(plan: Plan, now: Stage, before: Stage | None, criteria: list[Criterion]) -> list[str]:
    """For a person: a sentence of what was seen first, then each criterion."""
    hours = sum(m.length_s for m in now.manifests) / 3600
    against = f", held against {len(before.figures)} of stage '{before.name}'" if before else ""
    found = [f"{plan.settings.vehicle.name}, stage '{now.name}': {len(now.figures)} drives, {hours:.1f} h{against}"]
    if now.seen is not None:
        found.append(f"{now.seen.sentence[:1].upper()}{now.seen.sentence[1:]}")
    found.append("")
    for c in criteria:
        found.append(f"{c.verdict.upper():<15}{c.name}: {c.figure}" + (f" (limit: {c.limit})" if c.limit else ""))
        found += [f"{'':<15}look at {m.drive}, {m.at_s:.1f} s" for m in c.evidence]
    found += [f"not read: {words}" for words in now.unread]
    counts = {v: sum(c.verdict == v for c in criteria) for v in (PASS, FAIL, MORE)}
    said = ", ".join(f"{n} {verdict}" for verdict, n in counts.items() if n)
    return [*found, "", f"{said}. What was not seen is not known. Take this to your tuner: they decide, not this page."]
