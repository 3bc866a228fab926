"""Valid inputs for `fuzz_readers.py` to begin damage from."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

from three_hours import NAME

from cabcanary.store.baselines import Baseline, Baselines
from cabcanary_bench.wiring.gps import rmc

CONFIG = Path(__file__).parents[2] / "config"

VEHICLES = tuple(f.read_bytes() for f in sorted(CONFIG.glob("*.toml")))
RULES = tuple(f.read_bytes() for f in sorted((CONFIG / "rules").glob("*.toml")))
CSVS = (
    b"time_s,lambda [lambda],map [kPa]\n0,0.99,40\n0.5,1.02,41.5\n1.0,0.97,\n",
    b"Time;Lambda 1;MAP\n0;0.99;40\n500;1.02;41\n1000;0.97;42\n",
    b"time_s,lambda [lambda],supply [V]\n" + b"".join(b"%d.5,0.9%d,13.%d\n" % (n, n % 10, n % 7) for n in range(50)),
)
MAPPING = b"""time = "Time"
time_unit = "ms"
delimiter = ";"
[columns]
"Lambda 1" = { channel = "lambda", unit = "lambda" }
"MAP" = { channel = "map", unit = "kPa" }
"""
POINTS = b"""channel = "map"
unit = "kPa"
serial = "17"
[reference]
name = "gauge"
limits = 0.5
[[point]]
reference = 40.0
raw = 1050.0
noise = 0.4
count = 20
[[point]]
reference = 100.0
readings = [2090.5, 2091.0]
"""
INSPECTED = (b"battery = 12.6\nfeed = 12.4\nground = 0.02\n",)
REMEMBERED = (
    b'{"channels": {"air_pressure": [89.87, 0.4]}, "wall_ns": 1795644249000000000}',
    b'{"channels": {"air_pressure": [99.2, 1.5], "throttle": [12.0, 88.0]}, "wall_ns": null}',
)
ABOUT = (
    json.dumps(
        {"drive": "d", "vehicle": "v", "stage": "s", "settings": "x", "rules": {"r.toml": ""}, "baselines": {}}
    ).encode(),
)
EVENTS = b"""{"t": 1000000500000, "kind": "acknowledge", "what": "button"}
{"t": 1000000600000, "kind": "shelve", "what": "over_boost", "until": 1600000000000, "one_shot": false}
{"t": 1000000700000, "kind": "alert", "what": "cannot_see_lambda", "active": true, "raised": true, "figures": "gone"}
"""
FEED = (
    b'{"subscribe": {"frames_hz": 10, "bands": true, "events_after": 3}, "run": "ab"}',
    b'{"do": "shelve", "alert": "over_boost", "seconds": 600, "one_shot": true}',
    b'{"do": "acknowledge", "by": "page"}', b'{"do": "note", "text": "a knock"}', b'{"ask": "status"}',
    b'{"do": "unshelve", "alert": "over_boost"}', b'{"do": "reload"}',
)  # fmt: skip
HTTP = (
    f"GET /drives/{NAME}/view?channels=c0,c1&from=0&to=3.5&points=200\n".encode(),
    f"POST /drives/{NAME}/note\nwords=a+knock&at=2.5".encode(), f"POST /drives/{NAME}/keep\nkept=yes".encode(),
    b"GET /drives?page=1\n", f"GET /drives/{NAME}\n".encode(), b"GET /cab\n", b"POST /login\ntoken=abc",
    f"GET /compare?one={NAME}&other={NAME}\n".encode(), b"POST /cab/acknowledge\n", b"GET /static/cab.js\n",
)  # fmt: skip
NMEA = (
    rmc(datetime(2026, 11, 25, 22, 4, 9, tzinfo=UTC)) * 3,
    b"$GPGGA,1,2*00\r\n" + rmc(datetime(2027, 1, 1, tzinfo=UTC)),
)
SLCAN = (b"t7E8804410C1AF8AAAAAA\rF04\rT18DAF110300410C\r", b"\rz\rZ\rt1232AABB1A2B\r")


def mdfs(folder: Path) -> tuple[bytes, ...]:
    import numpy as np
    from asammdf import MDF, Signal

    times = np.arange(20) * 0.1
    with MDF(version="4.10") as made:
        made.append([Signal(np.linspace(0.8, 1.1, 20), times, unit="lambda", name="lambda")])
        made.append([Signal(np.linspace(40.0, 120.0, 20), times, unit="kPa", name="map")])
        made.save(folder / "seed.mf4", overwrite=True)
    return ((folder / "seed.mf4").read_bytes(),)


def inspections() -> tuple[bytes, ...]:
    kept = {"vehicle": "v", "stage": "s", "begun": "2026-01-01T00:00:00Z", "answers": {"feed": 12.1}, "steps": {}}
    return (json.dumps(kept).encode(),)


def baseline_files() -> tuple[bytes, ...]:
    one = Baseline(name="idle_pressure", stage="s", of="map", unit="kPa", points=[(0.0, 33.5)])
    return (Baselines(baselines=[one]).model_dump_json().encode(),)


_DIGITS, _DEEP = b"a = " + b"9" * 5_000, b"a = " + b"[" * 30_000
#: What once brought a reader down, by its name in `fuzz_readers.readers`.
FELL: dict[str, tuple[bytes, ...]] = {
    "settings": (_DIGITS, _DEEP),
    "settings to be edited": (b"etween them\n", _DIGITS, _DEEP),
    "tables for watcher and status": (_DIGITS, _DEEP),
    "calibration points": (_DIGITS, POINTS.replace(b"2091.0", b"-1e308")),
    "answers of new": (_DIGITS, _DEEP),
    "reconvert": (_DIGITS, _DEEP),
    "log mapping": (_DIGITS, _DEEP),
    "channel memory": (
        b'{"channels": {"air_pressure": [-1, 0.4]}, "wall_ns": 1795644249000000000}',
        b'{"channels": {"air_pressure": [99.0, 0.4]}, "wall_ns": Infinity}',
        b"[" * 100_000,
    ),
    "boots index": (b'{"vehicle=v/month=2026-01": [Infinity, ["01234567"]]}',),
    "drive description": (b"[" * 100_000,),
    "events": (
        b": 1600000000000}\n" + EVENTS,
        b'{"t": null, "kind": "acknowledge"}\n',
        b'{"kind": "shelve", "t": 1e999}\n',
    ),
    "voltage tree": (b"9" * 60, b"9" * 5_000),
    "small files": (b"1" + b"0" * 400,),
}
