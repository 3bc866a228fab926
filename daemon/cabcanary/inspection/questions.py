"""What a person is asked: readings of a meter, and what was felt, heard or seen.

Those with `when` are the next measurements: asked only where something failed that they tell apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.inspection.evidence import Evidence

Form = Literal["volts", "kPa", "yes"]
#: What nobody reads off a meter in a vehicle, or off a barometer on a road.
_BOUNDS: dict[Form, tuple[float, float]] = {"volts": (-1.0, 40.0), "kPa": (10.0, 110.0)}


class QuestionError(ValueError):
    """An answer cannot be; the message says why and what to write."""


@dataclass(frozen=True, slots=True)
class Question:
    """One question; its answer is kept by `key`."""

    key: str
    words: str
    form: Form
    when: Callable[[Evidence], bool] = lambda _: True

    def read(self, text: str) -> float | bool:
        """The answer in a line.

        Raises:
            QuestionError: it is none.
        """
        line = text.strip().lower()
        if self.form == "yes":
            if line in ("y", "yes", "n", "no"):
                return line.startswith("y")
            raise QuestionError("type yes or no")
        unit = "V" if self.form == "volts" else "kPa"
        line = line.removesuffix(unit.lower()).strip().replace(",", ".")
        try:
            number = float(line)
        except ValueError:
            raise QuestionError(f"type a number of {unit}, such as {'12.4' if unit == 'V' else '99.5'}") from None
        return self._possible(number, unit)

    def taken(self, answer: object) -> float | bool:
        """The answer from a file: a number, true or false, or the text of one.

        Raises:
            QuestionError: it is none.
        """
        if isinstance(answer, bool):
            if self.form != "yes":
                raise QuestionError(f"{self.key}: takes a number")
            return answer
        try:
            return self.read(str(answer))
        except QuestionError as error:
            raise QuestionError(f"{self.key}: {error}") from None

    def _possible(self, number: float, unit: str) -> float:
        low, high = _BOUNDS[self.form]
        if not low <= number <= high:
            raise QuestionError(f"{number:.6} {unit} cannot be; it takes {low:.0f} to {high:.0f} {unit}")
        return number


FEED_KEY_OFF = Question(
    "feed_key_off", "Key off: volts from the sensors' feed to ground (black lead at the battery's negative)?", "volts"
)
BATTERY = Question("battery", "Key on, wideband heating: volts across the battery?", "volts")
FEED = Question("feed", "Then: volts from the wideband's feed terminal to the battery's negative?", "volts")
GROUND = Question("ground", "Then: volts between the converter's ground and the battery's negative?", "volts")
BAROMETER = Question(
    "barometer", "The air's pressure here, in kPa, not reduced to sea level? (Enter: not known)", "kPa"
)
IDLE_STEADY = Question("idle_steady", "Does it idle as it did before: same speed, steady, no hiss?", "yes")
PEDAL = Question(
    "pedal",
    "Engine off, press the brake pedal three times: it is firm. Hold it and start: it falls a little. Did both happen?",
    "yes",
)
BUZZER = Question("buzzer", "Run `cabcanary sounds CONFIG --check`, or start the daemon: was it heard?", "yes")
LAMP = Question("lamp", "Was the lamp seen to wink?", "yes", lambda e: e.roles.lamp)

_MAP_ODD = ("at ground", "at supply", "silent", "changes")


def _map_fails(e: Evidence) -> bool:
    return e.observed.get("map_wire") in _MAP_ODD


def _standing_is_off(e: Evidence) -> bool:
    return e.observed.get("standing") not in (None, "equal")


def _wideband_fails(e: Evidence) -> bool:
    return e.observed.get("mixture_wire") in ("at ground", "at supply", "silent") or e.observed.get("warm_up") in (
        "stays cold",
        "blind",
    )


def _analogue(e: Evidence) -> bool:
    return e.roles.mixture is not None and e.roles.mixture.analogue


#: The next measurements, in the order in which they are made.
PLUG_5V = Question("plug_5v", "Key on, pressure sensor's plug: volts from its supply pin to its ground pin?", "volts",
                   lambda e: _map_fails(e) or _standing_is_off(e))  # fmt: skip
PLUG_SIGNAL = Question("plug_signal", "There: volts from its signal pin, at the sensor, to its ground pin?", "volts",
                       _map_fails)  # fmt: skip
SENSOR_GROUND = Question("sensor_ground", "Volts between the sensor's ground pin and the converter's ground?", "volts",
                         lambda e: _map_fails(e) or _standing_is_off(e))  # fmt: skip
UNIT_SIGNAL = Question("unit_signal", "Volts of the wideband's signal, at its unit, after a minute of key on?", "volts",
                       lambda e: _wideband_fails(e) and _analogue(e))  # fmt: skip
UNIT_LIVES = Question("unit_lives", "Does the wideband's unit show any life: a light, a display, a warm sensor?", "yes",
                      _wideband_fails)  # fmt: skip
NEXT = (PLUG_5V, PLUG_SIGNAL, SENSOR_GROUND, UNIT_SIGNAL, UNIT_LIVES)
ALL = (
    FEED_KEY_OFF, BATTERY, FEED, GROUND, BAROMETER, IDLE_STEADY, PEDAL, BUZZER, LAMP, *NEXT,
)  # fmt: skip
BY_KEY = {question.key: question for question in ALL}
