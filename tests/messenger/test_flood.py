"""A broker at which anybody may publish: a flood of commands is one acknowledge a second, and a line a minute."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import paho.mqtt.client as paho
import pytest
from broker import TOPIC, Broker
from feeder import Feeder, Messenger, until

from cabcanary.processes.rate import RateLimit
from cabcanary.settings.outputs import Mqtt

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.waits

S = 1_000_000_000


def test_the_first_is_taken_at_once_then_a_few_then_a_steady_rate() -> None:
    limit = RateLimit(1.0, 3)
    taken = [ms for ms in range(10_000) if limit.allows(ms * 1_000_000)]
    assert taken == [0, 1, 2, *range(1000, 10_000, 1000)]


def test_what_is_dropped_is_counted_and_told_once_a_minute() -> None:
    limit = RateLimit(1.0, 1)
    told = []
    for second in range(150):
        for _ in range(4):
            limit.allows(second * S)
            if dropped := limit.to_tell(second * S):
                told.append((second, dropped))
    # Three of four are dropped. The first at once; then after a minute all that came since.
    assert told == [(0, 1), (60, 3 * 60 - 1), (120, 3 * 60)]


def test_acknowledge_over_mqtt_is_off_unless_it_is_set() -> None:
    assert Mqtt(host="broker").acknowledge is False


async def test_a_flood_of_acknowledges_reaches_the_daemon_once_a_second_and_is_one_line(
    broker: Any, tmp_path: Path
) -> None:
    post: Broker = broker()
    post.start()
    feeder = Feeder(tmp_path)
    await feeder.start()
    messenger = Messenger(tmp_path, post.port, acknowledge=True)
    flood = paho.Client(paho.CallbackAPIVersion.VERSION2)
    flood.connect("127.0.0.1", post.port)
    flood.loop_start()
    try:
        await until("the messenger", lambda: feeder.followed and messenger.said("publishing"))

        def first() -> bool:
            flood.publish(f"{TOPIC}/command", '{"do": "acknowledge"}')
            return bool(feeder.commands)

        # Its subscription may still be under way.
        await until("the first", first)
        begun = time.monotonic()
        for _ in range(2700):
            flood.publish(f"{TOPIC}/command", '{"do": "acknowledge"}')
            flood.publish(f"{TOPIC}/command", "nonsense")
        await until("the line", lambda: messenger.said("commands dropped: at most 1 a second"))
        # A thing published after the flood comes after it: here and there all has been judged.
        await until("the other line", lambda: messenger.said("messages that are no command passed over"))
        took_s = time.monotonic() - begun
        assert feeder.commands[0] == {"do": "acknowledge", "by": "mqtt"}
        assert len(feeder.commands) <= 5 + took_s + 1
        assert messenger.said("commands dropped") == 1
        assert messenger.said("no command: b'nonsense'") <= 3
        assert messenger.said("have the broker ask for a login") == 2
    finally:
        messenger.close()
        flood.disconnect()
        flood.loop_stop()
        await feeder.stop()
