"""Every reader of outside input that `fuzz_targets.py` does not have: valid inputs, and what it may answer to others.

A reader may refuse with its own errors, and nothing else; what it takes must be fit for what comes after it.
"""

from __future__ import annotations

import asyncio
import json
import math
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

from fuzz_seeds import (
    ABOUT,
    CONFIG,
    CSVS,
    EVENTS,
    FEED,
    HTTP,
    INSPECTED,
    MAPPING,
    NMEA,
    POINTS,
    REMEMBERED,
    RULES,
    SLCAN,
    VEHICLES,
    baseline_files,
    inspections,
    mdfs,
)
from small_drive import settings_of
from three_hours import NAME, three_hours

from cabcanary.alerts.annunciator import Annunciator
from cabcanary.alerts.arrival import summary
from cabcanary.cabview.app import Pages
from cabcanary.cabview.token import Door
from cabcanary.calibration.calibrate import subject_of
from cabcanary.calibration.points_file import read_session
from cabcanary.cli.inspect import _typed
from cabcanary.feed import Feed, _Reader
from cabcanary.first_settings.answers import AnswersError, answers_of, read_answers
from cabcanary.inspection.questions import QuestionError
from cabcanary.inspection.record import RecordError
from cabcanary.inspection.record import _read as read_inspection
from cabcanary.live.ask import StatusError, read_daemon_table, read_display
from cabcanary.messenger.broker import Broker
from cabcanary.model import Quality
from cabcanary.plan.plan import load_plan
from cabcanary.processes.places import Allowed, Peer
from cabcanary.processes.rate import RateLimit
from cabcanary.recorder.told_time import Told
from cabcanary.review.exchange.log_files import read_foreign
from cabcanary.review.exchange.log_frames import LogFrames
from cabcanary.review.exchange.log_mapping import Mapping
from cabcanary.review.exchange.reconvert import _changes
from cabcanary.review.list.drives import DriveError
from cabcanary.review.list.recorded_drive import RecordedError, beside, open_drive, read_drive
from cabcanary.runtime.channel_memory import ChannelMemory
from cabcanary.runtime.requests import Commands
from cabcanary.settings.editing import CannotEditError, Edited
from cabcanary.settings.load import load_settings, rules_from_text
from cabcanary.settings.outputs import Buttons
from cabcanary.sources.can.link import Link, LinkLostError
from cabcanary.sources.can.obd_pids import ObdError, decode, parse_response, supported
from cabcanary.sources.host.computer import in_unit
from cabcanary.sources.kernel.iio import find_device, open_channel
from cabcanary.sources.one_wire.thermometers import Thermometer
from cabcanary.sources.serial.gps_time import RmcParser
from cabcanary.store.archive import read_about
from cabcanary.store.baselines import BaselinesError, read_baselines
from cabcanary.store.boots import drives_of_boot, keep_index
from cabcanary.store.manifest import read_manifests
from cabcanary.validation.problems import SettingsError
from cabcanary.watch import WatcherError, read_tables
from cabcanary_bench.drives.scenario_files import read_scenario

if TYPE_CHECKING:
    from collections.abc import Callable

SCENARIOS = Path(__file__).parents[2] / "simulators" / "cabcanary_bench" / "scenarios"
_S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Reader:
    """`read` takes bytes and a folder of its own; it raises one of `refuses`, or takes them. `seeds` are taken."""

    seeds: tuple[bytes, ...]
    read: Callable[[bytes, Path], object]
    refuses: tuple[type[Exception], ...] = ()
    words: tuple[bytes, ...] = ()
    #: Whole and yet refused: to begin damage from as well.
    odd: tuple[bytes, ...] = ()


