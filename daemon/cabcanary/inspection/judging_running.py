"""What each step with the engine running comes to: idle, blip, brake servo, outputs, a gentle pull and a lift."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary.inspection.evidence import Evidence, Finding
from cabcanary.inspection.idle_signs import judge_signature
from cabcanary.inspection.judging import AIR_LAMBDA, impossible, skipped, verdict, volts
from cabcanary.inspection.seeing import at_an_end, lag_s, last_part, level, quick_share, spread, swing, wire_state
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary.inspection.roles import Moment

#: A warm engine idles between these, kPa absolute (common practice); and within so much of what it idled at before.
_IDLE_KPA, _AS_BEFORE_KPA = (18.0, 46.0), 6.0
#: Above this share of that band an engine may idle, and few do: no failure, and a sign where something else has failed.
_USUAL_SHARE = 0.8
#: Of the air's pressure less than this is missing: no vacuum reaches the sensor.
_NO_VACUUM_KPA = 8.0
#: No engine idles so slowly.
_STANDS_RPM = 100.0
#: The engine's own sensor and ours, kPa: whole kPa, and the error of both.
_WITNESS_KPA = 5.0
#: An error at idle over that with the engine standing: the same, within what both sensors are unsure of.
_SAME_ERROR = (0.65, 1.35)
#: A closed loop holds idle at lambda 1; a wideband and its place differ by some hundredths (common practice).
_IDLE_LAMBDA = (0.92, 1.08)
#: Both trims of a warm engine together: beyond this the closed loop is hiding something (common practice), percent.
_TRIM_PERCENT = 10.0
#: A vehicle of 12 V charges between these (common practice).
_CHARGE_V = (13.0, 15.2)
#: A blip moves a manifold by more than this, kPa; a living mixture moves by more than this, lambda.
_MOVES_KPA, _MOVES_LAMBDA = 8.0, 0.015
#: A free line of a metre is late by some 0.02 s; what is slower than this hides a moment of boost.
_LAG_S, _QUICK_SHARE, _FULL_SWING = 0.4, 0.5, 0.7
_BOOST_KPA, _RICH_LAMBDA = 3.0, 0.95
#: Without a compressor an open throttle still brings the manifold to this share of the air's pressure.
_OPEN_SHARE = 0.8


def judge_idle(e: Evidence, moments: Sequence[Moment]) -> list[Finding]:
    """Step 5: idle vacuum, the engine's own sensor, mixture, supply."""
    if not moments:
        return [skipped("idle pressure"), skipped("supply at idle")]
    if _stood(e, moments):
        return [skipped("idle pressure", "the engine stood: run it, and inspect again")]
    late = last_part(moments, 0.5)
    found = [
        _idle_pressure(e, late),
        *_witness(e, late),
        _idle_mixture(e, late),
        _idle_trims(e, late),
        *judge_signature(e, late),
        _charging(e, late),
    ]
    steady = e.yes("idle_steady")
    if steady is None:
        return [*found, skipped("idle by ear", "steady, as before, no hiss")]
    e.observed["idle_sounds"] = "as before" if steady else "not as before"
    figure = "as before" if steady else "another speed, unsteady, or a hiss"
    return [*found, Finding("idle by ear", figure, "steady, as before, no hiss", verdict(good=steady))]


def _stood(e: Evidence, moments: Sequence[Moment]) -> bool:
    """Whether the engine was not run: its speed says so, and the manifold does not deny it."""
    speed = level(e.roles.engine_speed.series(moments)) if e.roles.engine_speed else None
    pressure = level(e.roles.pressure.series(moments, e.air_kpa)) if e.roles.pressure else None
    if speed is None or speed > _STANDS_RPM:
        return False
    return pressure is None or abs(pressure - e.air_kpa) < _NO_VACUUM_KPA


