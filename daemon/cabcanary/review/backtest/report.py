"""A backtest for a person: before and after side by side, per rule and per drive, load, near misses, a sweep."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary.model import Priority
from cabcanary.review.backtest.alarm_load import ACCEPTABLE, FLOOD, MANAGEABLE, WANTED_SHARES, load_of
from cabcanary.review.backtest.misses import shortened
from cabcanary.review.backtest.results import DriveFault, DriveResult
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from cabcanary.review.backtest.alarm_load import Load
    from cabcanary.review.backtest.results import Alarm, SetResult
    from cabcanary.review.backtest.sweep import SweepResult
    from cabcanary.review.backtest.totals import RuleTotal, Totals

SAFETY = (
    "This is a monitor, not protection. Silence on old drives is no proof that a limit is safe: limits come from a "
    "qualified tuner."
)
#: So many alarms of a drive are written out.
_MOST_SHOWN = 6
_BAR = 30
#: With more sweeps than this each gets a line in place of a table.
_MOST_TABLES = 2


def length(seconds: float) -> str:
    """Such as 1:02:05, or 12:34."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def at(seconds: float) -> str:
    """An instant of a drive: such as 12:34.5."""
    tenths = round(seconds * 10)
    minutes, rest = divmod(tenths, 600)
    return f"{minutes}:{rest // 10:02d}.{rest % 10}"


def backtest_lines(totals: Totals) -> Iterator[str]:
    """All of it."""
    yield _headline(totals)
    if totals.drives:
        yield ""
        yield from _rules(totals)
        yield ""
        yield from _drives(totals)
        yield ""
        yield from _load(totals)
        yield from _misses(totals)
    for rule, needs, count in totals.not_fitted:
        yield f"not fitted in {count} of {len(totals.drives)} drives: {rule} {needs}"


def _headline(totals: Totals) -> str:
    against = f", against {totals.before}" if totals.before else ""
    unit = "h" if totals.seconds >= 3600 else "min"
    return f"{_drives_word(len(totals.drives))}, {length(totals.seconds)} {unit}: {totals.after}{against}"


def _drives_word(count: int) -> str:
    return "1 drive" if count == 1 else f"{count} drives"


def _rules(totals: Totals) -> Iterator[str]:
    loud = [r for r in totals.rules if r.after.alarms or r.before.alarms or r.after.seconds or r.before.seconds]
    width = max([len(r.rule) for r in loud], default=0)
    both = bool(totals.before)
    yield "What would have sounded" + (f"{'before':>{width + 8}}{'after':>27}" if both else "")
    heads = f"{'alarms':>8}{'drives':>8}{'standing':>11}"
    yield f"  {'':{width}}  {'':8}{heads}{heads if both else ''}"
    for total in loud:
        columns = [total.before, total.after] if both else [total.after]
        cells = "".join(f"{c.alarms:>8}{c.drives:>8}{_seconds(c.seconds):>11}" for c in columns)
        yield f"  {total.rule:<{width}}  {total.priority.word:<8}{cells}{_change(total) if both else ''}"
    if not loud:
        yield "  nothing"
    silent = [r.rule for r in totals.rules if r not in loud]
    if silent:
        yield from _wrapped("  silent: ", silent)


def _change(total: RuleTotal) -> str:
    more = total.after.alarms - total.before.alarms
    return f"   {more:+d}" if more else "   same"


def _seconds(seconds: float) -> str:
    return f"{seconds:.1f} s" if seconds < 600 else f"{length(seconds)}"


def _wrapped(begin: str, words: Sequence[str]) -> Iterator[str]:
    line = begin
    for n, word in enumerate(words):
        piece = word + ("," if n + 1 < len(words) else "")
        if len(line) + len(piece) > 116:
            yield line.rstrip()
            line = " " * len(begin)
        line += piece + " "
    yield line.rstrip()


def _drives(totals: Totals) -> Iterator[str]:
    yield "Drive by drive"
    width = max(len(d.drive) for d in totals.drives)
    for drive in totals.drives:
        lost = f", {drive.lost} ticks lost: live may have heard more" if drive.lost else ""
        if drive.before is not None:
            yield f"  {drive.drive:<{width}}  {length(drive.seconds):>8}{lost}"
            yield f"      before  {_alarms(drive.before)}"
            yield f"      after   {_alarms(drive.after)}"
        else:
            yield f"  {drive.drive:<{width}}  {length(drive.seconds):>8}  {_alarms(drive.after)}{lost}"


def _alarms(result: SetResult) -> str:
    shown = [_alarm(a) for a in result.alarms if a.sounded]
    more = f", and {len(shown) - _MOST_SHOWN} more" if len(shown) > _MOST_SHOWN else ""
    return (", ".join(shown[:_MOST_SHOWN]) + more) or "silent"


def _alarm(alarm: Alarm) -> str:
    stands = ", to the end" if alarm.stands else ""
    return f"{alarm.alert} at {at(alarm.start_s)} ({_seconds(alarm.seconds)}{stands})"


