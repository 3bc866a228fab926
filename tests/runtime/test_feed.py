"""The local feed: a slow reader is skipped, strangers may look and not touch, rubbish is answered."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from harness import Ride, wait_for

from cabcanary.alerts.sounds import BY_NAME
from cabcanary_bench.drives.scenario import FIRST_DRIVE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    Make = Callable[..., Ride]

pytestmark = pytest.mark.waits


#: The user "nobody" of every Linux system.
NOBODY = 65534


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ride]:
    """One daemon for all that ask it something, with the key on and nobody driving."""
    driven = Ride(tmp_path_factory.mktemp("feed"), FIRST_DRIVE, 10.0, None)
    try:
        driven.rig.skip(5.0)
        driven.start()
        driven.ready()
        yield driven
    finally:
        driven.close()


@pytest.fixture
def reader(watched: Ride) -> Iterator[socket.socket]:
    """One more reader of the feed, as any program may be."""
    with socket.socket(socket.AF_UNIX) as client:
        client.settimeout(20.0)
        client.connect(str(watched.folder / "feed.sock"))
        yield client


def answer(client: socket.socket, key: str) -> Any:
    """The next message of this kind."""
    rest = b""
    while True:
        data = client.recv(65536)
        assert data, "the daemon closed the feed"
        *lines, rest = (rest + data).split(b"\n")
        for line in lines:
            message = json.loads(line)
            if key in message:
                return message[key]


def test_a_reader_that_does_not_read_is_skipped_and_delays_nobody(watched: Ride, reader: socket.socket) -> None:
    watched.wait("frames from before the slow one", lambda: len(watched.told.frames) >= 100)
    reader.sendall(b'{"subscribe": {"frames_hz": 50}}\n')
    # A frame is over 1 kB, and 256 kB may wait in the daemon beside what the kernel holds (commonly 208 kB).
    before = len(watched.told.frames)
    watched.wait("twelve hundred frames for the others", lambda: len(watched.told.frames) >= before + 1200)
    newest = watched.told.frames[-1]["t"]
    got: list[int] = []
    rest = b""
    while not got or got[-1] <= newest:
        *lines, rest = (rest + reader.recv(65536)).split(b"\n")
        got += [m["frame"]["t"] for line in lines if "frame" in (m := json.loads(line))]
    sent = [f["t"] for f in watched.told.frames if got[0] <= f["t"] <= newest]
    assert got == sorted(got)
    assert len([t for t in got if t <= newest]) < len(sent), "nothing was skipped for the slow one"
    # What it did get were whole lines, and the others had their frames as often as before.
    alone = _median_step([f["t"] for f in watched.told.frames[:before]])
    assert _median_step(sent) <= 1.5 * alone


def _median_step(times: list[int]) -> int:
    steps = sorted(b - a for a, b in itertools.pairwise(times))
    return steps[len(steps) // 2]


def test_a_reader_gets_frames_at_the_rate_it_asks_for(watched: Ride, reader: socket.socket) -> None:
    reader.sendall(b'{"subscribe": {"frames_hz": 5}}\n')
    got: list[int] = []
    rest = b""
    while len(got) < 11:
        *lines, rest = (rest + reader.recv(65536)).split(b"\n")
        got += [m["frame"]["t"] for line in lines if "frame" in (m := json.loads(line))]
    # Ten steps of 0.2 s, and at most a tick more for each; a late machine can only make it longer.
    assert (got[10] - got[0]) / 1e9 >= 1.8


def test_hello_says_who_watches_what(watched: Ride, reader: socket.socket) -> None:
    hello = answer(reader, "hello")
    assert hello["vehicle"] == "bench van"
    assert hello["stage"] == "compressor, low boost"
    assert hello["coverage"][0] == {"watched_for": "lean under boost", "watched": "yes", "why": []}
    assert hello["pid"] == watched.pid
    assert hello["units"]["boost"] == "psi"
    assert {name: s["ok"] for name, s in hello["sources"].items() if name in ("adc", "engine", "wideband")} == {
        "adc": True,
        "engine": True,
        "wideband": True,
    }


def test_whoever_asks_is_told_the_status_with_every_channel_and_every_reader(
    watched: Ride, reader: socket.socket
) -> None:
    watched.wait("two seconds of frames", lambda: len(watched.told.frames) > 100)
    reader.sendall(b'{"subscribe": {"frames_hz": 4}, "ask": "status"}\n')
    told = answer(reader, "status")
    assert set(told["channels"]) == set(watched.told.frames[-1]["values"])
    boost = told["channels"]["boost"]
    assert (boost["unit"], boost["made_of"]) == ("psi", ["map", "air_pressure"])
    assert told["started"] <= boost["since"] <= boost["read"] <= told["ticked"] <= told["now"]
    # Since it has been seen, and not since the last tick.
    assert told["ticked"] - boost["since"] > 500_000_000
    assert [a["what"] for a in told["alerts"]] == ["limits_not_confirmed"]
    assert told["folder"] == str(watched.folder)
    mine = [c for c in told["clients"] if c["pid"] == os.getpid()]
    assert sorted(c["frames_hz"] for c in mine) == [4.0, 50.0]
    assert {c["kind"] for c in mine} == {"the monitor's own user and root"}
    assert (told["disk"]["problem"], told["drive"]) == ("", None)


@pytest.mark.parametrize(
    ("sent", "words"),
    [
        (b'{"ask": "time"}\n', "only the status may be asked for"),
        (b'{"ask": ["status"]}\n', "only the status may be asked for"),
        (b"what is this\n", "not a JSON object"),
        (b"\xff\xfe\x00\n", "not a JSON object"),
        (b"[1, 2]\n", "not a JSON object"),
        (b"\n", "not a JSON object"),
        (b'{"subscribe": {"frames_hz": 1e9}}\n', "frames_hz must be from 0 to 100"),
        (b'{"subscribe": {"frames_hz": -1}}\n', "frames_hz must be from 0 to 100"),
        (b'{"subscribe": {"frames_hz": NaN}}\n', "frames_hz must be from 0 to 100"),
        (b'{"subscribe": {"frames_hz": "ten"}}\n', "frames_hz must be from 0 to 100"),
    ],
)
def test_rubbish_is_answered_and_the_reader_stays(
    watched: Ride, reader: socket.socket, sent: bytes, words: str
) -> None:
    reader.sendall(sent)
    assert words in answer(reader, "error")
    reader.sendall(b'{"do": "acknowledge"}\n')
    assert "acknowledged" in answer(reader, "reply")
    assert "Traceback" not in watched.log


@pytest.mark.parametrize("command", [b'{"do": "reboot"}\n', b'{"do": null}\n', b'{"do": ["acknowledge"]}\n'])
def test_an_unknown_command_is_answered_with_the_known_ones(
    watched: Ride, reader: socket.socket, command: bytes
) -> None:
    reader.sendall(command)
    error = answer(reader, "reply")["error"]
    assert error.startswith("unknown command ")
    assert "acknowledge" in error


def test_a_line_without_an_end_costs_its_sender_the_connection_and_nobody_else(
    watched: Ride, reader: socket.socket
) -> None:
    with contextlib.suppress(ConnectionError):
        reader.sendall(b"x" * 100_000)
        while reader.recv(65536):
            pass
    assert watched.told.lost is False
    watched.frame("the others' frames", bool)
    assert "Traceback" not in watched.log


_ASK_AS_NOBODY = f"""
import json, os, socket, sys
client = socket.socket(socket.AF_UNIX)
os.setgroups([]); os.setgid({NOBODY}); os.setuid({NOBODY})
client.settimeout(20)
client.connect(sys.argv[1])
client.sendall(b'{{"do": "acknowledge"}}\\n{{"subscribe": {{"frames_hz": 10}}}}\\n')
seen, lines = {{}}, client.makefile("rb")
while not ("error" in seen and "frame" in seen):
    message = json.loads(lines.readline())
    assert "reply" not in message, message
    seen.update(message)