def _idle_pressure(e: Evidence, moments: Sequence[Moment]) -> Finding:
    what, role = "idle pressure", e.roles.pressure
    if role is None:
        return impossible(what, "no pressure channel")
    before = e.roles.idle_before
    if before is None:
        (low, high), source = _IDLE_KPA, "a warm engine's usual values"
    else:
        within = max(_AS_BEFORE_KPA, before[1]) + e.roles.idle_unsure
        low, high, source = before[0] - within, before[0] + within, "the stage before"
    limit = f"{spelt(low, 3)} to {spelt(high, 3)} kPa ({source})"
    shown = level(role.series(moments, e.air_kpa))
    if shown is None or wire_state(moments, role) != "inside":
        e.figures.pop("idle", None)
        # Of a wire that was well with the key on: the sensor has come to its end.
        if e.observed.get("map_wire") == "inside":
            e.observed["idle"] = "beyond the wire's end"
        return Finding(what, "no number", limit, "fail")
    e.figures["idle"] = shown
    if e.observed.get("map_wire", "inside") == "inside":
        e.observed["idle"] = _idle_word(shown, low, high, e.air_kpa)
    return Finding(what, f"{spelt(shown, 3)} kPa", limit, verdict(good=low <= shown <= high))


def _idle_word(shown: float, low: float, high: float, air_kpa: float) -> str:
    if low <= shown <= high:
        return "as it should" if shown <= low + _USUAL_SHARE * (high - low) else "rather high"
    if shown > air_kpa + _NO_VACUUM_KPA:
        return "above the air"
    if shown > air_kpa - _NO_VACUUM_KPA:
        return "at the air"
    return "high" if shown > high else "low"


def _witness(e: Evidence, moments: Sequence[Moment]) -> list[Finding]:
    what, limit = "against the engine's own sensor at idle", f"within {spelt(_WITNESS_KPA)} kPa"
    if e.roles.witness is None or e.roles.pressure is None:
        return [impossible(what, "the engine computer tells no pressure")]
    own, other = e.figures.get("idle"), level(e.roles.witness.series(moments))
    if own is None or other is None:
        return [skipped(what, limit)]
    off = own - other
    within = _WITNESS_KPA + e.roles.pressure.band
    if e.observed.get("map_wire", "inside") == "inside":
        if not at_an_end(moments, e.roles.pressure):
            _error_shape(e, off)
        e.observed["witness"] = "agrees" if abs(off) <= within else "ours is higher" if off > 0 else "ours is lower"
    limit = f"within {spelt(within, 3)} kPa"
    return [Finding(what, f"{spelt(off, 3, '+')} kPa", limit, verdict(good=abs(off) <= within))]


def _error_shape(e: Evidence, off_kpa: float) -> None:
    """Whether an error with the engine standing is the same at idle: a voltage is added, or the slope is another's."""
    standing = e.figures.get("standing_off")
    if standing is None or e.observed.get("standing") in (None, "equal") or abs(standing) < 2 * _WITNESS_KPA:
        return
    same = _SAME_ERROR[0] <= off_kpa / standing <= _SAME_ERROR[1]
    e.observed["error_shape"] = "same at idle" if same else "another at idle"


def _idle_mixture(e: Evidence, moments: Sequence[Moment]) -> Finding:
    what, role = "mixture at idle", e.roles.mixture
    limit = f"lambda {spelt(_IDLE_LAMBDA[0])} to {spelt(_IDLE_LAMBDA[1])}, warm and in closed loop"
    if role is None:
        return impossible(what, "no wideband")
    shown = level(role.series(moments))
    if shown is None:
        return Finding(what, "no number", limit, "fail")
    if e.observed.get("warm_up") == "free air" or e.observed.get("mixture_wire") == "inside":
        word = "lean" if shown > _IDLE_LAMBDA[1] else "rich" if shown < _IDLE_LAMBDA[0] else "near 1"
        e.observed["idle_mixture"] = "free air" if shown >= AIR_LAMBDA + 0.1 else word
    good = _IDLE_LAMBDA[0] <= shown <= _IDLE_LAMBDA[1]
    return Finding(what, f"lambda {spelt(shown, 3)}", limit, verdict(good=good))


