"""What is published, to whom, over what; and what the broker's own rules make of it."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jsonschema
import jsonschema_rs
import pytest
from broker import PASSWORD, TOPIC, USER, Broker, mqtt_table
from harness import Ride, wait_for

from cabcanary.messenger.broker import Broker as MessengerBroker
from cabcanary.messenger.credentials import SecretError, hung_up, read_credential, tls_context
from cabcanary.messenger.mqtt_client import without_closed_sockets
from cabcanary.messenger.payloads import MODELS, SCHEMAS, message_of, schema_text
from cabcanary.processes.status import Status

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    Make = Callable[..., Ride]
    Settings = Callable[..., Path]

pytestmark = pytest.mark.waits


OVER_BOOST_S = 193.0


class Subscriber:
    """mosquitto_sub, kept listening."""

    def __init__(self, post: Broker, log: Path) -> None:
        self._log = log
        command = ["mosquitto_sub", *post._who, "-t", f"{TOPIC}/#", "-q", "1", "-F", "%r %t %p"]
        with log.open("wb") as out:
            self._process = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT)
        time.sleep(0.3)

    @property
    def got(self) -> list[tuple[str, str]]:
        lines = [line.split(" ", 2) for line in self._log.read_text().splitlines(keepends=True) if line.endswith("\n")]
        return [(topic.removeprefix(f"{TOPIC}/"), payload.rstrip("\n")) for _, topic, payload in lines]

    def of(self, start: str) -> list[dict[str, Any]]:
        return [json.loads(payload) for topic, payload in self.got if topic.startswith(start)]

    def close(self) -> None:
        self._process.terminate()
        self._process.wait(30)


@pytest.fixture
def listener(tmp_path: Path) -> Iterator[Callable[[Broker], Subscriber]]:
    made: list[Subscriber] = []

    def make(post: Broker) -> Subscriber:
        made.append(Subscriber(post, tmp_path / f"subscriber{len(made)}.log"))
        return made[-1]

    yield make
    for one in made:
        one.close()


def told(driven: Ride, *, ok: bool, after: int = 0) -> str:
    return str(driven.event("helper", "messenger", after, ok=ok)["text"])


def told_until(driven: Ride, words: str) -> list[str]:
    """What the messenger told of its troubles, up to the line with these words."""

    def found() -> list[str] | None:
        lines = [
            str(event["text"])
            for event in list(driven.told.events)
            if (event["kind"], event["what"]) == ("helper", "messenger") and not event["ok"]
        ]
        return lines if lines and words in lines[-1] else None

    return list(driven.wait(f"the messenger to tell {words!r}", found))


FIGURE: dict[str, Any] = {
    "channel": "boost", "value": 9.1, "unit": "psi", "uncertainty": 0.2, "quality": "good",
    "limits": [{"comparison": ">", "value": 8.0, "unit": "psi", "sureness": "likely"}],
}  # fmt: skip
ALERT: dict[str, Any] = {
    "id": "1", "vehicle": "v", "t": 1, "time": "", "text": "", "alert": "over_boost", "state": "active, unacknowledged",
    "active": True, "acknowledged": False, "raised": True, "priority": "warning", "blind": False,
}  # fmt: skip


# --- the payloads ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", MODELS)
def test_the_schemas_that_are_shipped_are_those_of_the_models(name: str) -> None:
    shipped = (SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8")
    assert shipped == schema_text(name), "run: python -m cabcanary.messenger.payloads"
    # Two libraries of others: one knows 2020-12, which the schemas say that they are, the other draft 4 only.
    jsonschema_rs.meta.validate(json.loads(shipped))
    jsonschema.Draft4Validator.check_schema(json.loads(shipped))


def judges(name: str) -> tuple[Any, Any]:
    """The shipped file, as it is, in the hands of both."""
    shipped = json.loads((SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8"))
    return jsonschema_rs.Draft202012Validator(shipped), jsonschema.Draft4Validator(shipped)


def validate(name: str, payload: Any) -> None:
    for judge in judges(name):
        judge.validate(payload)


def test_all_that_a_drive_publishes_fits_its_schema_and_values_come_at_the_chosen_rate(
    ride: Make, broker: Any, van_settings: Settings, listener: Any
) -> None:
    post = broker()
    post.start()
    heard = listener(post)
    more = mqtt_table(post, 'values = ["boost", "lambda", "supply"]', "values_hz = 1")
    driven = ride(config=van_settings(more=more))
    driven.begin(at_s=OVER_BOOST_S)
    driven.raised("over_boost")
    driven.event("alert", "over_boost", state="normal")
    wait_for("the alert's end", lambda: [a for a in heard.of("alert/over_boost") if a["state"] == "normal"])
    driven.until(215.0)
    driven.stop()
    wait_for("the farewell", lambda: heard.got[-1] == ("availability", "offline"))
    kinds: dict[str, int] = {}
    for topic, payload in heard.got:
        kind = topic.split("/")[0]
        kinds[kind] = kinds.get(kind, 0) + 1
        if kind == "availability":
            assert payload in ("online", "offline")
        else:
            validate(kind, json.loads(payload))
    assert {"availability", "alert", "coverage", "drive", "event", "values"} <= set(kinds)
    (told,) = heard.of("coverage")
    assert {w["watched_for"]: w["watched"] for w in told["coverage"]}["lean under boost"] == "yes"
    values = heard.of("values")
    # Once a second of the monitor's clock, no more often than that.
    assert 5 < len(values) <= (values[-1]["t"] - values[0]["t"]) / 1e9 + 2
    assert values[-1]["values"]["boost"]["unit"] == "psi"
    now = datetime.now().astimezone()
    assert abs((datetime.fromisoformat(values[-1]["time"]) - now).total_seconds()) < 120


@pytest.mark.parametrize(
    ("name", "payload"),
    [
        ("alert", {"alert": "x"}),
        ("alert", {**ALERT, "measured": [{"channel": "boost", "value": 9.1}]}),
        ("alert", {**ALERT, "measured": [{**FIGURE, "value": "9.1 psi"}]}),
        ("alert", {**ALERT, "measured": [{**FIGURE, "limits": [{"comparison": "about", "unit": "psi"}]}]}),
        ("alert", {**ALERT, "measured": "boost 9.1 psi"}),
        ("alert", {"id": "1", "vehicle": "v", "t": "late", "time": "", "text": "", "alert": "x"}),
        ("command", {"do": "stage"}),
        ("command", {"do": "acknowledge", "and": "more"}),
        ("values", {"vehicle": "v", "t": 1, "time": "", "values": {"boost": 3.0}}),
    ],
)
def test_what_is_none_of_ours_does_not_fit(name: str, payload: dict[str, Any]) -> None:
    for judge, error in zip(judges(name), (jsonschema_rs.ValidationError, jsonschema.ValidationError), strict=True):
        with pytest.raises(error):
            judge.validate(payload)


def test_an_alert_carries_its_figures_as_numbers_and_one_of_before_had_none() -> None:
    validate("alert", ALERT)
    validate("alert", {**ALERT, "measured": [FIGURE, {"channel": "lambda", "unit": "lambda", "quality": "stale"}]})
    event = {
        "kind": "alert",
        "what": "over_boost",
        "measured": [FIGURE],
        **{k: ALERT[k] for k in ALERT if k != "alert"},
    }
    _, _, message = message_of(event, "1", "v", "")
    payload = json.loads(message.model_dump_json(exclude_none=True))
    validate("alert", payload)
    assert payload["measured"] == [FIGURE]


def test_the_one_command_there_is_fits_its_schema() -> None:
    validate("command", {"do": "acknowledge"})


# --- states that outlive their daemon -------------------------------------------------------------------------------


def test_an_alert_that_stood_when_the_daemon_was_killed_is_taken_back_by_the_next(
    ride: Make, broker: Any, van_settings: Settings
) -> None:
    post = broker()
    post.start()
    driven = ride(config=van_settings(more=mqtt_table(post)))
    driven.begin(at_s=OVER_BOOST_S)
    driven.raised("over_boost")
    wait_for("the alert at the broker", lambda: post.alert("over_boost")["active"])
    driven.kill()
    post.until_available("offline")
    driven.rig.park()  # the van stands still: no boost any more
    for _ in range(50):
        driven.rig.van.step(0.0)
    driven.start()
    wait_for("its end at the broker", lambda: not post.alert("over_boost")["active"])
    assert post.alert("over_boost")["text"].endswith("normal (the monitor was started anew)")


def test_limits_that_are_confirmed_are_no_longer_said_to_be_examples(
    ride: Make, broker: Any, van_settings: Settings
) -> None:
    post = broker()
    post.start()
    config = van_settings(more=mqtt_table(post))
    driven = ride(config=config)
    driven.start()
    wait_for("the notice", lambda: post.alert("limits_not_confirmed")["raised"])
    assert driven.stop() == 0
    assert post.alert("limits_not_confirmed")["raised"]
    config.write_text(config.read_text().replace('confirmed_by = ""', 'confirmed_by = "a tuner"'))
    driven.start()
    wait_for("its end", lambda: not post.alert("limits_not_confirmed")["raised"])
    state = post.alert("limits_not_confirmed")
    assert (state["state"], state["active"], state["acknowledged"]) == ("normal", False, True)
    assert post.retained == {f"{TOPIC}/alert/limits_not_confirmed": True}


def test_a_broker_that_forgot_what_it_retained_is_told_again_what_stands(
    ride: Make, broker: Any, van_settings: Settings
) -> None:
    post = broker()
    post.start()
    config = van_settings(more=mqtt_table(post))
    rules = config.parent / "rules" / "bench-van.toml"
    rule = '\n[[rule]]\nid = "alive"\npriority = "advisory"\nsay = "Alive"\ndo = "Know"\nwhen = "supply > 5 V"\n'
    rules.write_text(rules.read_text() + rule)
    driven = ride(config=config)
    driven.start()
    driven.raised("alive")
    first = wait_for("the alert at the broker", lambda: post.alert("alive"))
    post.stop(signal.SIGKILL)
    post.start()
    # The same state with the same id: whoever has it already knows that it is no news.
    again = wait_for("the alert at the new broker", lambda: dict(post.messages(f"{TOPIC}/alert/alive", 1)))
    assert json.loads(again[f"{TOPIC}/alert/alive"])["id"] == first["id"]


# --- acknowledge ----------------------------------------------------------------------------------------------------


def test_acknowledge_is_taken_where_it_is_enabled(ride: Make, broker: Any, van_settings: Settings) -> None:
    post = broker()
    post.start()
    # It was published before anybody was there, and retained: it must not acknowledge what comes later.
    post.publish(f"{TOPIC}/command", '{"do": "acknowledge"}', retain=True)
    driven = ride(config=van_settings(more=mqtt_table(post, "acknowledge = true")))
    driven.begin(at_s=OVER_BOOST_S)
    driven.raised("over_boost")
    assert not [e for e in driven.told.events if e["kind"] == "acknowledge"]

    def asked() -> dict[str, Any] | None:
        # What comes before the messenger listens is gone: on a busy machine that is a while after the alert.
        post.publish(f"{TOPIC}/command", "nonsense")
        post.publish(f"{TOPIC}/command", '{"do": "acknowledge"}')
        time.sleep(0.5)
        return next((e for e in list(driven.told.events) if (e["kind"], e["what"]) == ("acknowledge", "mqtt")), None)

    assert driven.wait("the acknowledgement", asked)["text"].endswith("acknowledged")
    driven.logged("no command: b'nonsense'")


def test_acknowledge_is_not_taken_where_it_is_not(ride: Make, broker: Any, van_settings: Settings) -> None:
    post = broker()
    post.start()
    driven = ride(config=van_settings(more=mqtt_table(post)))
    driven.begin(at_s=OVER_BOOST_S)
    driven.raised("over_boost")
    post.publish(f"{TOPIC}/command", '{"do": "acknowledge"}')
    driven.event("alert", "over_boost", state="normal")
    assert not [e for e in driven.told.events if e["kind"] == "acknowledge"]


# --- the will, and both versions ------------------------------------------------------------------------------------


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_killed_messenger_leaves_its_will_retained_in_both_versions(
    ride: Make, broker: Any, van_settings: Settings, listener: Any, protocol: str
) -> None:
    post = broker()
    post.start()
    driven = ride(config=van_settings(more=mqtt_table(post, f'protocol = "{protocol}"')))
    driven.start()
    told(driven, ok=True)
    post.until_available("online")
    # Seen live it is not marked as retained, asked for later it is (MQTT 3.1.1, section 3.3.1.3; MQTT 5, 3.3.1.3).
    heard = listener(post)
    os.kill(driven.helper("cabcanary.messenger.mqtt"), signal.SIGKILL)
    wait_for("the will", lambda: ("availability", "offline") in heard.got)
    post.until_available("online")
    assert post.retained == {f"{TOPIC}/availability": True}


# --- refusals -------------------------------------------------------------------------------------------------------


def test_a_refused_topic_is_one_clear_line_and_holds_up_no_other(
    ride: Make, broker: Any, van_settings: Settings, tmp_path: Path
) -> None:
    acl = tmp_path / "acl"
    acl.write_text(f"topic read {TOPIC}/#\ntopic write {TOPIC}/alert/#\ntopic write {TOPIC}/availability\n")
    post = broker(more=[f"acl_file {acl}"])
    post.start()
    driven = ride(config=van_settings(more=mqtt_table(post)))
    driven.begin(at_s=OVER_BOOST_S)
    # Events are refused, alerts are not.
    text = told(driven, ok=False)
    assert f"refuses messages below {TOPIC} (Not authorized): let this user write there" in text
    driven.raised("over_boost")
    assert driven.event("sound", "warning")["alert"] == "over_boost"
    wait_for("the alert at the broker", lambda: post.alert("over_boost")["active"])
    assert driven.log.count("refuses messages") == 1
    # No storm: each topic was tried once.
    assert post.log.count("Denied PUBLISH") <= 5


def connections(post: Broker) -> int:
    return post.log.count("New connection from")


def test_a_wrong_password_is_shown_to_the_broker_seldom_and_warnings_go_on(
    ride: Make, broker: Any, van_settings: Settings, tmp_path: Path
) -> None:
    post = broker(password=True)
    post.start()
    secret = tmp_path / "secret"
    secret.write_text("wrong\n")
    secret.chmod(0o600)
    driven = ride(config=van_settings(more=mqtt_table(post, f'username = "{USER}"', f'password_file = "{secret}"')))
    driven.begin(at_s=OVER_BOOST_S)
    assert "Not authorized; see mqtt.username and its password" in told(driven, ok=False)
    driven.raised("over_boost")
    assert driven.event("sound", "warning")["alert"] == "over_boost"
    before = connections(post)
    time.sleep(6.0)
    # The first wait is 2.5 to 5 s, and each is longer than the one before.
    assert connections(post) - before <= 2
    assert driven.log.count("Not authorized") == 1


def test_a_systemd_credential_is_a_password_too(
    ride: Make, broker: Any, van_settings: Settings, tmp_path: Path
) -> None:
    post = broker(password=True)
    post.start()
    (tmp_path / "credentials").mkdir()
    (tmp_path / "credentials" / "mqtt").write_text(PASSWORD + "\n")
    driven = ride(config=van_settings(more=mqtt_table(post, f'username = "{USER}"', 'password_credential = "mqtt"')))
    driven.start(CREDENTIALS_DIRECTORY=str(tmp_path / "credentials"))
    told(driven, ok=True)
    post.until_available("online")


def test_a_credential_that_was_not_handed_over_says_what_to_add(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    with pytest.raises(SecretError, match="add LoadCredential=mqtt:FILE to the unit"):
        read_credential("mqtt")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    with pytest.raises(SecretError, match="no credential 'mqtt'"):
        read_credential("mqtt")


# --- TLS ------------------------------------------------------------------------------------------------------------


def openssl(*arguments: str, folder: Path) -> None:
    subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True, timeout=60)


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An authority, a broker's certificate, one that has expired, and a client's."""
    folder = tmp_path_factory.mktemp("keys")
    for name in ("ca", "other"):
        subject = ("-subj", f"/CN={name}", "-days", "2", "-keyout", f"{name}.key", "-out", f"{name}.pem")
        openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", *subject, folder=folder)
    (folder / "names").write_text("subjectAltName=IP:127.0.0.1\n")
    (folder / "index").write_text("")
    for name, past in (
        ("broker", False),
        ("client", False),
        ("expired", True),
    ):
        request = ("-newkey", "rsa:2048", "-nodes", "-subj", f"/CN={name}", "-keyout", f"{name}.key")
        openssl("req", *request, "-out", f"{name}.csr", folder=folder)
        if past:
            (folder / "ca.conf").write_text(
                "[ca]\ndefault_ca=a\n[a]\ndatabase=index\nserial=serial\nnew_certs_dir=.\ndefault_md=sha256\n"
                "policy=p\n[p]\nCN=supplied\n"
            )
            (folder / "serial").write_text("01\n")
            when = ("-startdate", "20200101000000Z", "-enddate", "20200201000000Z")
            signed = (
                "-cert",
                "ca.pem",
                "-keyfile",
                "ca.key",
                "-in",
                f"{name}.csr",
                "-out",
                f"{name}.pem",
                "-extfile",
                "names",
            )
            openssl("ca", "-batch", "-config", "ca.conf", *when, *signed, folder=folder)
        else:
            signed = ("-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", "2", "-extfile", "names")
            openssl("x509", "-req", "-in", f"{name}.csr", *signed, "-out", f"{name}.pem", folder=folder)
    return folder