def _in(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


# --- files of a person ------------------------------------------------------------------------------------------------


def _settings(data: bytes, folder: Path) -> None:
    load_settings(_in(folder, "van.toml", data))


def _rules(data: bytes, folder: Path) -> None:
    rules_from_text(data.decode("utf-8", "replace"), folder / "rules.toml")


def _plan(data: bytes, folder: Path) -> None:
    """All of `check`, with a rule file of others."""
    config = settings_of(folder, "")
    _in(folder, "rules.toml", data)
    plan = load_plan(config)
    plan.engine().step(plan.pipeline().step({}, 1))


def _edited(data: bytes, _folder: Path) -> None:
    text = data.decode("utf-8", "replace")
    changed = Edited(text)
    changed.put(("channels", "map", "offset"), 1.5, "measured")
    assert "1.5" in changed.text()


def _points(data: bytes, folder: Path) -> None:
    session = read_session(_in(folder, "points.toml", data), _subject())
    assert all(math.isfinite(p.reference) for p in session.points)


def _subject() -> Any:
    if "subject" not in _MADE:
        _MADE["subject"] = subject_of(load_plan(CONFIG / "hill-estate.toml"), "map")
    return _MADE["subject"]


_MADE: dict[str, Any] = {}


def _answers(data: bytes, folder: Path) -> None:
    answers_of(read_answers(_in(folder, "answers.toml", data)))


def _inspected(data: bytes, folder: Path) -> None:
    _typed(_in(folder, "answers.toml", data))


def _record(data: bytes, folder: Path) -> None:
    read_inspection(_in(folder, "inspection.json", data))


def _tables(data: bytes, folder: Path) -> None:
    """Those who read a table or two of settings that may be wrong elsewhere."""
    file = _in(folder, "van.toml", data)
    read_display(file)
    for read in (read_tables, read_daemon_table):
        try:
            read(file)
        except (WatcherError, StatusError) as error:
            refused: Exception | None = error
        else:
            refused = None
    if refused is not None:
        raise refused


def _scenario(data: bytes, folder: Path) -> None:
    read_scenario(_in(folder, "scenario.toml", data))


def _reconverted(data: bytes, folder: Path) -> None:
    _changes(_in(folder, "changes.toml", data))


def _mapping(data: bytes, folder: Path) -> None:
    log = _in(folder, "log.csv", CSVS[1])
    read_foreign(log, Mapping(_in(folder, "mapping.toml", data)))


def _csv(data: bytes, folder: Path) -> None:
    _as_frames(_in(folder, "log.csv", data), Mapping())


def _mdf(data: bytes, folder: Path) -> None:
    _as_frames(_in(folder, "log.mf4", data), Mapping())


def _as_frames(file: Path, mapping: Mapping) -> None:
    """As far as the frames that an import would write, with settings."""
    log = read_foreign(file, mapping)
    if "small" not in _MADE:
        _MADE["small"] = load_plan(CONFIG / "hill-estate.toml")
    frames = LogFrames(log, {s.name: s.unit for s in log.series}, None)
    assert len(frames.tick_ns) >= 1
    for row in range(min(3, len(frames.tick_ns))):
        for value in frames.at(row).values.values():
            assert value.value is None or math.isfinite(value.value) or value.quality is not Quality.GOOD


# --- files of the program, damaged ----------------------------------------------------------------------------------


def _remembered(data: bytes, folder: Path) -> None:
    """The daemon starts, whatever stands there, and what it then knows of the air is a pressure."""
    _in(folder, "remembered.json", data)
    if "plan" not in _MADE:
        _MADE["plan"] = load_plan(CONFIG / "market-hatchback.toml")
    pipeline = _MADE["plan"].pipeline()
    for told in (Told(10 * _S, "system"), Told(0, "")):
        ChannelMemory(folder).recall(pipeline, told)
        air = pipeline.step({}, _S).values["air_pressure"]
        low, high = air.interval()
        assert math.isfinite(low)
        assert math.isfinite(high)
        # Roads reach from 55 to 108 kPa; a value from the card may lie beyond, and is then no reason to be surer.
        assert 0.0 < low <= high < 200.0


def _baselines(data: bytes, folder: Path) -> None:
    _in(folder, "baselines.json", data)
    found = read_baselines(folder)
    assert all(math.isfinite(y) for b in found.baselines for _, y in b.points)


def _boots(data: bytes, folder: Path) -> None:
    _in(folder, "boots.json", data)
    (folder / "drives" / "vehicle=v" / "month=2026-01").mkdir(parents=True, exist_ok=True)
    drives_of_boot(folder, "0123456789abcdef")
    keep_index(folder)


def _parquet(data: bytes, folder: Path) -> None:
    """A drive's file whose description, or any other byte, is damaged."""
    file = _in(folder, "d.parquet", data)
    for read in (read_about, open_drive, read_drive):
        try:
            read(file)
        except (OSError, ValueError, RecordedError) as error:
            refused: Exception | None = error
        else:
            refused = None
    if refused is not None:
        raise refused


def _about(data: bytes, folder: Path) -> None:
    """A whole file whose description alone is damaged."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    file = folder / "d.parquet"
    pq.write_table(pa.table({"tick_ns": [1, 2]}).replace_schema_metadata({b"cabcanary": data}), file)
    for read in (read_about, open_drive, read_drive):
        try:
            read(file)
        except (ValueError, RecordedError) as error:
            refused: Exception | None = error
        else:
            refused = None
    if refused is not None:
        raise refused


def _events(data: bytes, folder: Path) -> None:
    """What stands beside a drive: for a replay, for the arrival's line, for the pages."""
    samples = _long_drive(folder)
    samples.with_name(f"{NAME}.events.jsonl").write_bytes(data)
    summary(folder, NAME)
    found = beside(samples)
    assert all(isinstance(a.time_ns, int) for a in found.actions)


def _manifests(data: bytes, folder: Path) -> None:
    samples = _long_drive(folder)
    samples.with_name(f"{NAME}.manifest.json").write_bytes(data)
    summary(folder, NAME)
    found, faults = read_manifests(folder)
    assert len(found) + len(faults) == 1


def _long_drive(folder: Path) -> Path:
    place = next(folder.glob(f"drives/*/*/{NAME}.parquet"), None)
    return place or three_hours(folder, 200)


# --- commands and requests ------------------------------------------------------------------------------------------


class _Line:
    """A reader of the feed that takes everything."""

    transport = SimpleNamespace(is_closing=lambda: False, get_write_buffer_size=lambda: 0)

    def __init__(self) -> None:
        self.said = b""

    def write(self, line: bytes) -> None:
        self.said += line


def _feed(data: bytes, folder: Path) -> None:
    """One line of a client, with every right and with none; each answer is a line of JSON."""
    plan = _MADE.setdefault("van", None) or load_plan(CONFIG / "bench-van.toml")
    _MADE["van"] = plan
    clock = SimpleNamespace(now_ns=lambda: _S)
    commands = Commands(plan.engine(), Annunciator([]), clock, Buttons(), lambda _: None)
    feed = Feed(folder / "feed.sock", dict, list, commands.take)
    for allowed in Allowed:
        line = _Line()
        feed._take(_Reader(line, Peer(1, 1), allowed), data)  # type: ignore[arg-type]
        for said in line.said.splitlines():
            json.loads(said)


def _mqtt(data: bytes, _folder: Path) -> None:
    """A message at the command's topic: the one command, or passed over."""
    taken: list[int] = []
    broker = object.__new__(Broker)
    broker._settings = {"acknowledge": False}
    broker._status = SimpleNamespace(note=lambda _: None)  # type: ignore[assignment]
    broker._commands, broker._nonsense = RateLimit(1.0, 5), RateLimit(1.0, 5)
    broker._follower = SimpleNamespace(acknowledge=lambda: taken.append(1))  # type: ignore[assignment]

    async def messages() -> Any:
        yield SimpleNamespace(retain=False, payload=data)

    asyncio.run(broker._take_commands(SimpleNamespace(messages=messages())))  # type: ignore[arg-type]
    if taken:
        assert json.loads(data)["do"] == "acknowledge"


def _http(data: bytes, folder: Path) -> None:
    """A request's line and its form: an answer that is no fault of the server's."""
    first, _, body = data.partition(b"\n")
    method, _, target = first.decode("latin-1").partition(" ")
    path, _, query = target.partition("?")
    if method not in ("GET", "HEAD", "POST") or not path.startswith("/") or path.rstrip("/") == "/cab/stream":
        return
    samples = _long_drive(folder)
    settings = load_settings(CONFIG / "bench-van.toml").model
    daemon = settings.daemon.model_copy(update={"folder": folder})
    if _MADE.get("pages", (None,))[0] != folder:
        _MADE["pages"] = folder, Pages(settings.model_copy(update={"daemon": daemon}), ["c0"], Door(None)).app
    told: list[Any] = []

    bodies = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive() -> Any:
        return bodies.pop() if bodies else await asyncio.Event().wait()

    async def send(message: Any) -> None:
        told.append(message)

    headers = [
        (b"host", b"localhost:8468"),
        (b"origin", b"http://localhost:8468"),
        (b"content-type", b"application/x-www-form-urlencoded"),
        (b"content-length", b"%d" % len(body)),
    ]
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "scheme": "http",
        "path": unquote(path), "raw_path": path.encode("latin-1"), "query_string": query.encode("latin-1"),
        "root_path": "", "headers": headers, "client": ("127.0.0.1", 5000), "server": ("127.0.0.1", 8468),
        "extensions": {},
    }  # fmt: skip
    asyncio.run(_MADE["pages"][1](scope, receive, send))
    status = next(m["status"] for m in told if m["type"] == "http.response.start")
    # 502: there is no daemon here; 503: what is asked for cannot be read just now.
    assert status in (502, 503) or status < 500
    if status == 503:
        raise LookupError("it is not there just now")
    assert samples.exists()