def _load(totals: Totals) -> Iterator[str]:
    loads = [load_of([(d, d.after.alarms) for d in totals.drives])]
    if totals.before:
        loads.insert(0, load_of([(d, d.before.alarms if d.before else ()) for d in totals.drives]))
    rows = (
        ("alarms in ten minutes, on the average", [f"{x.per_ten_minutes:.2f} ({x.verdict})" for x in loads]),
        ("most within any ten minutes", [f"{x.most}{' (flood)' if x.floods else ''}" for x in loads]),
        ("drives without an alarm", [f"{x.silent_drives} of {x.drives}" for x in loads]),
        ("time in alarm", [f"{_seconds(x.alarm_seconds)} ({x.time_share:.2%})" for x in loads]),
        ("advisory, caution, warning", [_shares(x) for x in loads]),
    )
    yield "Alarm load" + (f"{'before':>43}{'after':>30}" if totals.before else "")
    for words, cells in rows:
        yield f"  {words:<40}" + "".join(f"{c:<31}" for c in cells).rstrip()
    wanted = "/".join(f"{WANTED_SHARES[p]:.0%}" for p in Priority)
    yield "  Beside it, for operators of plants (EEMUA 191, from memory):"
    yield (
        f"  in ten minutes {spelt(ACCEPTABLE)} is acceptable, "
        f"{spelt(MANAGEABLE)} can be managed, over {FLOOD} are a flood;"
    )
    yield f"  shares {wanted} by priority. A driver's ordinary commute should give none."


def _shares(load: Load) -> str:
    return ", ".join(str(load.by_priority[p]) for p in Priority)


def _misses(totals: Totals) -> Iterator[str]:
    if not totals.misses:
        return
    yield ""
    yield "Closest misses of the rules that stayed silent"
    width = max(len(m.rule) for _, m in totals.misses)
    for drive, miss in totals.misses:
        yield f"  {miss.rule:<{width}}  {drive} at {at(miss.at_s):>8}  {miss.words}"


def fault_lines(faults: Sequence[DriveFault]) -> Iterator[str]:
    """Drives that could not be tried."""
    for fault in faults:
        yield f"{fault.path}: NOT tried: {fault.why}"


def sweep_lines(found: SweepResult) -> Iterator[str]:
    """A sweep as a table with bars."""
    sweep, bad = found.sweep, bool(found.bad)
    what = f"added to the limit of {sweep.comparison}" if sweep.added else f"limit of {sweep.comparison}"
    yield f"Sweep of {sweep.rule}: {what}, over {_drives_word(found.good)} called good" + (
        f" and {found.bad} that should sound" if bad else ""
    )
    heads = f"{sweep.unit or 'value':>12}{'alarms':>9}{'drives':>8}{'standing':>11}"
    yield heads + (f"{'caught':>9}" if bad else "")
    most = max((r.alarms for r in found.rows), default=0)
    for row in found.rows:
        bar = "█" * round(_BAR * row.alarms / most) if most else ""
        mark = _mark(row.value, sweep.now, found.suggested)
        cells = f"{spelt(row.value, 4):>12}{row.alarms:>9}{row.drives:>8}{_seconds(row.seconds):>11}"
        yield f"{cells}{f'{row.caught:>9}' if bad else ''}  {bar}{mark}".rstrip()
    yield _suggestion(found)


def _mark(value: float, now: float, suggested: float | None) -> str:
    marks = [w for w, here in (("now", value == now), ("tightest without an alarm", value == suggested)) if here]
    return f"  <- {', '.join(marks)}" if marks else ""


def _suggestion(found: SweepResult) -> str:
    if not found.good:
        return "No drive that is called good has this rule, so nothing can be suggested."
    unit = found.sweep.unit
    if found.suggested is None:
        return "Even the loosest of these values would have sounded on a good drive: look at those drives first."
    edge = " (the tightest tried: --range goes further)" if found.at_edge else ""
    caught = next((r.caught for r in found.rows if r.value == found.suggested), 0)
    bad = f" It would have caught {caught} of {_drives_word(found.bad)} that should sound." if found.bad else ""
    return (
        f"Tightest value that is silent on every good drive: {spelt(found.suggested, 4)} {unit}".rstrip()
        + f"{edge}.{bad}"
    )


def suggestion_lines(sweeps: Sequence[SweepResult]) -> Iterator[str]:
    """Many sweeps, a line for each: the rule's limit, its alarms, and the tightest limit silent on good drives."""
    yield "Limits: the rule's own with its alarms, and the tightest that is silent on every good drive"
    width = max(len(f.sweep.rule) for f in sweeps)
    yield f"  {'':{width}}{'now':>15}{'alarms':>8}{'tightest':>18}"
    for found in sweeps:
        sweep = found.sweep
        plus = "+" if sweep.added else ""
        tightest = "none of these" if found.suggested is None else f"{plus}{spelt(found.suggested, 4)} {sweep.unit}"
        edge = " or beyond" if found.at_edge else ""
        now = f"{plus}{spelt(sweep.now, 4)} {sweep.unit}"
        yield (
            f"  {sweep.rule:<{width}}{now:>15}{found.now.alarms:>8}{tightest:>18}{edge:<10}"
            f"  {shortened(sweep.comparison)}"
        )


def _sweeps(totals: Totals) -> Iterator[str]:
    if len(totals.sweeps) > _MOST_TABLES:
        yield ""
        yield from suggestion_lines(totals.sweeps)
    else:
        for found in totals.sweeps:
            yield ""
            yield from sweep_lines(found)
    if totals.sweeps:
        yield "What drives have borne is no proof of what the engine bears."


def all_lines(totals: Totals) -> Iterator[str]:
    """The whole report."""
    yield from backtest_lines(totals)
    yield from _sweeps(totals)
    yield ""
    yield SAFETY


__all__ = ["DriveResult", "all_lines", "fault_lines"]
