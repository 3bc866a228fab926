"""What an install can suffer from, and how likely each observation is with it: the only table of the ranking.

Figures are judgement (common practice of fault finding, no statistics): what matters is their order. What a cause says
nothing about is as on a healthy vehicle (`HEALTHY`). Of each observation the words not named share what is left.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

#: Observation -> all its words, the healthy one first.
WORDS: Mapping[str, tuple[str, ...]] = {
    "feed_key_off": ("dead", "live"),
    "feed_drop": ("small", "large", "none left"),
    "ground_drop": ("small", "large"),
    "map_wire": ("inside", "at ground", "at supply", "changes", "silent"),
    "mixture_wire": ("inside", "at ground", "at supply", "changes", "silent"),
    "supply_wire": ("inside", "at ground", "at supply", "changes", "silent"),
    "supply_reads": ("as typed", "a little low", "by a factor"),
    "standing": ("equal", "a little low", "far low", "near nothing", "a little high", "far high"),
    "warm_up": ("free air", "no air", "stays cold", "blind"),
    "idle": ("as it should", "rather high", "high", "at the air", "above the air", "low", "beyond the wire's end"),
    "idle_sounds": ("as before", "not as before"),
    "witness": ("agrees", "ours is higher", "ours is lower"),
    "error_shape": ("same at idle", "another at idle"),
    "idle_mixture": ("near 1", "lean", "rich", "free air"),
    "idle_trims": ("small", "adds", "takes"),
    "charging": ("charges", "low", "high"),
    "blip": ("quick", "slow", "still"),
    "mixture_moves": ("moves", "still"),
    "servo": ("yes", "no"),
    "buzzer": ("yes", "no"),
    "lamp": ("yes", "no"),
    "pull": ("rises", "stays"),
    "pull_mixture": ("rich", "not rich"),
    "overrun": ("lean", "not lean"),
    "plug_5v": ("good", "missing"),
    "plug_signal": ("live", "at ground", "at supply"),
    "sensor_ground": ("small", "large"),
    "unit_signal": ("live", "at ground"),
    "unit_lives": ("yes", "no"),
}
#: How often a part that is well shows its healthy word: a slip in measuring, a cold engine, a noisy street.
HEALTHY = 0.96

Likely = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Cause:
    """`words` for a person; `prior` relative to the others; `shows` observation -> word -> how likely; `next` is the
    measurement that tells it from those like it."""

    key: str
    words: str
    next: str
    prior: float
    shows: Mapping[str, Likely]
    #: What the vehicle must have: supply (a channel), voltage or text (how the wideband tells), lamp, boost, trims.
    needs: str = ""


CAUSES: tuple[Cause, ...] = (
    # --- feed and ground -------------------------------------------------------------------------------------------
    Cause(
        "no_feed",
        "no feed at the wideband: fuse, plug or wire",
        "measure on both sides of its fuse, then at each plug towards the unit",
        1.0,
        {
            "feed_drop": {"none left": 0.97, "large": 0.02},  # a meter at the unit shows nothing; corrosion a little
            "mixture_wire": {"at ground": 0.6, "silent": 0.38},  # a voltage output falls to 0 V, a line says nothing
            "warm_up": {"blind": 0.95},  # no current, no heat
            "unit_signal": {"at ground": 0.97},
            "unit_lives": {"no": 0.97},
        },
    ),
    Cause(
        "feed_live",
        "the feed is live with the key off: tapped before the ignition switch",
        "pull fuses one by one until the meter falls, and tap one that is dead with the key off",
        1.0,
        {"feed_key_off": {"live": 0.97}},  # the only thing that it shows while the battery lasts
    ),
    Cause(
        "feed_resistance",
        "a high resistance in the feed: thin wire, corroded plug, poor tap",
        "move the red lead from the battery towards the unit: the drop appears across the bad joint",
        0.8,
        {
            "feed_drop": {"large": 0.95},
            "warm_up": {"free air": 0.75, "stays cold": 0.2},  # a heater with too little voltage may never get warm
        },
    ),
    Cause(
        "converter_ground",
        "a high resistance in the converter's ground: everything reads too low",
        "with the load on, from the battery's negative to the converter's ground, joint by joint",
        0.8,
        {
            "ground_drop": {"large": 0.95},
            "standing": {
                "a little low": 0.85,
                "equal": 0.1,
            },  # 0.1 V of a 4 V span is some kPa: it may hide in the band
            "supply_reads": {"a little low": 0.75, "as typed": 0.2},  # the divider takes part of it, by its ratio
            "witness": {"ours is lower": 0.7, "agrees": 0.28},
            "error_shape": {"same at idle": 0.85},  # taken from all of its range
            "idle": {"low": 0.4, "as it should": 0.5, "beyond the wire's end": 0.08},
            "idle_mixture": {"rich": 0.5, "near 1": 0.48},  # the wideband's volts are too low as well
        },
    ),
    # --- the pressure sensor's wires -------------------------------------------------------------------------------
    Cause(
        "sensor_ground",
        "the pressure sensor's ground is lifted: it reads too high",
        "from the sensor's ground pin to the converter's ground, and bring both to one point",
        0.8,
        {
            "sensor_ground": {"large": 0.97},
            "standing": {"a little high": 0.9, "equal": 0.06},
            "idle": {"high": 0.6, "as it should": 0.38},
            "witness": {"ours is higher": 0.9},
            "error_shape": {"same at idle": 0.93},  # a voltage is added to all of its range
        },
    ),
    Cause(
        "sensor_ground_open",
        "the pressure sensor's ground is open: its signal rises to its supply",
        "from the sensor's ground pin to the converter's ground; whole volts there mean an open wire",
        0.4,
        {
            "sensor_ground": {"large": 0.97},
            "map_wire": {"at supply": 0.95},
            "plug_signal": {"live": 0.5, "at supply": 0.45},
        },
    ),
    Cause(
        "map_open",
        "the pressure sensor's signal wire is open",
        "volts at the sensor's signal pin against volts at the converter: well there, nothing here",
        0.9,
        # An input without a pull-up falls or floats, one with rises.
        {"map_wire": {"at ground": 0.75, "at supply": 0.17, "silent": 0.02}, "plug_signal": {"live": 0.96}},
    ),
    Cause(
        "map_to_ground",
        "the pressure sensor's signal wire is shorted to ground",
        "unplug the sensor: ohms from the signal wire to ground must be many thousand",
        0.6,
        {"map_wire": {"at ground": 0.97}, "plug_signal": {"at ground": 0.95}},  # 5 V stands beside it, and no signal
    ),
    Cause(
        "map_to_5v",
        "the pressure sensor's signal wire is shorted to 5 V",
        "unplug the sensor: the signal wire must not stay at 5 V",
        0.6,
        {"map_wire": {"at supply": 0.97}, "plug_signal": {"at supply": 0.95}},
    ),
    Cause(
        "no_5v",
        "the 5 V are missing at the pressure sensor",
        "volts at the sensor's supply pin, then back along the wire to the 5 V supply",
        0.8,
        {"plug_5v": {"missing": 0.97}, "map_wire": {"at ground": 0.93}, "plug_signal": {"at ground": 0.95}},
    ),
    Cause(
        "gauge_sensor",
        "the pressure sensor is one against the air, and the settings take it for absolute",
        "read its type on its body: with the engine off one against the air gives its zero, about 0.5 V",
        0.6,
        {
            "standing": {"near nothing": 0.93, "far low": 0.05},  # it shows the difference to the air: none
            "idle": {"beyond the wire's end": 0.45, "low": 0.5},  # below its zero it has no voltage
            "witness": {"ours is lower": 0.95},
            "error_shape": {"another at idle": 0.9},
            "blip": {"still": 0.55, "quick": 0.35},  # it cannot follow below its zero
        },
    ),
    Cause(
        "wrong_range",
        "the pressure sensor has another range than its curve in the settings",
        "compare the number on its body with its data sheet's two points, and those with the settings",
        0.6,
        {
            # The air lies in the middle of most ranges: off by a fifth to a half.
            "standing": {"a little low": 0.4, "a little high": 0.35, "far low": 0.12, "far high": 0.12},
            "witness": {"ours is lower": 0.35, "ours is higher": 0.3, "agrees": 0.35},  # by much less than at rest
            "idle": {"low": 0.25, "high": 0.25, "as it should": 0.5},
            "error_shape": {"another at idle": 0.85},  # a slope is wrong: least at the low end
        },
    ),
    Cause(
        "swapped",
        "the wires of pressure and wideband are swapped",
        "pull the wideband's signal plug: the pressure must not move",
        0.5,
        {
            # The pressure's channel sees the wideband: 0 V cold, its lean end in air; and the other way about.
            "map_wire": {"changes": 0.6, "at supply": 0.2, "at ground": 0.1, "inside": 0.1},
            "standing": {"far high": 0.6, "near nothing": 0.2, "a little high": 0.1},
            "warm_up": {"no air": 0.93},  # a voltage that never warmed up, at what the air's pressure gives
            "idle": {"above the air": 0.6, "high": 0.2, "at the air": 0.1},
            "plug_signal": {"live": 0.95},
            "idle_mixture": {"rich": 0.8, "near 1": 0.1},
        },
        needs="voltage",
    ),
    # --- the pressure line -----------------------------------------------------------------------------------------
    Cause(
        "line_off",
        "the pressure line is off its port or off the sensor",
        "look at both ends; at idle a finger on the port feels the vacuum",
        1.0,
        {
            "idle": {"at the air": 0.96},  # the sensor breathes the air of the engine bay
            "witness": {"ours is higher": 0.97},
            "blip": {"still": 0.93},
            "idle_sounds": {"not as before": 0.7, "as before": 0.3},  # an open port hisses; off the sensor it does too
        },
    ),
    Cause(
        "line_kinked",
        "the pressure line is kinked, pinched or blocked",
        "blow through it, the sensor unplugged; look at it where it bends and where it is clamped",
        0.8,
        {"blip": {"slow": 0.9, "still": 0.08}, "witness": {"agrees": 0.9}},  # at idle it has had its time
    ),
    Cause(
        "line_leaks",
        "the pressure line leaks between the tee and the sensor",
        "at idle, pinch the line at the tee: the engine does not change, and the reading rises to the air's",
        0.8,
        {
            "idle": {
                "high": 0.84,
                "rather high": 0.06,
                "at the air": 0.06,
            },  # what leaks in lifts the sensor's end, not the manifold
            "witness": {"ours is higher": 0.95},
            "idle_sounds": {"as before": 0.8, "not as before": 0.2},  # a thin line feeds the engine little
        },
    ),
    Cause(
        "vacuum_leak",
        "air leaks into the manifold at the tee",
        "at idle, pinch the hose on each side of the tee: idle changes where the leak is",
        1.0,
        {
            "idle": {"high": 0.78, "rather high": 0.12, "as it should": 0.06},
            "witness": {"agrees": 0.95},  # both sensors see a manifold that is fuller
            "idle_sounds": {"not as before": 0.9},
            "idle_mixture": {"near 1": 0.5, "lean": 0.48},  # where the air is metered ahead of it, it runs lean
            "idle_trims": {"small": 0.55, "adds": 0.43},  # and the closed loop adds what it can
            "servo": {"yes": 0.9, "no": 0.1},
        },
    ),
    Cause(
        "servo_off",
        "the brake servo's line is off or not tight: DO NOT DRIVE",
        "look at it from the manifold to the servo; a workshop looks at it before anybody drives",
        0.6,
        {
            "servo": {"no": 0.97},  # no vacuum, no help
            "idle": {"high": 0.76, "rather high": 0.12, "as it should": 0.08},
            "witness": {"agrees": 0.95},
            "idle_sounds": {"not as before": 0.9},
            "idle_mixture": {"near 1": 0.5, "lean": 0.48},
            "idle_trims": {"small": 0.55, "adds": 0.43},
        },
    ),
    # --- the wideband ----------------------------------------------------------------------------------------------
    Cause(
        "mixture_open",
        "the wideband's signal wire is open",
        "volts of the signal at the unit against volts at the converter: well there, nothing here",
        0.9,
        {
            "mixture_wire": {"at ground": 0.9, "at supply": 0.06},
            "warm_up": {"blind": 0.95},
            "unit_signal": {"live": 0.96},  # the unit gives it, and it does not arrive
        },
        needs="voltage",
    ),
    Cause(
        "line_silent",
        "the wideband's serial line is silent: plug, wire, port or rate",
        "cabcanary listen PORT@RATE; then the plug, and transmit against receive",
        0.9,
        {"mixture_wire": {"silent": 0.96}, "warm_up": {"blind": 0.95}, "unit_lives": {"yes": 0.95}},
        needs="text",
    ),
    Cause(
        "heater_dead",
        "the wideband's heater is dead, or its sensor's plug is out",
        "ohms across the heater's two pins, cold and unplugged: a few; its sheet says how many",
        0.7,
        {
            # A line says that it heats; a voltage output mostly stands at 0 V while cold.
            "warm_up": {"stays cold": 0.65, "blind": 0.33},
            "mixture_wire": {"inside": 0.62, "at ground": 0.35},
            "unit_signal": {"at ground": 0.85, "live": 0.15},
            "unit_lives": {"yes": 0.93},  # the unit itself is on
        },
    ),
    Cause(
        "unit_dead",
        "the wideband's unit itself is faulty",
        "another feed, straight from a battery through a fuse: if it stays dark there too, it is dead",
        0.6,
        {
            "mixture_wire": {"at ground": 0.6, "silent": 0.37},
            "warm_up": {"blind": 0.96},
            "unit_signal": {"at ground": 0.97},
            "unit_lives": {"no": 0.93},  # a good feed, a good ground, and nothing
        },
    ),
    Cause(
        "mixture_stuck",
        "the wideband is stuck: it shows the same whatever the gas",
        "its sensor in free air, warm: it must show its lean end",
        0.5,
        {
            "warm_up": {"no air": 0.9, "free air": 0.08},
            "mixture_moves": {"still": 0.95},
            "idle_mixture": {"near 1": 0.42, "lean": 0.25, "rich": 0.25, "free air": 0.08},
            "overrun": {"not lean": 0.9},
        },
    ),
    Cause(
        "exhaust_leak",
        "the exhaust leaks ahead of the wideband, and draws in air at idle",
        "cold start: feel and listen along the joints with care for heat and belts, or let a workshop use smoke",
        0.7,
        {
            # Ahead of the engine's own sensor as well, the closed loop hides it from the wideband and adds fuel.
            "idle_mixture": {"lean": 0.7, "near 1": 0.22, "free air": 0.06},
            "idle_trims": {"small": 0.5, "adds": 0.48},
            "idle_sounds": {"as before": 0.7, "not as before": 0.3},
        },
    ),
    Cause(
        "mixture_curve",
        "the wideband's curve or scale in the settings is not its own",
        "compare its volts in free air and at idle with its sheet's points",
        0.4,
        {"idle_mixture": {"rich": 0.45, "lean": 0.45}, "warm_up": {"free air": 0.7, "no air": 0.28}},
    ),
    # --- supply ----------------------------------------------------------------------------------------------------
    Cause(
        "divider",
        "the supply's divider has other resistors than the settings say",
        "measure both resistors, one end free, and write their ratio",
        0.7,
        {"supply_reads": {"by a factor": 0.93}, "supply_wire": {"inside": 0.85, "at ground": 0.08}},
        needs="supply",
    ),
    Cause(
        "not_charging",
        "the alternator does not charge, or rests",
        "volts at the battery with the engine at 2000 rpm and the lights on",
        0.5,
        {"charging": {"low": 0.9, "high": 0.08}},
        needs="supply",
    ),
    # --- outputs ---------------------------------------------------------------------------------------------------
    Cause(
        "buzzer_silent",
        "the buzzer is not connected, on another pin, or the wrong kind",
        "cabcanary sounds CONFIG --check with a meter on its pin",
        0.8,
        {"buzzer": {"no": 0.97}},
    ),
    Cause(
        "lamp_dark",
        "the lamp is not connected, on another pin, or the wrong way round",
        "volts at its pin while it should wink",
        0.6,
        {"lamp": {"no": 0.97}},
        needs="lamp",
    ),
    Cause(
        "fuelling_off",
        "the engine's own fuelling is off: air meter, fuel pressure, injectors, or another fuel",
        "the same trims at 2500 rpm, parked: gone there, it is air that gets in; larger there, it is fuel",
        0.08,  # it was well before the install, and nobody touched it
        {"idle_trims": {"adds": 0.5, "takes": 0.47}},
        needs="trims",
    ),
    # --- the engine itself -----------------------------------------------------------------------------------------
    Cause(
        "no_boost",
        "the compressor makes no boost: belt, hose or bypass; or the pull was too gentle",
        "parked: the belt's tension, each hose, the bypass and its line",
        0.6,
        {"pull": {"stays": 0.93}},
        needs="boost",
    ),
    Cause(
        "lean_in_boost",
        "the mixture does not go rich under boost: STAY OUT OF BOOST",
        "take the drive to your tuner before another pull",
        0.5,
        {"pull_mixture": {"not rich": 0.95}},
        needs="boost",
    ),
    Cause(
        "no_cut",
        "no fuel cut in that lift, or the wideband sits where it sees little of the gas",
        "a longer lift in gear from a higher speed",
        0.4,
        {"overrun": {"not lean": 0.9}},
    ),
)
