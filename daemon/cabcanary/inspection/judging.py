"""What each parked step's measurements come to: findings with their limits, and observations for the causes.

Limits here are those of a wiring check, not of an engine: common practice where no other source stands beside them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary.inspection.evidence import Evidence, Finding
from cabcanary.inspection.seeing import last_part, level, wire_state
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from cabcanary.inspection.evidence import Verdict
    from cabcanary.inspection.roles import Moment, Role

#: Volts left on a feed that counts as dead, and of which a wideband runs.
_DEAD_V, _RUNS_V = 1.0, 6.0
#: Most that a feed may lose under load, and a ground (common practice, no standard).
FEED_DROP_V, GROUND_DROP_V = 0.5, 0.1
#: A supply channel agrees with a meter within this; below a tenth of the battery the divider is not the cause.
_SUPPLY_V, _A_LITTLE_V = 0.3, 1.2
#: Air pressure on roads: from 400 m below the sea to 3000 m above it (US Standard Atmosphere 1976: 106 to 70 kPa).
ROADS_KPA = (70.0, 106.0)
#: How well a typed barometer and the bus's are known, kPa: weather on the way from the station; whole kPa.
_TYPED_KPA, _BUS_KPA = 1.5, 3.0
#: What a sensor against the air shows, and what an absolute one never does, kPa.
_NOTHING_KPA = 40.0
_LITTLE_KPA = 45.0
#: In free air a wideband shows at least this, or its lean end.
AIR_LAMBDA = 1.2
#: A sensor's own 5 V within a tenth; a signal within its ends (ratiometric sensors: 5 to 95 % of 5 V, common practice).
_PLUG_V, _SIGNAL_V = (4.5, 5.5), (0.25, 4.75)
_SENSOR_GROUND_V = 0.05


def volts(number: float) -> str:
    """A voltage for a person."""
    return f"{spelt(number, 3)} V"


def skipped(what: str, limit: str = "") -> Finding:
    """Nobody said or looked."""
    return Finding(what, "not measured", limit, "skipped")


def impossible(what: str, why: str) -> Finding:
    """The vehicle cannot show it."""
    return Finding(what, why, "", "not possible here")


def verdict(*, good: bool) -> Verdict:
    """Pass or fail."""
    return "pass" if good else "fail"


def judge_key_off(e: Evidence, _: Sequence[Moment]) -> list[Finding]:
    """Step 1: the feed is dead with the key off."""
    what, limit = "feed with the key off", f"below {volts(_DEAD_V)}"
    live = e.number("feed_key_off")
    if live is None:
        return [skipped(what, limit)]
    e.observed["feed_key_off"] = "dead" if live < _DEAD_V else "live"
    return [Finding(what, volts(live), limit, verdict(good=live < _DEAD_V))]


def judge_load(e: Evidence, _: Sequence[Moment]) -> list[Finding]:
    """Step 2: what feed and ground lose under load."""
    found = []
    battery, feed, ground = e.number("battery"), e.number("feed"), e.number("ground")
    limit = f"at most {volts(FEED_DROP_V)} (common practice)"
    if battery is None or feed is None:
        found.append(skipped("drop on the feed", limit))
    else:
        drop = battery - feed
        e.observed["feed_drop"] = "none left" if feed < _RUNS_V else "large" if drop > FEED_DROP_V else "small"
        found.append(Finding("drop on the feed", volts(drop), limit, verdict(good=e.observed["feed_drop"] == "small")))
    limit = f"at most {volts(GROUND_DROP_V)} (common practice)"
    if ground is None:
        found.append(skipped("drop in the ground", limit))
    else:
        e.observed["ground_drop"] = "small" if abs(ground) <= GROUND_DROP_V else "large"
        good = e.observed["ground_drop"] == "small"
        found.append(Finding("drop in the ground", volts(abs(ground)), limit, verdict(good=good)))
    return found


def judge_rails(e: Evidence, moments: Sequence[Moment]) -> list[Finding]:
    """Step 3: each wire within its rails, the key on."""
    roles, found = e.roles, []
    if not moments:
        return [skipped("wires")]
    for name, role in (("map_wire", roles.pressure), ("mixture_wire", roles.mixture), ("supply_wire", roles.supply)):
        if role is not None:
            # A wideband needs its time: what it gives at last is its wire's state.
            state = wire_state(last_part(moments, 0.3) if name == "mixture_wire" else moments, role)
            e.observed[name] = state
            found.append(_wire(role, state))
    found += [_wire(role, wire_state(moments, role)) for role in roles.others]
    return [*found, *_supply(e, moments)]


def _wire(role: Role, state: str) -> Finding:
    limit = "a reading" if role.rails is None else f"{spelt(role.rails[0])} to {spelt(role.rails[1])}"
    return Finding(f"wire of {role.name}", state, limit, verdict(good=state == "inside"))


def _supply(e: Evidence, moments: Sequence[Moment]) -> list[Finding]:
    what, limit = "supply against the meter", f"within {volts(_SUPPLY_V)}"
    battery = e.number("battery")
    if e.roles.supply is None:
        return [impossible(what, "no supply channel")]
    shown = level(e.roles.supply.series(moments))
    if battery is None or shown is None:
        return [skipped(what, limit)]
    off = shown - battery
    e.observed["supply_reads"] = (
        "as typed" if abs(off) <= _SUPPLY_V else "a little low" if -_A_LITTLE_V <= off < 0 else "by a factor"
    )
    return [Finding(what, f"{volts(shown)} for {volts(battery)}", limit, verdict(good=abs(off) <= _SUPPLY_V))]


def judge_sensors(e: Evidence, moments: Sequence[Moment]) -> list[Finding]:
    """Step 4: pressure equals the air's, the wideband heats and then sees free air."""
    if not moments:
        return [skipped("manifold against the air"), skipped("wideband's warm-up")]
    return [_standing(e, moments), _warm_up(e, moments)]


