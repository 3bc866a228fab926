"""What libraries keep to themselves and this program uses all the same: noticed here when it changes."""

import argparse
import inspect

import aiomqtt
import can
import pytest
import uvicorn
from can.interfaces.slcan import slcanBus
from can.interfaces.virtual import VirtualBus
from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle

from cabcanary.cli.described import described
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


def test_uvicorns_connection_keeps_what_the_pages_ask_of_it() -> None:
    made = inspect.getsource(H11Protocol.__init__)
    for name in ("self.loop", "self.transport", "self.cycle"):
        assert name in made
    assert "self.response_complete = " in inspect.getsource(RequestResponseCycle.__init__)
    assert "capture_signals" in inspect.getsource(uvicorn.Server.serve)
    assert "self.transport = transport" in inspect.getsource(H11Protocol.connection_made)


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


def test_argparse_keeps_its_arguments_and_commands_where_completion_and_manual_read_them() -> None:
    parser = argparse.ArgumentParser(prog="it")
    parser.add_argument("--speed", type=float, default=2.0, help="times (%(default)s)")
    verbs = parser.add_subparsers(metavar="COMMAND")
    verbs.add_parser("go", help="set off").add_argument("where", nargs="+", choices=("home", "out"))
    root = described(parser)
    assert [(a.flags, a.value, a.help) for a in root.arguments][1:] == [(("--speed",), "SPEED", "times (2.0)")]
    assert root.usage == "it [-h] [--speed SPEED] COMMAND ..."
    (go,) = root.below
    assert (go.words, go.help) == (("go",), "set off")
    assert (go.arguments[1].choices, go.arguments[1].many) == (("home", "out"), True)
