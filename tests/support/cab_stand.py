"""A real daemon with a serial port and a buzzer, in the hands of a test: what it takes for an alert is one line."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import threading
import time
from typing import TYPE_CHECKING, Any

from harness import command, wait_for

from cabcanary_bench.wiring.gpio import PINS_VARIABLE, read_changes
from cabcanary_bench.wiring.serial_pty import SerialPty

if TYPE_CHECKING:
    from pathlib import Path

_SETTINGS = """
rules = ["van.rules.toml"]
[vehicle]
name = "bench van"
stage = "on the stand"
[limits]
confirmed_by = "nobody: a test"
[daemon]
folder = "{folder}"
[sources.port]
kind = "serial_text"
port = "{port}"
separator = " "
assign = "="
[channels.lambda]
measures = "lambda"
source = "port"
item = "l"
unit = "lambda"
accuracy = 0.02
ends = [0.65, 1.5]
stale_after = "0.5 s"
[channels.pressure]
source = "port"
item = "p"
unit = "kPa"
accuracy = 2.0
stale_after = "0.5 s"
[channels.supply]
measures = "supply_voltage"
source = "port"
item = "v"
unit = "V"
stale_after = "0.5 s"
[channels.engine_running]
derive = "engine_running"
supply = "supply"
[pages]
values = ["pressure", "lambda", "supply", "engine_running"]
[buzzer]
pin = 18
"""
_RULES = """
[[rule]]
id = "too_high"
priority = "warning"
say = "Pressure too high"
do = "Lift off gently"
when = "pressure > 100 kPa"
blind_delay = "0.3 s"
"""
#: As a sensor does: stale is what has said nothing for 0.5 s.
_EVERY_S = 0.05


class CabStand:
    """The daemon and its one wire, which says the same again and again until it is told another thing."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.config = folder, folder / "van.toml"
        self.pins = folder / "pins"
        self._port = SerialPty(folder / "tty")
        self.config.write_text(_SETTINGS.format(folder=folder, port=self._port.link))
        (folder / "van.rules.toml").write_text(_RULES)
        self._line: bytes | None = None
        self.says(50.0)
        self._ended = threading.Event()
        self._talker = threading.Thread(target=self._talk, daemon=True)
        self._talker.start()
        self.daemon: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start the daemon, and wait until it watches."""
        environment = {**os.environ, "GPIOZERO_PIN_FACTORY": "cabcanary-bench", PINS_VARIABLE: str(self.pins)}
        with (self.folder / "log").open("ab") as log:
            before = log.tell()
            words = command("run", str(self.config))
            self.daemon = subprocess.Popen(words, env=environment, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        # What a start says of itself sounds at the pin as well.
        wait_for("the start-up proof", lambda: b"start-up proof" in (self.folder / "log").read_bytes()[before:])

    def says(self, kpa: float | None) -> int:
        """From now on the wire says this (None: nothing); the monotonic time, ns."""
        self._line = None if kpa is None else b"p=%.1f l=0.93 v=14.1\n" % kpa
        if self._line is not None:
            self._port.write(self._line)
        return time.monotonic_ns()

    def heard_ns(self, after_ns: int) -> int:
        """When the buzzer's pin next went on after this time."""

        def found() -> int | None:
            return next((c["t"] for c in read_changes(self.pins) if c["t"] > after_ns and c["state"]), None)

        return int(wait_for("the buzzer", found))

    def is_silent(self) -> bool:
        """Whether the pin has been off for longer than any gap in a sound that repeats fast."""
        changes: list[dict[str, Any]] = read_changes(self.pins)
        return bool(changes) and not changes[-1]["state"] and time.monotonic_ns() - changes[-1]["t"] > 500_000_000

    def events(self, kind: str) -> list[dict[str, Any]]:
        """Events of this kind that the feed still tells a new reader."""
        import socket

        with socket.socket(socket.AF_UNIX) as feed:
            feed.settimeout(20.0)
            feed.connect(str(self.folder / "feed.sock"))
            feed.sendall(b'{"ask": "status"}\n')
            told = b""
            while b'{"status"' not in told or not told.endswith(b"\n"):
                told += feed.recv(1 << 16)
        messages = [json.loads(line) for line in told.splitlines()]
        return [m["event"] for m in messages if "event" in m and m["event"]["kind"] == kind]

    def signal(self, number: signal.Signals) -> float:
        """Send the daemon a signal; the monotonic time, s."""
        assert self.daemon is not None
        self.daemon.send_signal(number)
        return time.monotonic()

    def kill(self) -> float:
        """Cut its power; the monotonic time, s."""
        at_s = self.signal(signal.SIGKILL)
        assert self.daemon is not None
        self.daemon.wait()
        return at_s

    def close(self) -> None:
        """Everything ends."""
        if self.daemon is not None and self.daemon.poll() is None:
            self.kill()
        self._ended.set()
        self._talker.join(10.0)
        self._port.close()

    def _talk(self) -> None:
        while not self._ended.wait(_EVERY_S):
            if (line := self._line) is not None:
                self._port.write(line)
