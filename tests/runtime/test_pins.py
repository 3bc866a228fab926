"""Pins that cannot be used: said once, with what to do, and without the library's own warnings."""

from __future__ import annotations

import subprocess
import sys

import pytest

from cabcanary.alerts import buzzer
from cabcanary.pins import pin_trouble

pytestmark = pytest.mark.waits


OPEN = """
import sys, warnings
sys.modules["lgpio"] = None  # as where it is not installed
warnings.simplefilter("error")
import importlib.util
find = importlib.util.find_spec
importlib.util.find_spec = lambda name, *rest: None if name == "lgpio" else find(name, *rest)
from cabcanary.alerts.buzzer import BuzzerError, _open
try:
    _open("PWMOutputDevice", 18, "sounded")
except BuzzerError as error:
    print(error)
"""


def run(code: str) -> tuple[str, str]:
    environment = {"PATH": "/usr/bin:/bin"}
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, timeout=60)
    return done.stdout.strip(), done.stderr


def test_without_the_pin_library_the_message_says_which_package_brings_it() -> None:
    said, errors = run(OPEN)
    assert "python3-lgpio" in said
    assert "--system-site-packages" in said
    assert errors == ""


def test_on_a_machine_without_pins_no_fall_back_is_warned_of() -> None:
    pytest.importorskip("lgpio")
    said, errors = run(OPEN.replace('sys.modules["lgpio"] = None', "pass").replace('name == "lgpio"', "False"))
    assert said == "this machine has no GPIO pins that can be used; on a Pi, join the group gpio"
    assert errors == ""


def test_another_error_of_a_pin_is_left_as_it_is() -> None:
    assert pin_trouble(ValueError("pin 99")) is None


def test_a_choice_of_the_owner_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "nothing-of-the-kind")
    with pytest.raises(buzzer.BuzzerError, match="this machine has no GPIO pins"):
        buzzer._open("PWMOutputDevice", 18, "sounded")