def _idle_trims(e: Evidence, moments: Sequence[Moment]) -> Finding:
    """What the closed loop adds or takes: an exhaust leak ahead of the engine's own sensor shows in nothing else."""
    what, limit = "fuel trims at idle", f"within {spelt(_TRIM_PERCENT)} %"
    roles = [r for r in (e.roles.short_trim, e.roles.long_trim) if r is not None]
    if not roles:
        return impossible(what, "the engine computer tells no trims")
    shown = [level(r.series(moments)) for r in roles]
    if any(s is None for s in shown):
        return Finding(what, "no number", limit, "fail")
    total = sum(s for s in shown if s is not None)
    e.observed["idle_trims"] = "adds" if total > _TRIM_PERCENT else "takes" if total < -_TRIM_PERCENT else "small"
    return Finding(what, f"{spelt(total, 2, '+')} %", limit, verdict(good=abs(total) <= _TRIM_PERCENT))


def _charging(e: Evidence, moments: Sequence[Moment]) -> Finding:
    what, limit = "supply at idle", f"{spelt(_CHARGE_V[0])} to {spelt(_CHARGE_V[1])} V (common practice)"
    if e.roles.supply is None:
        return impossible(what, "no supply channel")
    shown = level(e.roles.supply.series(moments))
    if shown is None:
        return Finding(what, "no number", limit, "fail")
    low, high = _CHARGE_V
    # A divider or a ground that is off moves it too: those have been seen with the key on.
    if e.observed.get("supply_reads", "as typed") == "as typed":
        e.observed["charging"] = "low" if shown < low else "high" if shown > high else "charges"
    return Finding(what, volts(shown), limit, verdict(good=low <= shown <= high))


def judge_blip(e: Evidence, moments: Sequence[Moment]) -> list[Finding]:
    """Step 6: how late the pressure is, and whether the mixture moves."""
    if not moments:
        return [skipped("lag of the pressure line"), skipped("mixture in the blips")]
    if _stood(e, moments):
        return [skipped("blips", "the engine stood: run it, and inspect again")]
    return [_line(e, moments), _alive(e, moments)]


def _line(e: Evidence, moments: Sequence[Moment]) -> Finding:
    what, role = "lag of the pressure line", e.roles.pressure
    if role is None:
        return impossible(what, "no pressure channel")
    series = role.series(moments, e.air_kpa)
    if not series or wire_state(moments, role) != "inside":
        return Finding(what, "no number", f"at most {spelt(_LAG_S)} s", "fail")
    moved = swing(series)
    if spread(series) < _MOVES_KPA / 2 and moved < _MOVES_KPA:
        word, figure, limit = "still", f"moved by {spelt(moved, 2)} kPa", f"moves by {spelt(_MOVES_KPA)} kPa"
    else:
        word, figure, limit = _lag(e, moments, series)
    if e.observed.get("map_wire", "inside") == "inside":
        e.observed["blip"] = word
    return Finding(what, figure, limit, verdict(good=word == "quick"))


def _lag(e: Evidence, moments: Sequence[Moment], series: list[tuple[float, float]]) -> tuple[str, str, str]:
    """Against the engine's own sensor, else the throttle; and by its own steepness, which needs nobody."""
    share = quick_share(series)
    reference = e.roles.witness or e.roles.throttle
    other = reference.series(moments) if reference else []
    late = lag_s(series, other) if swing(other) > 0 else None
    if late is None or reference is None:
        figure = f"{spelt(100 * share, 2)} % of its swing within 0.3 s"
        return ("quick" if share >= _QUICK_SHARE else "slow"), figure, f"at least {spelt(100 * _QUICK_SHARE)} %"
    full = e.roles.witness is None or swing(series) >= _FULL_SWING * swing(other)
    good = late <= _LAG_S and (full or share >= _QUICK_SHARE) and share >= _QUICK_SHARE / 2
    figure = f"{spelt(late, 2)} s behind {reference.name}, {spelt(100 * share, 2)} % of its swing within 0.3 s"
    return ("quick" if good else "slow"), figure, f"at most {spelt(_LAG_S)} s"


def _alive(e: Evidence, moments: Sequence[Moment]) -> Finding:
    what, role = "mixture in the blips", e.roles.mixture
    limit = f"moves by lambda {spelt(_MOVES_LAMBDA)}"
    if role is None:
        return impossible(what, "no wideband")
    series = role.series(moments)
    if not series:
        return Finding(what, "no number", limit, "fail")
    moved = spread(series)
    if e.observed.get("mixture_wire") == "inside":
        e.observed["mixture_moves"] = "moves" if moved > _MOVES_LAMBDA else "still"
    return Finding(what, f"moved by lambda {spelt(moved, 2)}", limit, verdict(good=moved > _MOVES_LAMBDA))


