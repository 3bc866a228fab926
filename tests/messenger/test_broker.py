"""Alerts over MQTT, with a real broker on a loopback port, and with all that goes wrong with brokers."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
from typing import TYPE_CHECKING, Any

import pytest
from harness import Ride, processes_of, wait_for

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    Make = Callable[..., Ride]
    Settings = Callable[..., Path]

TOPIC = "van/monitor"
USER, PASSWORD = "van", "open sesame"
#: Just before the over-boost pull of the first drive.
OVER_BOOST_S = 193.0


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class Broker:
    """mosquitto on a loopback port of its own; with `password` nobody gets in without."""

    def __init__(self, folder: Path, *, password: bool = False) -> None:
        self.port = free_port()
        self.password = password
        #: By topic: whether the message that `messages` last got was a retained one.
        self.retained: dict[str, bool] = {}
        self._log = folder / "mosquitto.log"
        self._config = folder / "mosquitto.conf"
        lines = [f"listener {self.port} 127.0.0.1", f"allow_anonymous {str(not password).lower()}", "persistence false"]
        if os.getuid() == 0:
            lines.append("user root")  # its own user may not look into a test's folder
        if password:
            users = folder / "users"
            subprocess.run(["mosquitto_passwd", "-b", "-c", str(users), USER, PASSWORD], check=True, timeout=30)
            lines.append(f"password_file {users}")
        self._config.write_text("\n".join(lines) + "\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                ["mosquitto", "-c", str(self._config)], stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        wait_for("the broker", self._answers)

    def _answers(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def stop(self) -> None:
        """Stop the broker. May be called twice."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(30)
            self._process = None

    def messages(self, topic: str, count: int) -> list[tuple[str, str]]:
        """What mosquitto's own client gets at a topic: (topic, payload), as many as asked for."""
        who = ["-u", USER, "-P", PASSWORD] if self.password else []
        where = ["-h", "127.0.0.1", "-p", str(self.port), *who, "-t", topic]
        done = subprocess.run(
            ["mosquitto_sub", *where, "-C", str(count), "-W", "20", "-F", "%r %t %p"],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        lines = [line.split(" ", 2) for line in done.stdout.splitlines()]
        self.retained = {topic: retained == "1" for retained, topic, _ in lines}
        return [(topic, payload) for _, topic, payload in lines]

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


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Callable[..., Broker]]:
    brokers: list[Broker] = []

    def make(*, password: bool = False) -> Broker:
        brokers.append(Broker(tmp_path, password=password))
        return brokers[-1]

    yield make
    for made in brokers:
        made.stop()


def mqtt_table(broker: Broker, *more: str) -> str:
    lines = ["", "[mqtt]", 'host = "127.0.0.1"', f"port = {broker.port}", f'topic = "{TOPIC}"', *more]
    return "\n".join(lines) + "\n"


def messenger_told(driven: Ride, *, ok: bool, after: int = 0) -> str:
    return str(driven.event("helper", "messenger", after, ok=ok)["text"])


def test_alerts_are_retained_for_whoever_asks_later(ride: Make, broker: Any, van_settings: Settings) -> None:
    post = broker()
    post.start()
    driven = ride(config=van_settings(more=mqtt_table(post)))
    driven.begin(at_s=OVER_BOOST_S)
    assert messenger_told(driven, ok=True) == f"messenger: publishing to 127.0.0.1:{post.port}"
    assert post.availability() == "online"
    assert post.retained == {f"{TOPIC}/availability": True}
    raised = driven.raised("over_boost")
    active = wait_for("the alert at the broker", lambda: post.alert("over_boost"))
    assert post.retained == {f"{TOPIC}/alert/over_boost": True}
    assert active == {k: v for k, v in raised.items() if k != "past"}
    driven.event("alert", "over_boost", state="normal")
    wait_for("its return at the broker", lambda: post.alert("over_boost")["state"] == "normal")
    assert post.alert("limits_not_confirmed")["priority"] == "caution"


def test_after_a_killed_daemon_the_broker_says_offline_and_no_helper_is_left(
    ride: Make, broker: Any, van_settings: Settings
) -> None:
    post = broker()
    post.start()
    driven = ride(config=van_settings(more=mqtt_table(post)))
    driven.start()
    messenger_told(driven, ok=True)
    post.until_available("online")
    assert len([words for words in processes_of(driven.folder).values() if "cabcanary.messenger" in words]) == 1
    driven.kill()
    wait_for("the end of every helper", lambda: not processes_of(driven.folder))
    post.until_available("offline")
    assert post.retained == {f"{TOPIC}/availability": True}


