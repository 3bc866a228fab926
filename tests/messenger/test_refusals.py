"""What a broker refuses is one clear line for each kind, and all is well again once it takes it."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest
from broker import TOPIC, Broker
from feeder import Feeder, Messenger, until

from cabcanary.messenger.refusals import REFUSED_S, Refusals
from cabcanary.model import EventKind
from cabcanary.processes.status import Status

pytestmark = pytest.mark.waits


class Told:
    """A status whose lines are kept, and a clock."""

    def __init__(self) -> None:
        self.lines: list[tuple[bool, str]] = []
        self.now_s = 0.0
        self.status = Status("messenger", lambda _name, ok, words: self.lines.append((ok, words)))
        self.refusals = Refusals(self.status, "fine", lambda: self.now_s)


def test_topics_that_are_refused_are_one_line_and_good_again_when_all_are_taken() -> None:
    told = Told()
    told.refusals.refused("van/event", "no messages")
    told.refusals.refused("van/drive", "no messages")
    assert told.refusals.resting() == {"van/event", "van/drive"}
    told.now_s = 10 * REFUSED_S
    assert told.refusals.resting() == frozenset()
    told.refusals.refused("van/event", "no messages")
    assert told.lines == [(False, "no messages")]
    told.refusals.taken("van/alert/x")
    told.refusals.taken("van/drive")
    assert told.lines == [(False, "no messages")]
    told.refusals.taken("van/event")
    assert told.lines == [(False, "no messages"), (True, "fine")]


def test_each_kind_is_a_line_of_its_own_and_what_is_left_is_said() -> None:
    told = Told()
    told.refusals.refused("van/command", "no commands")
    told.refusals.refused("van/event", "no messages")
    told.refusals.taken("van/event")
    assert [words for _, words in told.lines] == ["no commands", "no messages", "no commands"]
    assert told.status.ok is False


def test_a_refused_message_that_has_gone_some_other_way_is_refused_no_more() -> None:
    told = Told()
    told.refusals.refused("van/event", "no messages")
    told.refusals.refused("van/availability", "no availability")
    told.refusals.none_waits(but={"van/availability"})
    assert told.lines[-1] == (False, "no availability")
    told.refusals.taken("van/availability")
    assert told.lines[-1] == (True, "fine")


# --- at a broker ----------------------------------------------------------------------------------------------------


def lines(messenger: Messenger, words: str) -> list[str]:
    return [line["text"] for line in messenger.told if words in line["text"]]


async def test_a_refused_availability_and_refused_settled_alerts_are_a_line_each(broker: Any, tmp_path: Path) -> None:
    acl = tmp_path / "acl"
    acl.write_text(f"topic read {TOPIC}/#\ntopic write {TOPIC}/event\n")
    open_broker: Broker = broker()
    open_broker.start()
    feeder = Feeder(tmp_path)
    await feeder.start()
    messenger = Messenger(tmp_path, open_broker.port)
    try:
        await until("the messenger", lambda: feeder.followed and messenger.said("publishing"))
        # Two alerts that stand, and that the broker has.
        feeder.alert("lean", active=True)
        feeder.alert("hot", active=True)
        await until("the alert", lambda: open_broker.alert("hot")["active"])
        messenger.close()
        open_broker.stop()
        strict: Broker = broker(more=[f"acl_file {acl}"])
        strict.start()
        messenger = Messenger(tmp_path, strict.port)
        await until("both lines", lambda: len(lines(messenger, "refuses")) == 2)
        (availability,) = lines(messenger, f"refuses {TOPIC}/availability (Not authorized): let this user write there")
        assert "or nobody sees whether the monitor is there; warnings in the cab go on" in availability
        assert lines(messenger, f"refuses messages below {TOPIC} (Not authorized): let this user write there")
        # What it may write is taken all the same.
        listening = asyncio.ensure_future(asyncio.to_thread(strict.messages, f"{TOPIC}/event", 1))
        while not listening.done():
            feeder.tell(EventKind.NOTE, "note", "still heard")
            await asyncio.sleep(0.1)
        ((_, payload),) = listening.result()
        assert json.loads(payload)["text"] == "still heard"
        assert len(lines(messenger, "refuses")) == 2
        assert messenger.told[-1]["ok"] is False
    finally:
        messenger.close()
        await feeder.stop()


async def test_after_a_refusal_the_standing_is_good_again_once_the_broker_takes_it(
    broker: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The first retry comes after a second instead of half a minute.
    (tmp_path / "quick").mkdir()
    code = "from cabcanary.messenger import broker, refusals\nrefusals.REFUSED_S = broker.REFUSED_S = 1.0\n"
    code += "refusals.Refusals.__init__.__globals__['_LONGEST_REFUSED_S'] = 1.0\n"
    (tmp_path / "quick" / "sitecustomize.py").write_text(code)
    monkeypatch.setenv("PYTHONPATH", f"{tmp_path}/quick", prepend=":")
    acl = tmp_path / "acl"
    acl.write_text(f"topic read {TOPIC}/#\ntopic write {TOPIC}/alert/#\n")
    post: Broker = broker(more=[f"acl_file {acl}"])
    post.start()
    feeder = Feeder(tmp_path)
    await feeder.start()
    messenger = Messenger(tmp_path, post.port)
    try:
        await until("the messenger", lambda: feeder.followed and messenger.said("publishing"))
        feeder.tell(EventKind.NOTE, "note", "kept")
        await until("both refusals", lambda: len(lines(messenger, "refuses")) == 2)
        acl.write_text(f"topic readwrite {TOPIC}/#\n")
        post._process.send_signal(1)  # type: ignore[union-attr]
        await until("the good standing", lambda: messenger.told[-1]["ok"])
        assert messenger.told[-1]["text"] == f"publishing to 127.0.0.1:{post.port}"
        assert post.availability() == "online"
    finally:
        messenger.close()
        await feeder.stop()


@pytest.mark.parametrize(
    ("protocol", "reason"),
    # The codes of a refused subscription in MQTT 5 (section 3.9.3) and 3.1.1 (3.9.3): the latter has one for all.
    [("5", "Not authorized"), ("3.1.1", "Unspecified error")],
)
async def test_a_refused_subscription_is_one_clear_line(
    broker: Any, tmp_path: Path, protocol: str, reason: str
) -> None:
    plugin = next(Path("/usr/lib").glob("*/mosquitto_dynamic_security.so"))
    access = {"publishClientSend": True, "publishClientReceive": True, "subscribe": False, "unsubscribe": True}
    (tmp_path / "access.json").write_text(json.dumps({"defaultACLAccess": access}))
    post: Broker = broker(more=[f"plugin {plugin}", f"plugin_opt_config_file {tmp_path}/access.json"])
    post.start()
    feeder = Feeder(tmp_path)
    await feeder.start()
    messenger = Messenger(tmp_path, post.port, acknowledge=True, protocol=protocol)
    try:
        await until("the line", lambda: lines(messenger, "refuses"))
        # Messages are taken, which does not make a refused subscription good.
        feeder.tell(EventKind.NOTE, "note", "taken")
        await until("the outbox to be empty", lambda: feeder.followed)
        (line,) = lines(messenger, "refuses")
        assert f"refuses to let us listen at {TOPIC}/command ({reason}): let this user read there, or set" in line
        assert "mqtt.acknowledge = false; warnings in the cab go on" in line
        assert messenger.told[-1]["ok"] is False
    finally:
        messenger.close()
        await feeder.stop()
