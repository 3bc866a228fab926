"""What is on the buzzer's pin, and when. Time is the loop's own: it skips to the next timer, nothing waits."""

import asyncio

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPin, MockPWMPin

from cabcanary.alerts.buzzer import BuzzerError, PwmBuzzer
from cabcanary.alerts.sounds import CAUTION, START_UP, WARNING, Sound, Tone
from cabcanary.clock import Clock


class SkippingLoop(asyncio.SelectorEventLoop):
    """An event loop whose time is that of its next timer."""

    def __init__(self):
        super().__init__()
        self._now = 0.0

    def time(self):
        return self._now

    def _run_once(self):
        if not self._ready:
            timers = [h.when() for h in self._scheduled if not h.cancelled()]
            self._now = max(self._now, min(timers, default=self._now))
        super()._run_once()


@pytest.fixture
def pins():
    before = Device.pin_factory
    Device.pin_factory = MockFactory(pin_class=MockPWMPin)
    yield Device.pin_factory
    Device.pin_factory.close()
    Device.pin_factory = before


def play(story):
    loop = SkippingLoop()
    try:
        return loop.run_until_complete(story())
    finally:
        loop.close()


async def at(moment):
    """Until the loop's time is this."""
    await asyncio.sleep(moment - asyncio.get_running_loop().time())


def on(pins, number=18):
    pin = pins.pin(number)
    return (pin.state, pin.frequency)


def test_the_first_tone_is_on_the_pin_when_play_returns(pins):
    async def story():
        buzzer = PwmBuzzer(18, Clock())
        assert on(pins)[0] == 0
        buzzer.play(WARNING)
        heard = on(pins)
        buzzer.close()
        return heard

    # A square wave of half duty.
    assert play(story) == (0.5, 1600)


def test_silence_is_on_the_pin_when_silence_returns(pins):
    async def story():
        buzzer = PwmBuzzer(18, Clock())
        buzzer.play(WARNING)
        buzzer.silence()
        heard = [on(pins)[0]]
        await at(10.0)
        heard.append(on(pins)[0])
        buzzer.close()
        return heard

    assert play(story) == [0, 0]


@pytest.mark.parametrize("speed", [1.0, 10.0])
def test_a_pattern_repeats_with_its_tones_and_gaps_at_the_clocks_speed(pins, speed):
    sound = Sound("test", (Tone(1900, 0.26), Tone(0, 0.08), Tone(750, 0.2)))

    async def story():
        buzzer = PwmBuzzer(18, Clock(speed))
        buzzer.play(sound)
        heard = []
        for cycle in range(50):
            for moment in (0.01, 0.25, 0.27, 0.33, 0.35, 0.53):
                await at((cycle * 0.54 + moment) / speed)
                heard.append(on(pins))
        buzzer.close()
        return heard

    heard = play(story)
    cycle = [(0.5, 1900), (0.5, 1900), (0, 1900), (0, 1900), (0.5, 750), (0.5, 750)]
    assert heard == cycle * 50


def test_a_sound_that_is_played_once_ends_by_itself(pins):
    async def story():
        buzzer = PwmBuzzer(18, Clock())
        buzzer.play(START_UP)
        heard = []
        for moment in (0.01, 0.11, 0.19, 0.29, 0.37, 0.95, 0.97, 30.0):
            await at(moment)
            heard.append(on(pins))
        buzzer.close()
        return heard

    assert play(story) == [
        (0.5, 660),
        (0, 660),
        (0.5, 990),
        (0, 990),
        (0.5, 1320),
        (0.5, 1320),
        (0, 1320),
        (0, 1320),
    ]


def test_a_worse_sound_takes_the_pin_at_once_and_the_old_one_never_comes_back(pins):
    async def story():
        buzzer = PwmBuzzer(18, Clock())
        buzzer.play(CAUTION)
        await at(0.1)
        buzzer.play(WARNING)
        heard = [on(pins)]
        await at(0.23)  # the first tone of the caution would have ended
        heard.append(on(pins))
        frequencies = set()
        for n in range(400):
            await at(0.24 + n * 0.01)
            frequencies.add(on(pins)[1])
        buzzer.close()
        return heard, frequencies

    assert play(story) == ([(0.5, 1600), (0.5, 1600)], {1600})


def test_a_closed_buzzer_is_silent_and_gives_its_pin_back(pins):
    async def story():
        buzzer = PwmBuzzer(18, Clock())
        buzzer.play(WARNING)
        buzzer.close()
        PwmBuzzer(18, Clock()).close()
        await at(5.0)

    play(story)
    assert pins.pin(18).state == 0


@pytest.mark.parametrize("pin", ["GPIO99", 400, "no pin"])
def test_a_pin_that_does_not_exist_is_named(pins, pin):
    with pytest.raises(BuzzerError, match=f"pin {pin} cannot be a buzzer"):
        PwmBuzzer(pin, Clock())


def test_a_pin_that_cannot_do_it_is_an_error_with_a_reason():
    before = Device.pin_factory
    Device.pin_factory = MockFactory(pin_class=MockPin)
    try:
        with pytest.raises(BuzzerError, match="cannot be a buzzer"):
            PwmBuzzer(18, Clock())
    finally:
        Device.pin_factory.close()
        Device.pin_factory = before
