"""mosquitto on loopback ports, with its own client tools."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
from typing import TYPE_CHECKING, Any

from harness import wait_for

if TYPE_CHECKING:
    from pathlib import Path

TOPIC = "van/monitor"
USER, PASSWORD = "van", "open sesame"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class Broker:
    """mosquitto on a loopback port of its own; with `password` nobody gets in without."""

    def __init__(self, folder: Path, *, password: bool = False, more: list[str] | None = None) -> None:
        self.port = free_port()
        self.password = password
        #: By topic: whether the message that `messages` last got was a retained one.
        self.retained: dict[str, bool] = {}
        self.tls: list[str] = []
        self._log = folder / "mosquitto.log"
        self._config = folder / "mosquitto.conf"
        lines = [f"listener {self.port} 127.0.0.1", f"allow_anonymous {str(not password).lower()}", "persistence false"]
        if os.getuid() == 0:
            lines.append("user root")  # its own user may not look into a test's folder
        if password:
            users = folder / "users"
            subprocess.run(["mosquitto_passwd", "-b", "-c", str(users), USER, PASSWORD], check=True, timeout=30)
            lines.append(f"password_file {users}")
        self._config.write_text("\n".join(lines + (more or [])) + "\n")
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def log(self) -> str:
        return self._log.read_text(errors="replace")

    def start(self) -> None:
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                ["mosquitto", "-c", str(self._config)], stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        wait_for("the broker", self._answers)

    def _answers(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self, number: int = signal.SIGTERM) -> None:
        """Stop the broker. May be called twice."""
        if self._process is not None:
            self._process.send_signal(number)
            self._process.wait(30)
            self._process = None

    @property
    def _who(self) -> list[str]:
        who = ["-u", USER, "-P", PASSWORD] if self.password else []
        return ["-h", "127.0.0.1", "-p", str(self.port), *who, *self.tls]

    def messages(self, topic: str, count: int) -> list[tuple[str, str]]:
        """What mosquitto's own client gets at a topic: (topic, payload), as many as asked for."""
        done = subprocess.run(
            ["mosquitto_sub", *self._who, "-t", topic, "-C", str(count), "-W", "20", "-F", "%r %t %p"],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        lines = [line.split(" ", 2) for line in done.stdout.splitlines()]
        self.retained = {topic: retained == "1" for retained, topic, _ in lines}
        return [(topic, payload) for _, topic, payload in lines]

    def publish(self, topic: str, payload: str, *, retain: bool = False) -> None:
        """Publish with mosquitto's own client."""
        more = ["-r"] if retain else []
        subprocess.run(
            ["mosquitto_pub", *self._who, "-t", topic, "-q", "1", "-m", payload, *more], check=True, timeout=60
        )

    def availability(self) -> str:
        ((_, payload),) = self.messages(f"{TOPIC}/availability", 1)
        return payload

    def until_available(self, wanted: str) -> None:
        wait_for(f"availability '{wanted}'", lambda: self.availability() == wanted)

    def alert(self, name: str) -> dict[str, Any]:
        """The retained state of an alert."""
        ((_, payload),) = self.messages(f"{TOPIC}/alert/{name}", 1)
        state: dict[str, Any] = json.loads(payload)
        return state


def mqtt_table(broker: Broker, *more: str) -> str:
    lines = ["", "[mqtt]", 'host = "127.0.0.1"', f"port = {broker.port}", f'topic = "{TOPIC}"', *more]
    return "\n".join(lines) + "\n"