def tls_lines(keys: Path, certificate: str = "broker", *, client: bool = False) -> list[str]:
    more = ["require_certificate true"] if client else []
    return [f"cafile {keys}/ca.pem", f"certfile {keys}/{certificate}.pem", f"keyfile {keys}/{certificate}.key", *more]


def test_over_tls_with_a_clients_certificate_it_gets_in(
    ride: Make, broker: Any, van_settings: Settings, keys: Path
) -> None:
    post = broker(more=tls_lines(keys, client=True))
    post.tls = ["--cafile", f"{keys}/ca.pem", "--cert", f"{keys}/client.pem", "--key", f"{keys}/client.key"]
    post.start()
    table = f'tls = {{ ca = "{keys}/ca.pem", certificate = "{keys}/client.pem", key = "{keys}/client.key" }}'
    driven = ride(config=van_settings(more=mqtt_table(post, table)))
    driven.start()
    told(driven, ok=True)
    post.until_available("online")


@pytest.mark.parametrize(
    ("certificate", "client", "table", "words"),
    [
        ("expired", False, 'ca = "{keys}/ca.pem"', "its certificate is refused: certificate has expired; renew it"),
        ("broker", False, 'ca = "{keys}/other.pem"', "its certificate is refused: "),
        ("broker", True, 'ca = "{keys}/ca.pem"', "it refuses us: certificate required"),
        (
            "broker",
            True,
            'ca = "{keys}/ca.pem", certificate = "{keys}/expired.pem", key = "{keys}/expired.key"',
            "it refuses us: certificate expired",
        ),
    ],
    ids=["the broker's has expired", "of another authority", "ours is missing", "ours has expired"],
)
def test_a_certificate_that_does_not_do_is_one_clear_line_and_no_storm(
    ride: Make, broker: Any, van_settings: Settings, keys: Path, certificate: str, client: bool, table: str, words: str
) -> None:
    post = broker(more=tls_lines(keys, certificate, client=client))
    post.start()
    driven = ride(config=van_settings(more=mqtt_table(post, "tls = { " + table.format(keys=keys) + " }")))
    driven.begin(at_s=OVER_BOOST_S)
    # The broker's reason and its hanging up race each other to us: a try that comes to know no reason is told as that,
    # and the reason at a later one. From then on there is nothing new to tell.
    text, *mute = reversed(told_until(driven, words))
    assert all("it hung up and did not say why" in line for line in mute), mute
    assert len(mute) <= 1
    assert text.endswith("; warnings in the cab go on, tried again")
    driven.raised("over_boost")
    assert driven.event("sound", "warning")["alert"] == "over_boost"
    before = connections(post)
    time.sleep(4.0)
    # Waits double from half a second: 0.25 to 0.5, then up to 1, 2, 4 s.
    assert connections(post) - before <= 6
    assert driven.log.count("messenger: broker") == 1 + len(mute)
    assert "Traceback" not in driven.log