def _air(e: Evidence, moments: Sequence[Moment]) -> tuple[float, float, str] | None:
    """The air's pressure, its band and where it comes from; None: only what roads have."""
    typed = e.number("barometer")
    if typed is not None:
        return typed, _TYPED_KPA, "typed"
    bus = level(e.roles.barometer.series(moments)) if e.roles.barometer else None
    return None if bus is None else (bus, _BUS_KPA, "the engine computer's")


def _standing(e: Evidence, moments: Sequence[Moment]) -> Finding:
    what, role = "manifold against the air, engine off", e.roles.pressure
    if role is None:
        return impossible(what, "no pressure channel")
    air = _air(e, moments)
    if air is not None:
        e.figures["air"] = air[0]
    shown = level(role.series(moments, e.air_kpa))
    if shown is None or e.observed.get("map_wire", "inside") != "inside":
        return Finding(what, "no number", "the air's pressure", "fail")
    low, high = ROADS_KPA if air is None else (air[0] - air[1] - role.band, air[0] + air[1] + role.band)
    e.figures["standing_off"] = shown - (air[0] if air else min(max(shown, low), high))
    e.figures.setdefault("air", shown if low <= shown <= high else 101.3)
    e.observed["standing"] = _standing_word(shown, low, high)
    source = "of roads" if air is None else air[2]
    limit = f"{spelt(low, 4)} to {spelt(high, 4)} kPa ({source}, with the sensor's band)"
    return Finding(what, f"{spelt(shown, 4)} kPa", limit, verdict(good=low <= shown <= high))


def _standing_word(shown: float, low: float, high: float) -> str:
    if low <= shown <= high:
        return "equal"
    if shown < _NOTHING_KPA:
        return "near nothing"
    if shown < low:
        return "a little low" if low - shown < _LITTLE_KPA else "far low"
    return "a little high" if shown - high < _LITTLE_KPA else "far high"


def _warm_up(e: Evidence, moments: Sequence[Moment]) -> Finding:
    what, role = "wideband: heats, then free air", e.roles.mixture
    limit = f"warming, then lambda {spelt(AIR_LAMBDA)} or its lean end"
    if role is None:
        return impossible(what, "no wideband")
    told = [m.values[role.name] for m in last_part(moments, 0.2) if role.name in m.values]
    numbers = [n for n in (role.number(t, e.air_kpa) for t in told) if n is not None]
    cold = sum(t.quality == "warming" for t in told)
    if told and cold > len(told) / 2:
        word, figure = "stays cold", "still warming"
    elif not numbers:
        word, figure = "blind", "no number"
    else:
        middle = sorted(numbers)[len(numbers) // 2]
        e.figures["key_on_lambda"] = middle
        air = middle >= AIR_LAMBDA or sum(t.quality == "saturated high" for t in told) > len(told) / 2
        word, figure = ("free air" if air else "no air"), f"lambda {spelt(middle, 3)}"
    e.observed["warm_up"] = word
    return Finding(what, figure, limit, verdict(good=word == "free air"))


def note_next(e: Evidence, asked: Collection[str]) -> None:
    """Observations from those of the next measurements that were asked for and made."""
    made = Evidence(e.roles, {key: answer for key, answer in e.answers.items() if key in asked})
    five, signal = made.number("plug_5v"), made.number("plug_signal")
    lifted, unit, lives = made.number("sensor_ground"), made.number("unit_signal"), made.yes("unit_lives")
    if five is not None:
        e.observed["plug_5v"] = "good" if _PLUG_V[0] <= five <= _PLUG_V[1] else "missing"
    if signal is not None:
        low, high = _SIGNAL_V
        e.observed["plug_signal"] = "at ground" if signal < low else "at supply" if signal > high else "live"
    if lifted is not None:
        e.observed["sensor_ground"] = "small" if abs(lifted) <= _SENSOR_GROUND_V else "large"
    if unit is not None:
        e.observed["unit_signal"] = "live" if unit > _SIGNAL_V[0] else "at ground"
    if lives is not None:
        e.observed["unit_lives"] = "yes" if lives else "no"