def test_a_daemon_that_is_stopped_says_offline_too(ride: Make, broker: Any, van_settings: Settings) -> None:
    post = broker()
    post.start()
    driven = ride(config=van_settings(more=mqtt_table(post)))
    driven.start()
    messenger_told(driven, ok=True)
    post.until_available("online")
    assert driven.stop() == 0
    post.until_available("offline")


def test_a_killed_messenger_is_announced_and_started_again(ride: Make, broker: Any, van_settings: Settings) -> None:
    post = broker()
    post.start()
    driven = ride(config=van_settings(more=mqtt_table(post)))
    driven.start()
    messenger_told(driven, ok=True)
    post.until_available("online")
    seen = len(driven.told.events)
    os.kill(driven.helper("cabcanary.messenger.mqtt"), signal.SIGKILL)
    assert "messenger.mqtt ended with code -9; it is started again" in messenger_told(driven, ok=False, after=seen)
    messenger_told(driven, ok=True, after=seen)
    post.until_available("online")


def test_a_broker_that_is_down_is_said_once_and_gets_all_that_stands_when_it_comes(
    ride: Make, broker: Any, van_settings: Settings
) -> None:
    post = broker()
    driven = ride(config=van_settings(more=mqtt_table(post)))
    driven.begin(at_s=OVER_BOOST_S)
    told = messenger_told(driven, ok=False)
    assert told.startswith(f"messenger: broker 127.0.0.1:{post.port}: ")
    assert told.endswith("; warnings in the cab go on, tried again")
    driven.raised("over_boost")
    assert driven.event("sound", "warning")["alert"] == "over_boost"
    assert driven.log.count("messenger: broker") == 1
    assert "Traceback" not in driven.log
    post.start()
    messenger_told(driven, ok=True)
    post.until_available("online")
    # Alerts that still stand are said again; this one is there from the start and has no end.
    assert post.alert("limits_not_confirmed")["raised"] is True


def test_a_broker_that_goes_and_comes_back_is_found_again(ride: Make, broker: Any, van_settings: Settings) -> None:
    post = broker()
    post.start()
    driven = ride(config=van_settings(more=mqtt_table(post)))
    driven.start()
    driven.ready()
    messenger_told(driven, ok=True)
    # The last thing that happens by itself: from here on there is nothing to publish.
    driven.event("sound", "caution")
    post.until_available("online")
    seen = len(driven.told.events)
    post.stop()
    assert "warnings in the cab go on, tried again" in messenger_told(driven, ok=False, after=seen)
    post.start()
    messenger_told(driven, ok=True, after=seen)
    post.until_available("online")


def test_with_its_password_it_gets_in(ride: Make, broker: Any, van_settings: Settings, tmp_path: Path) -> None:
    post = broker(password=True)
    post.start()
    secret = tmp_path / "secret"
    secret.write_text(PASSWORD + "\n")
    secret.chmod(0o600)
    table = mqtt_table(post, f'username = "{USER}"', f'password_file = "{secret}"')
    driven = ride(config=van_settings(more=table))
    driven.start()
    messenger_told(driven, ok=True)
    post.until_available("online")
    assert PASSWORD not in driven.log
    assert all(PASSWORD not in words for words in processes_of(driven.folder).values())


def test_a_wrong_password_is_one_clear_line(ride: Make, broker: Any, van_settings: Settings, tmp_path: Path) -> None:
    post = broker(password=True)
    post.start()
    secret = tmp_path / "secret"
    secret.write_text("wrong\n")
    secret.chmod(0o600)
    table = mqtt_table(post, f'username = "{USER}"', f'password_file = "{secret}"')
    driven = ride(config=van_settings(more=table))
    driven.start()
    told = messenger_told(driven, ok=False)
    assert "Not authorized" in told
    assert told.endswith("; warnings in the cab go on, tried again")
    driven.ready()
    assert driven.log.count("Not authorized") == 1
    assert "Traceback" not in driven.log


def test_a_password_that_others_can_read_is_refused_with_what_to_do(
    ride: Make, broker: Any, van_settings: Settings, tmp_path: Path
) -> None:
    post = broker(password=True)
    post.start()
    secret = tmp_path / "secret"
    secret.write_text(PASSWORD + "\n")
    secret.chmod(0o644)
    table = mqtt_table(post, f'username = "{USER}"', f'password_file = "{secret}"')
    driven = ride(config=van_settings(more=table))
    driven.start()
    told = messenger_told(driven, ok=False)
    assert told.startswith(f"messenger: {secret} can be read by others; run: chmod 600 {secret}")
    secret.chmod(0o600)
    messenger_told(driven, ok=True)


def test_without_a_table_for_it_nothing_leaves_the_vehicle(ride: Make) -> None:
    driven = ride()
    driven.start()
    driven.source("adc", ok=True)
    driven.helper("cabcanary.sources.")
    assert not [words for words in processes_of(driven.folder).values() if "messenger" in words]
