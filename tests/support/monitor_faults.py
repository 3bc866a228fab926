"""Faults of the monitor's own surroundings, one a row: how each is put in beside a running daemon, and what is told.

A row's `put` does the harm; `heals` undoes it, where it can be undone. `told` is what must come within `within_s` s of
the clock, a kind of event and words of it. Nothing to be told at all is *quiet*: it may cost nothing. A daemon that is
gone tells nothing itself: its heartbeat ends with it, and that is the watcher's part (tests/runtime/test_watch.py).
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow.parquet as pq

if TYPE_CHECKING:
    from harness import Message, Ride

Put = Callable[["Trial"], None]


@dataclass
class Trial:
    """One daemon that drives, and what was started against it."""

    driven: Ride
    random: random.Random
    processes: list[subprocess.Popen[bytes]] = field(default_factory=list)
    sockets: list[socket.socket] = field(default_factory=list)

    def close(self) -> None:
        for process in self.processes:
            process.kill()
            process.wait()
        for one in self.sockets:
            one.close()

    def burn(self, words: str) -> None:
        self.processes.append(subprocess.Popen([sys.executable, "-c", words]))

    def connect(self) -> socket.socket:
        one = socket.socket(socket.AF_UNIX)
        one.settimeout(5.0)
        one.connect(str(self.driven.folder / "feed.sock"))
        self.sockets.append(one)
        return one


@dataclass(frozen=True)
class Fault:
    """`told`: alternatives, each a kind of event and words that its name or text has; empty: quiet."""

    name: str
    put: Put
    told: tuple[tuple[str, str], ...] = ()
    within_s: float = 10.0
    heals: Put | None = None
    #: The daemon is gone or stands: nothing can be told by it.
    stops: bool = False
    bus: bool = False


def matches(event: Message, told: tuple[tuple[str, str], ...]) -> bool:
    text = f"{event['what']} {event['text']}"
    return any(event["kind"] == kind and words in text for kind, words in told)


# --- wires ----------------------------------------------------------------------------------------------------------


def _unplug(name: str) -> Put:
    return lambda t: getattr(t.driven.rig.van, name).unplug()


def _replug(name: str) -> Put:
    return lambda t: getattr(t.driven.rig.van, name).replug()


def _flaps(name: str) -> Put:
    def put(t: Trial) -> None:
        for _ in range(3):
            getattr(t.driven.rig.van, name).unplug()
            time.sleep(0.05)
            getattr(t.driven.rig.van, name).replug()
            time.sleep(0.05)

    return put


def _writes(data: Callable[[random.Random], bytes], times: int) -> Put:
    def put(t: Trial) -> None:
        for _ in range(times):
            t.driven.rig.van.wideband.write(data(t.random))

    return put


def _voltage(do: str, channel: int) -> Put:
    return lambda t: getattr(t.driven.rig.van.voltages, do)(channel)


def _words_of_a_voltage(text: bytes) -> Put:
    def put(t: Trial) -> None:
        path = t.driven.rig.van.voltages.path(0)
        new = path.with_suffix(".bad")
        new.write_bytes(text)
        t.driven.rig.van.voltages.remove(0)
        new.rename(path)

    return put


def _device_goes(t: Trial) -> None:
    device = t.driven.rig.van.voltages.device
    device.rename(t.driven.rig.wires / "away")


def _device_comes(t: Trial) -> None:
    (t.driven.rig.wires / "away").rename(t.driven.rig.van.voltages.device)


def _asleep(t: Trial) -> None:
    t.driven.rig.van.obd.awake = False


def _awake(t: Trial) -> None:
    t.driven.rig.van.obd.awake = True


# --- helpers and the daemon -----------------------------------------------------------------------------------------


def _signal_helper(module: str, number: int) -> Put:
    return lambda t: os.kill(t.driven.helper(module), number)


def _signal_daemon(number: int) -> Put:
    return lambda t: os.kill(t.driven.pid, number)


def _stands(t: Trial) -> None:
    os.kill(t.driven.pid, signal.SIGSTOP)
    time.sleep(0.3)
    os.kill(t.driven.pid, signal.SIGCONT)


def _hang_ups(t: Trial) -> None:
    for _ in range(20):
        os.kill(t.driven.pid, signal.SIGHUP)


def _spoil(name: str, data: bytes, number: int | None = None) -> Put:
    """A file of the settings is overwritten, and the daemon told to read it again."""

    def put(t: Trial) -> None:
        file = t.driven.rig.config if name == "settings" else t.driven.rig.config.parent / "rules" / name
        file.write_bytes(data)
        os.kill(t.driven.pid, signal.SIGHUP if number is None else number)

    return put


def _spoil_folder(name: str) -> Put:
    """What the daemon keeps is garbage, and it reads its settings and baselines again."""

    def put(t: Trial) -> None:
        (t.driven.folder / name).write_bytes(t.random.randbytes(300))
        os.kill(t.driven.pid, signal.SIGHUP)

    return put


# --- clients, machine, disk -----------------------------------------------------------------------------------------


def _clients(count: int) -> Put:
    def put(t: Trial) -> None:
        for _ in range(count):
            with contextlib.suppress(OSError):
                t.connect()

    return put


def _sends(data: Callable[[random.Random], bytes], times: int) -> Put:
    def put(t: Trial) -> None:
        one = t.connect()
        with contextlib.suppress(OSError):
            for _ in range(times):
                one.sendall(data(t.random))

    return put


def _never_reads(t: Trial) -> None:
    one = t.connect()
    one.sendall(json.dumps({"subscribe": {"frames_hz": 100}}).encode() + b"\n")


def _cores(count: int) -> Put:
    def put(t: Trial) -> None:
        for _ in range(count):
            t.burn("while True: pass")

    return put


def _memory(t: Trial) -> None:
    t.burn("x = bytearray(600_000_000)\nwhile True: pass")


def _journal_goes(t: Trial) -> None:
    for path in (t.driven.folder / "journal").glob("*.ccj"):
        path.unlink()


def _socket_goes(t: Trial) -> None:
    (t.driven.folder / "feed.sock").unlink()


def _trouble(text: str) -> Put:
    def put(t: Trial) -> None:
        (t.driven.rig.wires / "troubles").write_text(text, encoding="ascii")

    return put


def _host(item: str, value: float) -> Put:
    return lambda t: t.driven.rig.van.host.write(item, value)


def _nothing(_: Trial) -> None:
    """No fault at all: the campaign's own control."""


