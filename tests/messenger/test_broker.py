"""Alerts over MQTT, with a real broker on a loopback port, and with all that goes wrong with brokers."""

from __future__ import annotations

import os
import signal
from typing import TYPE_CHECKING, Any

import pytest
from broker import PASSWORD, TOPIC, USER, mqtt_table
from harness import Ride, processes_of, wait_for

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    Make = Callable[..., Ride]
    Settings = Callable[..., Path]

pytestmark = pytest.mark.waits


#: Just before the over-boost pull of the first drive.
OVER_BOOST_S = 193.0


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
    wait_for("the alert at the broker", lambda: post.alert("over_boost")["active"])
    # Asked again: who was there as it came did not get it as a retained one.
    active = post.alert("over_boost")
    assert post.retained == {f"{TOPIC}/alert/over_boost": True}
    keys = ("t", "text", "state", "active", "raised", "priority", "figures", "say", "do")
    assert {k: active[k] for k in keys} == {k: raised[k] for k in keys}
    assert [seen["channel"] for seen in active["measured"]] == [seen["channel"] for seen in raised["measured"]]
    # The bench van's own limit, of its rule file, in the unit of its channel.
    (over,) = [seen for seen in active["measured"] if seen["channel"] == "boost"]
    (limit,) = over["limits"]
    assert (over["unit"], limit["unit"], limit["comparison"]) == ("psi", "psi", ">")
    assert over["value"] > limit["value"] > 0
    assert active["figures"].startswith(f"boost {over['value']:.3g} ")
    assert (active["alert"], active["vehicle"], len(active["id"])) == ("over_boost", "bench van", 20)
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
    assert "Not authorized; see mqtt.username and its password" in told
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