def test_a_broker_that_hangs_up_without_a_word_does_not_displace_its_reason() -> None:
    # What asyncio and OpenSSL raise where the reason and the end of the connection race each other.
    said = (
        "failed to receive on socket: EOF occurred in violation of protocol (_ssl.c:2427)",
        "[Errno 104] Connection reset by peer",
        "[Errno 32] Broken pipe",
    )
    assert all(hung_up(OSError(words)) for words in said)
    assert not hung_up(OSError("[SSL: TLSV13_ALERT_CERTIFICATE_REQUIRED] tlsv13 alert certificate required"))
    assert not hung_up(OSError("[Errno 111] Connection refused"))


REFUSED = "[SSL: TLSV13_ALERT_CERTIFICATE_REQUIRED] tlsv13 alert certificate required"
HUNG_UP, AWAY = "EOF occurred in violation of protocol (_ssl.c:2427)", "[Errno 111] Connection refused"


@pytest.mark.parametrize(
    ("tries", "told"),
    [
        ((REFUSED, HUNG_UP, REFUSED, HUNG_UP), ("it refuses us: certificate required",)),
        ((AWAY, HUNG_UP, REFUSED), ("Connection refused", "it hung up and did not say why", "it refuses us")),
        ((HUNG_UP, REFUSED, AWAY), ("it hung up and did not say why", "it refuses us", "Connection refused")),
    ],
)
def test_a_reason_is_told_once_though_the_broker_hangs_up_between(
    monkeypatch: pytest.MonkeyPatch, tries: tuple[str, ...], told: tuple[str, ...]
) -> None:
    heard: list[str] = []
    settings = {"topic": "van", "host": "broker", "port": 8883}
    status = Status("messenger", lambda _name, _ok, words: heard.append(words))
    broker: Any = MessengerBroker(settings, None, None, status)  # type: ignore[arg-type]
    left = list(tries)

    def connect() -> Any:
        if not left:
            raise asyncio.CancelledError
        raise OSError(left.pop(0))

    async def no_wait(_seconds: float) -> None:
        return None

    monkeypatch.setattr(broker, "_client", connect)
    monkeypatch.setattr("cabcanary.messenger.broker.asyncio.sleep", no_wait)
    with pytest.raises(asyncio.CancelledError):
        asyncio.run(broker.run())
    assert len(heard) == len(told), heard
    assert all(words in line for words, line in zip(told, heard, strict=True)), heard