def _noise(r: random.Random) -> bytes:
    return r.randbytes(200)


def _line(r: random.Random) -> bytes:
    return f"lambda={r.uniform(0.7, 1.3):.3f} status=ok\r\n".encode()


_LOST_LAMBDA = (("alert", "cannot_see_lambda"), ("source", "wideband"))
_LOST_BUS = (("source", "engine"), ("alert", "cannot_see"))
_LOST_VOLTS = (("source", "adc"), ("alert", "cannot_see"))
_STAYS = (("monitor", "settings_refused"),)
_KEPT = (("recorder", "failed"), ("recorder", "cannot record"))

FAULTS: tuple[Fault, ...] = (
    Fault("no fault", _nothing),
    # --- the wideband's line
    Fault("wideband unplugged", _unplug("wideband"), _LOST_LAMBDA, 5.0, _replug("wideband")),
    Fault("wideband flaps", _flaps("wideband"), (("source", "wideband"),), 10.0),
    Fault("wideband line: noise", _writes(_noise, 20), (("source", "wideband"), ("source", "malformed")), 10.0),
    Fault("wideband line: one endless line", _writes(lambda _: b"x" * 1000, 20)),
    Fault("wideband line: a flood of good lines", _writes(_line, 400)),
    Fault("wideband line: empty lines", _writes(lambda _: b"\r\n", 200)),
    Fault("wideband line: zeros", _writes(lambda _: bytes(100), 20), (("source", "wideband"),), 10.0),
    Fault("wideband says error", _writes(lambda _: b"lambda=0.8 status=error\r\n", 50)),
    Fault("wideband says it heats", _writes(lambda _: b"lambda=0.8 status=heating\r\n", 50)),
    Fault("wideband says what cannot be", _writes(lambda _: b"lambda=99 status=ok\r\n", 20)),
    # --- the bus
    Fault("adapter unplugged", _unplug("can"), _LOST_BUS, 10.0, _replug("can"), bus=True),
    Fault("adapter flaps", _flaps("can"), _LOST_BUS, 10.0, bus=True),
    Fault("bus asleep", _asleep, _LOST_BUS, 10.0, _awake, bus=True),
    Fault("bus reader killed", _signal_helper("cabcanary.sources.", signal.SIGKILL), _LOST_BUS, 10.0, bus=True),
    Fault("bus reader hangs", _signal_helper("cabcanary.sources.", signal.SIGSTOP), _LOST_BUS, 20.0, bus=True),
    Fault("bus reader ends", _signal_helper("cabcanary.sources.", signal.SIGTERM), _LOST_BUS, 10.0, bus=True),
    # --- the converter
    Fault("voltage of the pressure fails", _voltage("fail", 0), _LOST_VOLTS, 5.0, _voltage("restore", 0)),
    Fault("voltage of the pressure hangs", _voltage("block", 0), _LOST_VOLTS, 5.0, _voltage("restore", 0)),
    Fault("voltage of the pressure is gone", _voltage("remove", 0), _LOST_VOLTS, 5.0, _voltage("restore", 0)),
    Fault("voltage of the supply fails", _voltage("fail", 1), _LOST_VOLTS, 30.0, _voltage("restore", 1)),
    Fault("voltage of the supply hangs", _voltage("block", 1), _LOST_VOLTS, 30.0, _voltage("restore", 1)),
    Fault("voltage of the supply is gone", _voltage("remove", 1), _LOST_VOLTS, 30.0, _voltage("restore", 1)),
    Fault("converter is gone", _device_goes, _LOST_VOLTS, 5.0, _device_comes),
    Fault("a voltage of words", _words_of_a_voltage(b"open\n"), _LOST_VOLTS, 10.0),
    Fault("a voltage of nothing", _words_of_a_voltage(b""), _LOST_VOLTS, 10.0),
    Fault("a voltage without an end", _words_of_a_voltage(b"9" * 5000), _LOST_VOLTS, 10.0),
    Fault("a voltage of bytes", _words_of_a_voltage(b"\xff\xfe\x00"), _LOST_VOLTS, 10.0),
    # --- settings, read again
    Fault("settings are garbage", _spoil("settings", b"\x00\xff garbage"), _STAYS, 60.0),
    Fault("settings are empty", _spoil("settings", b""), _STAYS, 60.0),
    Fault("settings are torn", _spoil("settings", b"[vehicle]\nname = 'v"), _STAYS, 60.0),
    Fault("rules are garbage", _spoil("mixture.toml", b"[[rule]]\nid = 3"), _STAYS, 60.0),
    Fault("rules are gone", _spoil("mixture.toml", b""), (("monitor", "settings_"),), 60.0),
    Fault("baselines are garbage", _spoil_folder("baselines.json"), (("monitor", "settings_"),), 60.0),
    Fault("what was learnt is garbage", _spoil_folder("remembered.json"), (("monitor", "settings_"),), 60.0),
    Fault("settings again and again", _hang_ups,
          (("monitor", "settings_taken"),), 60.0),
    # --- clients of the feed
    Fault("forty clients at once", _clients(40)),
    Fault("a client sends noise", _sends(_noise, 50)),
    Fault("a client sends an endless line", _sends(lambda _: b"{" * 5000, 10)),
    Fault("a client floods questions", _sends(lambda _: b'{"ask": "status"}\n', 300)),
    Fault("a client floods acknowledges", _sends(lambda _: b'{"do": "acknowledge"}\n', 200)),
    Fault("a client sends what is nested deeply", _sends(lambda _: b"[" * 4000 + b"\n", 3)),
    Fault("a client never reads", _never_reads),
    Fault("the feed's socket is removed", _socket_goes),
    # --- the machine
    Fault("one core busy", _cores(1)),
    Fault("both cores busy", _cores(2)),
    Fault("memory taken", _memory),
    Fault("clock jumps by an hour", _trouble("clock_jump 3600\n"), heals=_trouble("")),
    Fault("clock jumps back a day", _trouble("clock_jump -86400\n"), heals=_trouble("")),
    Fault("disk full", _trouble("disk_full\n"), _KEPT, 20.0, _trouble("")),
    Fault("the journal's file is removed", _journal_goes),
    Fault("the board is hot", _host("board_temperature", 95.0)),
    Fault("the board's supply sags", _host("under_voltage", 1.0)),
    Fault("the clock is not set", _host("clock_set", 0.0)),
    # --- the daemon itself
    Fault("daemon stands for a moment",
          _stands),
    Fault("daemon asked to stop", _signal_daemon(signal.SIGTERM), (("monitor", "stopping"),), 5.0, stops=True),
    Fault("daemon asked to stop by hand", _signal_daemon(signal.SIGINT), (("monitor", "stopping"),), 5.0, stops=True),
    Fault("daemon killed", _signal_daemon(signal.SIGKILL), stops=True),
    Fault("daemon aborts", _signal_daemon(signal.SIGABRT), stops=True),
)  # fmt: skip


def told_within(driven: Ride, fault: Fault, seen: int, since_s: float) -> tuple[str, float | None]:
    """*found*, *late* or *missed*, and after how many seconds of the clock."""

    def first() -> Message | None:
        return next((e for e in list(driven.told.events)[seen:] if matches(e, fault.told)), None)

    ends = time.monotonic() + 120.0
    event: Any = None
    while event is None and driven.rig.now_s < since_s + 2 * fault.within_s and time.monotonic() < ends:
        if fault.stops and driven.told.lost:
            break
        time.sleep(0.02)
        event = first()
    event = event or first()
    if event is None:
        return "missed", None
    after_s = driven.rig.drive_s(event["t"]) - since_s
    return ("found" if after_s <= fault.within_s else "late"), after_s


def journal_reaches(folder: Path) -> int:
    """The last tick that is on the card, in a journal or an archived drive; ns of the clock."""
    from harness import read_journal

    times = [t for path in (folder / "journal").glob("*.ccj") for t, _ in read_journal(path).ticks[-1:]]
    archived = [pq.read_table(p, columns=["tick_ns"]) for p in (folder / "drives").glob("*/*/*.parquet")]
    return max(times + [max(table["tick_ns"].to_pylist()) for table in archived])