print(seen["error"])
"""


@pytest.mark.skipif(os.getuid() != 0, reason="only root can become another user")
def test_another_user_may_look_and_not_touch(ride: Make, van_settings: Callable[..., Path]) -> None:
    # The test's own folder is closed to other users, so the feed gets one that is open.
    place = Path(tempfile.mkdtemp(prefix="feed-"))
    try:
        place.chmod(0o755)
        setting = 'folder = "${CABCANARY_BENCH:-/var/lib/cabcanary}"'
        config = van_settings((setting, f'{setting}\nfeed = "{place}/feed.sock"'))
        driven = ride(config=config)
        (driven.folder / "feed.sock").symlink_to(place / "feed.sock")
        driven.rig.skip(5.0)
        driven.start()
        done = subprocess.run(
            [sys.executable, "-c", _ASK_AS_NOBODY, str(place / "feed.sock")],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert (done.returncode, done.stderr) == (0, "")
        assert done.stdout == "only the daemon's own user and root may give commands\n"
        assert [e for e in driven.told.events if e["kind"] == "acknowledge"] == []
    finally:
        shutil.rmtree(place)


def test_acknowledge_silences_the_sound_and_not_the_state(ride: Make) -> None:
    driven = ride()
    # The van drives from the first moment on: wires that stand still in mid-drive are told too, as soon as that lasts.
    driven.rig.skip(178.0)
    driven.start()
    driven.rig.start_van()
    driven.raised("over_boost")
    wait_for("the sound", lambda: any(p["state"] and p["frequency"] == 1600.0 for p in driven.pins()))
    driven.told.command({"do": "acknowledge"})
    state = driven.event("alert", "over_boost", state="active, acknowledged")
    assert (state["active"], state["acknowledged"], state["raised"]) == (True, True, False)
    # The event goes out with the tick, the reply with the loop's next turn: either may come first.
    reply = wait_for("the reply", lambda: next((o["reply"] for o in driven.told.others if "reply" in o), None))
    # A daemon that starts in mid-drive is blind until the bus has told the air's pressure: that is acknowledged too.
    assert "over_boost" in reply["acknowledged"]
    driven.event("sound", "silence")
    returned = driven.event("alert", "over_boost", state="normal")
    assert returned["t"] - state["t"] > 1_000_000_000
    # Between the two the condition stood, and was not heard: there was the short sound that says "taken", and, on a
    # machine that was held up, whatever else it had to tell in that time.
    heard = [e for e in driven.told.events if e["kind"] == "sound" and e["t"] > state["t"]]
    assert [e for e in heard if e.get("alert") == "over_boost" or e["what"] == "warning"] == []
    pitches = {tone.frequency for e in heard if e["what"] in BY_NAME for tone in BY_NAME[e["what"]].tones}
    buzzer = [p for p in driven.pins() if p["pin"] == "GPIO18"]
    later = [p for p in buzzer if p["t"] * driven.rig.clock.speed > state["t"] + 20_000_000]
    assert {p["frequency"] for p in later if p["state"]} <= {880.0} | pitches
    assert heard or later[-1]["state"] == 0
    assert driven.alerts().count("over_boost") == 1