# --- wires ----------------------------------------------------------------------------------------------------------


def _nmea(data: bytes, _folder: Path) -> None:
    parser = RmcParser("satellites")
    for at in range(0, len(data), 97):
        for reading in parser.feed(data[at : at + 97], _S):
            assert reading.value is None or (math.isfinite(reading.value) and reading.value >= 1_767_225_600)
    assert len(parser._rest) <= 200
    parser.complaint()


def _obd(data: bytes, _folder: Path) -> None:
    asked = set(data[:1])
    refused: Exception | None = None
    for what in (None, asked):
        try:
            for pid, found in parse_response(data, what).items():
                assert all(math.isfinite(v) for v in decode(pid, found).values())
        except ObdError as error:
            refused = error
    for base in (0x00, 0x20, 0x40):
        try:
            supported(base, data[-4:])
        except ObdError as error:
            refused = error
    if refused is not None and not data.startswith(b"\x41"):
        raise refused


class _Adapter:
    """A serial port in which some bytes lie."""

    def __init__(self, data: bytes) -> None:
        self.left = data

    @property
    def in_waiting(self) -> int:
        return len(self.left)

    def read(self, size: int) -> bytes:
        taken, self.left = self.left[:size], self.left[size:]
        return taken


def _slcan(data: bytes, _folder: Path) -> None:
    """Through python-can's own reader, between our port and our link."""
    from can.interfaces.slcan import slcanBus

    bus, adapter = object.__new__(slcanBus), _Adapter(data)
    bus._is_shutdown, bus._filters = True, None
    bus.serialPortOrig, bus._buffer, bus._queue = adapter, bytearray(), SimpleQueue()
    link = Link(bus, "adapter")
    while adapter.left:
        message = link.receive(0.0)
        assert message is None or len(message.data) <= 8


