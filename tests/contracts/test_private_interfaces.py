"""What two libraries keep to themselves and this program uses all the same: noticed here when it changes."""

import inspect

import aiomqtt
import can
import pytest
from can.interfaces.slcan import slcanBus
from can.interfaces.virtual import VirtualBus

from cabcanary.sources.can.python_can import filters_below

pytestmark = pytest.mark.waits


def test_slcan_keeps_its_port_and_its_silence_where_they_are_looked_for() -> None:
    made = inspect.getsource(slcanBus.__init__)
    assert "self.serialPortOrig" in made
    assert "self._listen_only" in made
    # Opened anew, the channel follows what stands there; its port stays open.
    assert "_listen_only" in inspect.getsource(slcanBus.open)
    assert "serialPortOrig.close" not in inspect.getsource(slcanBus.close)
    assert "serialPortOrig" in inspect.getsource(slcanBus._read)


def test_python_can_says_who_filters_by_one_method() -> None:
    assert inspect.isfunction(can.BusABC._apply_filters)
    bus = VirtualBus("private-interfaces")
    assert not filters_below(bus)
    bus.shutdown()


def test_aiomqtt_tells_of_ends_and_of_refusals_by_the_methods_that_are_overridden() -> None:
    assert list(inspect.signature(aiomqtt.Client._on_publish).parameters)[1:5] == [
        "client",
        "userdata",
        "mid",
        "reason_code",
    ]
    assert inspect.isfunction(aiomqtt.Client._on_disconnect)
    assert inspect.isfunction(aiomqtt.Client._on_socket_register_write)
    made = inspect.getsource(aiomqtt.Client.__init__)
    for name in ("self._connected", "self._disconnected"):
        assert name in made
    assert list(inspect.signature(aiomqtt.Client._on_connect).parameters)[1:6] == [
        "client",
        "userdata",
        "flags",
        "reason_code",
        "properties",
    ]


def test_aiomqtt_publishes_by_a_client_that_gives_each_message_a_number() -> None:
    # The messenger has several under way at a time, and knows each answer by that number.
    published = inspect.getsource(aiomqtt.Client.publish)
    assert "info = self._client.publish(" in published
    assert "info.mid" in published
    assert "info.rc" in published