def judge_servo(e: Evidence, _: Sequence[Moment]) -> list[Finding]:
    """Step 7: the brake servo, whose line was teed."""
    return [_asked(e, "pedal", "servo", "brake pedal", "firm, then falls at the start")]


def judge_outputs(e: Evidence, _: Sequence[Moment]) -> list[Finding]:
    """Step 8: heard and seen by a person."""
    found = []
    for key, fitted, what in (("buzzer", e.roles.buzzer, "buzzer"), ("lamp", e.roles.lamp, "lamp")):
        limit = "heard" if key == "buzzer" else "seen"
        found.append(_asked(e, key, key, what, limit) if fitted else impossible(what, "none in the settings"))
    return found


def _asked(e: Evidence, key: str, observed: str, what: str, limit: str) -> Finding:
    answer = e.yes(key)
    if answer is None:
        return skipped(what, limit)
    e.observed[observed] = "yes" if answer else "no"
    return Finding(what, "yes" if answer else "no", limit, verdict(good=answer))


def judge_drive(e: Evidence, moments: Sequence[Moment]) -> list[Finding]:
    """Step 9: boost rises, the mixture goes rich, the overrun goes lean."""
    if not moments:
        return [skipped("boost in the pull"), skipped("mixture in the pull"), skipped("overrun")]
    return [_pull(e, moments), _rich(e, moments), _overrun(e, moments)]


def _pull(e: Evidence, moments: Sequence[Moment]) -> Finding:
    role = e.roles.pressure
    if role is None:
        return impossible("boost in the pull", "no pressure channel")
    series = role.series(moments, e.air_kpa)
    if not series:
        return Finding("boost in the pull", "no number", "", "fail")
    highest = max(n for _, n in series)
    e.figures["highest"] = highest
    wanted = e.air_kpa + _BOOST_KPA if e.roles.boosted else _OPEN_SHARE * e.air_kpa
    e.observed["pull"] = "rises" if highest >= wanted else "stays"
    what = "boost in the pull" if e.roles.boosted else "pressure in the pull"
    return Finding(
        what, f"{spelt(highest, 4)} kPa", f"at least {spelt(wanted, 4)} kPa", verdict(good=highest >= wanted)
    )


def _rich(e: Evidence, moments: Sequence[Moment]) -> Finding:
    what, pressure, mixture = "mixture in the pull", e.roles.pressure, e.roles.mixture
    if mixture is None or pressure is None:
        return impossible(what, "no wideband or no pressure")
    if e.figures.get("highest", 0.0) < e.air_kpa + _BOOST_KPA:
        return impossible(what, "no boost in this drive, and without it nobody need go rich")
    loaded = [m for m in moments if (pressure.number(m.values.get(pressure.name), e.air_kpa) or 0.0) > e.air_kpa]
    shown = level(mixture.series(last_part(loaded, 0.7)))
    if shown is None:
        return Finding(what, "no number", f"lambda at most {spelt(_RICH_LAMBDA)}", "fail")
    e.observed["pull_mixture"] = "rich" if shown <= _RICH_LAMBDA else "not rich"
    limit = f"lambda at most {spelt(_RICH_LAMBDA)} (an example; your tuner's figure counts)"
    return Finding(what, f"lambda {spelt(shown, 3)}", limit, verdict(good=shown <= _RICH_LAMBDA))


def _overrun(e: Evidence, moments: Sequence[Moment]) -> Finding:
    what, role = "overrun", e.roles.mixture
    limit = f"lambda {spelt(AIR_LAMBDA)} or more after the lift"
    if role is None:
        return impossible(what, "no wideband")
    series = role.series(moments)
    if not series:
        return Finding(what, "no number", limit, "fail")
    leanest = max(n for _, n in series)
    e.observed["overrun"] = "lean" if leanest >= AIR_LAMBDA else "not lean"
    return Finding(what, f"lambda {spelt(leanest, 3)}", limit, verdict(good=leanest >= AIR_LAMBDA))