def _tree(data: bytes, folder: Path) -> None:
    """Every small file of a voltage tree, and the number itself."""
    device = folder / "iio:device0"
    for name in ("name", "in_voltage0_raw", "in_voltage0_scale", "in_voltage0_offset", "in_voltage0_label"):
        _in(device, name, {"name": b"adc"}.get(name, data))
    device = find_device(folder, "adc")
    channel = open_channel(device, "voltage0")
    try:
        assert math.isfinite(channel.read())
    finally:
        channel.close()


def _hundredths(data: bytes, folder: Path) -> None:
    """Thermometers and the computer's own small files."""
    assert math.isfinite(Thermometer("t", _in(folder, "temperature", data)).read())
    for unit in ("V", "state", ""):
        assert math.isfinite(in_unit(data, unit))


def readers(folder: Path) -> dict[str, Reader]:
    """All of them, by name; seeds that have to be made are made in the folder."""
    samples = _long_drive(folder / "seeds")
    manifest = samples.with_name(f"{NAME}.manifest.json").read_bytes()
    scenarios = tuple(f.read_bytes() for f in sorted(SCENARIOS.glob("*.toml")))
    answers = tuple(f.read_bytes() for f in sorted((CONFIG / "answers").glob("*.toml")))
    changes = (b'[channels.map]\ncurve = { kind = "linear", points = [[0.5, 20.0], [4.5, 250.0]] }\n',)
    boots = (b'{"vehicle=v/month=2026-01": [1795644249000000000, ["01234567"]]}',)
    small_rules = (b'[[rule]]\nid = "high"\npriority = "warning"\nsay = "High"\ndo = "Lift"\nwhen = "map > 150 kPa"\n',)
    obd = (bytes.fromhex("410C1AF8"), bytes.fromhex("410D320C1AF8"), bytes.fromhex("4100BE3FA813"))
    return {
        "settings": Reader(VEHICLES, _settings, (SettingsError,)),
        "rule files": Reader(RULES, _rules, (SettingsError,)),
        "plan with a rule file": Reader(small_rules, _plan, (SettingsError,)),
        "settings to be edited": Reader(VEHICLES[:1], _edited, (CannotEditError,)),
        "tables for watcher and status": Reader(VEHICLES, _tables, (WatcherError, StatusError)),
        "calibration points": Reader((POINTS,), _points, (SettingsError,)),
        "answers of new": Reader(answers, _answers, (AnswersError,)),
        "answers of inspect": Reader(INSPECTED, _inspected, (QuestionError,)),
        "inspection record": Reader(inspections(), _record, (RecordError,)),
        "scenario": Reader(scenarios, _scenario, (SettingsError,)),
        "reconvert": Reader(changes, _reconverted, (DriveError,)),
        "log mapping": Reader((MAPPING,), _mapping, (DriveError,)),
        "log csv": Reader((CSVS[0], CSVS[2]), _csv, (DriveError,)),
        "log mdf": Reader(mdfs(folder), _mdf, (DriveError,)),
        "channel memory": Reader(REMEMBERED, _remembered),
        "baselines": Reader(baseline_files(), _baselines, (BaselinesError,)),
        "boots index": Reader(boots, _boots),
        "drive file": Reader((), _parquet, (OSError, ValueError, RecordedError), odd=(samples.read_bytes(),)),
        "drive description": Reader((), _about, (ValueError, RecordedError), odd=ABOUT),
        "events": Reader((EVENTS,), _events, (RecordedError,)),
        "manifest": Reader((manifest,), _manifests),
        "feed command": Reader(FEED, _feed),
        "mqtt command": Reader((b'{"do": "acknowledge"}',), _mqtt),
        "http": Reader(HTTP, _http, (LookupError,), (b"&", b"=", b"%ff", b"%2e%2e%2f", b"from=", b"inf", b"nan")),
        "nmea": Reader(NMEA, _nmea),
        "obd": Reader(obd, _obd, (ObdError,), odd=(bytes.fromhex("7F0112"),)),
        "slcan": Reader(SLCAN, _slcan, (LinkLostError,)),
        "voltage tree": Reader((b"1234\n", b"-17\n", b"0.125\n"), _tree, (OSError, ValueError)),
        "small files": Reader((b"1\n", b"0\n"), _hundredths, (OSError, ValueError)),
    }
