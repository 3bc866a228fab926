"""The dialogue: what a person types, what is offered, and that no answer is lost."""

from __future__ import annotations

import os
import pty
import threading
import time
import tty
from pathlib import Path
from typing import Any

import pytest

from cabcanary.first_settings import devices
from cabcanary.first_settings.devices import Heard, Places
from cabcanary.first_settings.dialogue import Dialogue, StoppedError
from cabcanary.first_settings.forms import FormError, read, shown
from cabcanary.first_settings.questions import QUESTIONS


@pytest.fixture
def places(tmp_path: Path) -> Places:
    """A converter with two inputs, a chip with one, and a serial port with a name that stays."""
    device = tmp_path / "iio" / "iio:device0"
    device.mkdir(parents=True)
    for name, text in {
        "name": "converter", "in_voltage0_raw": "2000", "in_voltage1_raw": "1000", "in_voltage_scale": "0.5",
    }.items():  # fmt: skip
        (device / name).write_text(text + "\n")
    chip = tmp_path / "hwmon" / "hwmon0"
    chip.mkdir(parents=True)
    (chip / "name").write_text("chip\n")
    (chip / "in0_input").write_text("12100\n")
    (tmp_path / "dev" / "serial" / "by-id").mkdir(parents=True)
    (tmp_path / "dev" / "ttyUSB0").write_text("")
    (tmp_path / "dev" / "serial" / "by-id" / "usb-adapter").symlink_to(tmp_path / "dev" / "ttyUSB0")
    (tmp_path / "net" / "can0").mkdir(parents=True)
    (tmp_path / "net" / "can0" / "type").write_text("280\n")
    (tmp_path / "net" / "eth0").mkdir(parents=True)
    (tmp_path / "net" / "eth0" / "type").write_text("1\n")
    return Places(tmp_path / "iio", tmp_path / "hwmon", tmp_path / "dev", tmp_path / "net")


class Person:
    """Answers by the first words of the question; every other one with Enter."""

    def __init__(self, answers: dict[str, list[str]]) -> None:
        self.answers, self.said, self.kept = {k: list(v) for k, v in answers.items()}, [""], list[dict[str, Any]]()

    def ask(self, _prompt: str) -> str:
        question = next(line for line in reversed(self.said) if line.startswith("\n"))
        for words, lines in self.answers.items():
            if words in question and lines:
                line = lines.pop(0)
                if line == "EOF":
                    raise EOFError
                return line
        return ""

    def holds(self, raw: dict[str, Any], places: Places) -> dict[str, Any]:
        return Dialogue(self.ask, self.said.append, self.kept.append, places).hold(raw)


def test_a_person_answers_by_number_and_by_word(places: Places) -> None:
    person = Person(
        {
            "call the vehicle": ["my car"],
            "how large": [],
            "How large is its engine": ["1,8L"],
            "In which stages": ["1"],
            "which of them is it now": ["4"],
            "What will make": ["turbo"],
            "From which stage on": ["4"],
            "Which analog-digital": ["1"],
            "How does the wideband's": ["1"],
            "To which input is it wired": ["2"],
            "Is its number": ["AFR"],
            "Which AFR": ["14.7"],
            "What do its volts mean? Points from its manual": ["0=10; 5 = 20"],
            "Between which volts": ["0.05 to 4.95"],
            "pressure sensor wired": ["1"],
            "weakest joint": ["2", "2", "2", "8", "-"],
        }
    )
    raw = person.holds({}, places)
    assert raw["vehicle"] == {
        "name": "my car",
        "displacement": "1.8 L",
        "stages": ["untouched", "sensors", "plumbing", "compressor, low boost", "more boost"],
        "stage": "compressor, low boost",
    }
    assert raw["compressor"] == {"kind": "turbo", "from": "compressor, low boost"}
    assert raw["converter"] == {"device": "converter", "kind": "iio"}
    assert raw["wideband"] == {
        "signal": "voltage",
        "input": "voltage1",
        "scale": "AFR",
        "afr_scale": 14.7,
        "points": [[0.0, 10.0], [5.0, 20.0]],
        "rails": [0.05, 4.95],
    }
    assert raw["manifold_pressure"] == {"input": "voltage0"}
    assert raw["hoses"]["by_stage"] == {"untouched": 2, "sensors": 2, "plumbing": 2, "compressor, low boost": 8}
    # 1000 counts of 0.5 mV.
    assert any("voltage1: 0.500 V now" in line for line in person.said)
    assert any("chip (hwmon), with in0" in line for line in person.said)
    # Each answer is kept as it is given: power may go.
    assert person.kept[0] == {"vehicle": {"name": "my car"}}
    assert person.kept[-1] == raw


def test_an_answer_that_cannot_be_is_told_and_asked_again(places: Places) -> None:
    person = Person({"How large is its engine": ["big", "1.8 V", "1.8 L"], "does it burn": ["water", "1"]})
    raw = person.holds({}, places)
    assert raw["vehicle"] == {"displacement": "1.8 L", "fuel": "E10"}
    told = "\n".join(person.said)
    assert 'write a number with its unit, such as "1.8 L"' in told
    assert '"1.8 V" is voltage, not volume' in told
    assert "vehicle.fuel: " in told


def test_back_why_and_unknown(places: Places) -> None:
    person = Person(
        {
            "call the vehicle": ["first", "second"],
            "How large is its engine": ["<", "2 L"],
            "does it burn": ["?", "-"],
        }
    )
    raw = person.holds({"vehicle": {"fuel": "E85"}}, places)
    assert raw["vehicle"] == {"name": "second", "displacement": "2 L"}
    assert any("Stoichiometric air to fuel" in line for line in person.said)