def test_a_socket_closed_before_it_is_watched_is_no_fault_of_ours(caplog: pytest.LogCaptureFixture) -> None:
    async def watch_what_is_closed() -> None:
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(without_closed_sockets)
        mine, theirs = socket.socketpair()
        number = mine.fileno()
        mine.close()
        loop.call_soon(loop.add_writer, number, print)
        loop.call_soon(loop.add_writer, -1, print)
        await asyncio.sleep(0.01)
        assert caplog.text == ""
        loop.call_soon(int, "what else goes wrong is told")
        await asyncio.sleep(0.01)
        theirs.close()

    asyncio.run(watch_what_is_closed())
    assert "what else goes wrong is told" in caplog.text


def test_a_private_key_that_others_can_read_is_refused(keys: Path, tmp_path: Path) -> None:
    key = tmp_path / "client.key"
    key.write_bytes((keys / "client.key").read_bytes())
    key.chmod(0o644)
    with pytest.raises(SecretError, match="chmod 600"):
        tls_context({"ca": f"{keys}/ca.pem", "certificate": f"{keys}/client.pem", "key": str(key)})


# --- the messenger as an output: slow, dead, full, cancelled, restarted ---------------------------------------------


def test_asked_to_end_the_messenger_ends_though_its_input_stays_open(tmp_path: Path) -> None:
    settings = {
        "feed": str(tmp_path / "none"), "vehicle": "van", "host": "127.0.0.1", "port": 9, "topic": "t",
        "protocol": "5", "values": [], "values_hz": 1, "outbox": 10, "outbox_file": str(tmp_path / "o.sqlite"),
        "keepalive": 15, "acknowledge": False,
    }  # fmt: skip
    process = subprocess.Popen(
        [sys.executable, "-m", "cabcanary.messenger.mqtt"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(json.dumps(settings) + "\n")
    process.stdin.flush()
    assert json.loads(process.stdout.readline())["ok"] is False
    process.terminate()
    assert process.wait(20) == 0
    process.stdin.close()
    process.stdout.close()


def test_a_frozen_broker_holds_up_no_warning_and_all_arrives_when_it_thaws(
    ride: Make, broker: Any, van_settings: Settings, listener: Any
) -> None:
    post = broker()
    post.start()
    driven = ride(config=van_settings(more=mqtt_table(post)))
    driven.begin(at_s=OVER_BOOST_S)
    told(driven, ok=True)
    heard = listener(post)
    os.kill(post._process.pid, signal.SIGSTOP)
    driven.raised("over_boost")
    assert driven.event("sound", "warning")["alert"] == "over_boost"
    os.kill(post._process.pid, signal.SIGCONT)
    wait_for("the alert", lambda: [a for a in heard.of("alert/over_boost") if a["raised"]])
