"""Answers -> the settings file, with comments for the person who will read and change it."""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING, Any

from cabcanary.first_settings.bus_text import asked_of_it, channels_of_it
from cabcanary.first_settings.derived_text import checks, derived
from cabcanary.first_settings.fitted import Fitted
from cabcanary.first_settings.sensor_text import sensors
from cabcanary.first_settings.toml_text import table
from cabcanary.settings.toml_value import written

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.first_settings.answers import Answers

#: The rule sets that every vehicle gets, and what a sensor adds.
_ALWAYS = ("mixture", "boost", "pressure-line", "engine", "wideband", "monitor")

_HEAD = """\
# Settings of the {name}, made by `cabcanary new`. Change what you like: `cabcanary check` names every slip.
#
# Curves come from a sensor's data sheet or your own calibration, limits from a qualified tuner. This is a monitor, not
# protection. Fuse the feed; take neither power nor ground from restraint, brake or steering circuits; set it up parked.
"""

_MONITOR = """\
# --- The monitor itself ---------------------------------------------------------------------------------------

[channels.clock_set] # 1 once a time service has set the wall clock
measures = "switch"
source = "computer"
item = "clock_set"
unit = "state"
stale_after = "5 s"

[channels.recording] # 0 while the recorder cannot write
measures = "switch"
source = "computer"
item = "recording"
unit = "state"
stale_after = "5 s"

[channels.board_temperature]
measures = "temperature"
source = "computer"
item = "board_temperature"
unit = "°C"
stale_after = "10 s"

[channels.late_ticks] # looks at the sensors that came late during the last 10 s
source = "computer"
item = "late_ticks"
unit = ""
stale_after = "5 s"
"""


def settings_text(answers: Answers, numbers_file: str) -> str:
    """The settings file; `numbers_file` is where its own numbers lie, beside the rule sets.

    A sensor of which an answer is missing is left out: `open_points` says what is still to be found out.
    """
    fitted = Fitted(answers)
    parts = (
        _HEAD.format(name=answers.vehicle.name or "vehicle").splitlines(),
        [""],
        _rules(fitted, numbers_file),
        _vehicle(answers),
        _sources(fitted),
        [f"# --- Channels {'-' * 93}", ""],
        sensors(fitted),
        channels_of_it(fitted),
        derived(fitted),
        _MONITOR.splitlines(),
        checks(fitted),
        _outputs(answers),
    )
    lines = list(chain.from_iterable(parts))
    return "\n".join(lines).rstrip() + "\n"


def _rules(fitted: Fitted, numbers_file: str) -> list[str]:
    folder = numbers_file.rpartition("/")[0]
    names = list(_ALWAYS)
    extra = {"heat": fitted.charge_temperature, "valves": fitted.speed, "supply": fitted.supply or fitted.bus}
    names[4:4] = [name for name, there in extra.items() if there]
    files = [numbers_file, *(f"{folder}/{name}.toml" for name in names)]
    return ["rules = [", *(f"    {written(f)}," + (" # the numbers" * (f == numbers_file)) for f in files), "]", ""]


def _vehicle(answers: Answers) -> Iterator[str]:
    v, c = answers.vehicle, answers.compressor
    stages = v.stages or ["as it is"]
    of_vehicle: dict[str, Any] = {
        "name": v.name or "vehicle",
        "stage": v.stage or stages[0],
        "stages": stages,
        "fuel": v.fuel,
    }
    yield from table("vehicle", of_vehicle)
    if c.kind is not None:
        yield from table("compressor", {"kind": c.kind, "from": c.begins if c.kind != "none" else None})
    confirmed = answers.tuner.confirmed_by or ""
    yield from table("limits", {"confirmed_by": confirmed}, "your tuner's name; until then every start says so")
    yield from table("daemon", {"tick_hz": 50, "folder": answers.recordings.folder})


def _sources(fitted: Fitted) -> Iterator[str]:
    yield "# --- Wires ------------------------------------------------------------------------------------------------"
    yield ""
    c, w, b = fitted.answers.converter, fitted.answers.wideband, fitted.answers.bus
    if fitted.converter:
        rate = 50 if c.kind != "hwmon" else None
        values = {"kind": c.kind or "iio", "device": c.device, "folder": c.folder, "rate_hz": rate}
        yield from table("sources.adc", values, "an analog-digital converter with a kernel driver, found by its name")
    if fitted.wideband and w.signal == "text":
        text = {"kind": "serial_text", "port": w.port, "baud": w.baud, "separator": w.separator, "assign": w.assign}
        yield from table("sources.wideband", text | {"fields": w.fields, "not_ready": w.not_ready, "error": w.error})
    if fitted.bus:
        bus = {"kind": "can", "interface": b.interface, "channel": b.channel, "bitrate": b.bitrate}
        yield from table("sources.engine", bus, "the engine computer; read services, nothing is written to it")
        yield from table("sources.engine.items", dict(asked_of_it(fitted)), "and how often each is wanted, per second")
    host: dict[str, Any] = {"kind": "host", "folder": "${CABCANARY_BENCH_HOST:-}"}
    yield from table("sources.computer", host, "this computer; the folder is for the bench")


def _outputs(answers: Answers) -> Iterator[str]:
    yield f"# --- Drive and outputs {'-' * 86}"
    yield ""
    yield from table("drive", {"running": "engine_running", "ends_after": "5 s", "kept_before": "10 s"})
    out = answers.outputs
    if out.buzzer_pin is not None:
        yield from table("buzzer", {"pin": out.buzzer_pin})
    if out.lamp_pin is not None:
        lamp = {"pin": out.lamp_pin, "after": ["lean_under_boost", "over_boost"]}
        yield from table("lamp", lamp, "winks while it watches; after one of these it stays lit: stay out of boost")