def test_whoever_stops_goes_on_later(places: Places) -> None:
    person = Person({"call the vehicle": ["my car"], "does it burn": ["EOF"]})
    with pytest.raises(StoppedError):
        person.holds({}, places)
    later = Person({"does it burn": ["1"]})
    raw = later.holds(person.kept[-1], places)
    assert raw["vehicle"] == {"name": "my car", "fuel": "E10"}


def test_what_is_not_fitted_asks_nothing_more(places: Places) -> None:
    person = Person({"What will make": ["none"]})
    person.holds({}, places)
    told = "\n".join(person.said)
    assert "From which stage on" not in told
    assert "At which port" not in told
    assert "upper resistor" not in told


def test_the_port_is_listened_to(places: Places, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(devices, "hear", lambda _port, *_: Heard(19200, ["AFR:14.1,state:ok", "AFR:14.2,state:ok"]))
    person = Person(
        {"How does the wideband's": ["2"], "At which port": ["1"], "how many baud": ["1"], "of its line": ["afr"]}
    )
    raw = person.holds({}, places)
    assert raw["wideband"] == {
        "signal": "text",
        "port": str(places.dev / "serial" / "by-id" / "usb-adapter"),
        "baud": 19200,
        "separator": ",",
        "assign": ":",
        "item": "afr",
    }
    assert any("19200 baud, at which it says: AFR:14.2,state:ok" in said for said in person.said)


def test_every_question_names_an_answer_that_there_is() -> None:
    from cabcanary.first_settings.answers import Answers

    for question in QUESTIONS:
        table, _, key = question.path.partition(".")
        fields = Answers.model_fields[table].annotation.model_fields  # type: ignore[union-attr]
        assert key in {f.alias or name for name, f in fields.items()}, question.path


# --- forms ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("form", "typed", "answer"),
    [
        ("number", "14,7", 14.7),
        ("number", "18", 18),
        ("quantity", "2.5L", "2.5 L"),
        ("quantity", "-3 °C", "-3 °C"),
        ("points", "4.5 = 250, 0.5 = 20", [[0.5, 20.0], [4.5, 250.0]]),
        ("points", "0,5=20; 4,5=250", [[0.5, 20.0], [4.5, 250.0]]),
        ("pair", "0.05 to 4.95", [0.05, 4.95]),
        ("pair", "0.65-1.5", [0.65, 1.5]),
        ("yes", "Y", True),
        ("yes", "no", False),
        ("words", "heating, cold", ["heating", "cold"]),
        ("names", "a; b, c", ["a", "b, c"]),
    ],
)
def test_what_is_typed_is_read_as_people_write_it(form: str, typed: str, answer: object) -> None:
    assert read(form, typed) == answer
    if form not in ("words", "names", "quantity"):
        assert read(form, shown(answer)) == answer


@pytest.mark.parametrize(
    ("form", "typed"),
    [("number", "many"), ("points", "0.5 = 20"), ("points", "0.5 = 20, 4.5"), ("pair", "5 to 1"), ("pair", "5"),
     ("yes", "maybe"), ("quantity", "2.5")],
)  # fmt: skip
def test_what_cannot_be_read_says_how_to_write_it(form: str, typed: str) -> None:
    with pytest.raises(FormError):
        read(form, typed)


# --- devices --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lines", "separator", "assign", "sample"),
    [
        (["lambda=0.853 status=ok"], " ", "=", {"lambda": "0.853", "status": "ok"}),
        (["L:0.853;T:780"], ";", ":", {"L": "0.853", "T": "780"}),
        (["14.7,780,0"], ",", "", {"field1": "14.7", "field2": "780", "field3": "0"}),
        (["0.853\t780"], "\t", "", {"field1": "0.853", "field2": "780"}),
        (["0.853"], " ", "", {"field1": "0.853"}),
    ],
)
def test_a_line_is_taken_apart(lines: list[str], separator: str, assign: str, sample: dict[str, str]) -> None:
    shape = devices.shape_of(lines)
    assert shape is not None
    assert (shape.separator, shape.assign, shape.sample) == (separator, assign, sample)


def test_what_has_no_number_is_no_line() -> None:
    assert devices.shape_of(["hello there"]) is None
    assert devices.shape_of([]) is None


def test_buses_and_ports_are_found(places: Places) -> None:
    assert devices.can_interfaces(places) == ["can0"]
    # One port, by the name that stays, and not twice.
    assert devices.serial_ports(places) == [str(places.dev / "serial" / "by-id" / "usb-adapter")]


@pytest.mark.in_time
@pytest.mark.parametrize("garbage", [False, True])
def test_a_port_is_heard_and_nothing_is_sent_to_it(garbage: bool) -> None:
    ours, theirs = pty.openpty()
    tty.setraw(theirs)  # a terminal would echo
    os.set_blocking(ours, False)
    ends = time.monotonic() + 20.0
    done = threading.Event()
    # What a rate that is wrong makes of text: bytes without meaning.
    line = bytes(range(128, 168)) if garbage else b"lambda=0.853 status=ok\r\n"

    def talk() -> None:
        while not done.is_set() and time.monotonic() < ends:
            os.write(ours, line)
            time.sleep(0.02)

    talker = threading.Thread(target=talk)
    talker.start()
    try:
        heard = devices.hear(os.ttyname(theirs), [9600, 19200], try_s=0.5)
    finally:
        done.set()
        talker.join()
    if garbage:
        assert heard is None
    else:
        assert heard is not None
        assert heard.baud == 9600
        assert heard.lines[0] == "lambda=0.853 status=ok"
    with pytest.raises(BlockingIOError):
        os.read(ours, 1)
    os.close(ours)
    os.close(theirs)
