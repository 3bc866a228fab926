"""What the driver hears and sees, and who else is told."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from cabcanary.validation.base import Name, PinName, Strict
from cabcanary.validation.quantities import FolderPath, Seconds


class Buzzer(Strict):
    """A piezo on a PWM pin, or an active buzzer, which has one pitch and only needs to be switched."""

    pin: PinName = 18
    kind: Literal["piezo", "active"] = "piezo"


class Lamp(Strict):
    """A lamp on a pin."""

    pin: PinName = 24
    #: After an alert of these rules it stays lit until the key is off: stay out of boost.
    after: list[Name] = ["lean_under_boost", "over_boost"]


class DisplayChoice(Strict):
    """In which units a person reads values, where nothing has to be quick: reports and pages."""

    #: Without it each channel is shown in its own unit. psi: what lies below the air's pressure is inHg.
    pressure: Literal["psi", "kPa", "bar"] | None = None
    #: AFR is for the vehicle's fuel, `vehicle.fuel`.
    mixture: Literal["lambda", "AFR"] = "lambda"


class Sounds(Strict):
    """How loud. Night lowers nothing that is urgent."""

    #: Of everything; no lower than can be heard.
    volume: float = Field(default=1.0, ge=0.2, le=1)
    #: Night is while this channel of states is on: the headlights' switch.
    night_when: Name | None = None
    #: No lower than can be heard: a caution at night is still a caution.
    night_volume: float = Field(default=0.4, ge=0.2, le=1)


class SoundCard(Strict):
    """A sound card, in a process of its own."""

    device: str = Field(default="default", min_length=1, description="as ALSA names it")
    #: Say what to do after the beginning of the sound, within 1.5 s of the alert, with espeak-ng.
    speech: bool = False
    voice: str = Field(default="en", pattern=r"^[A-Za-z0-9_+-]+$")


class Terminal(Strict):
    """The terminal's bell rings with the sounds: for a bench without a buzzer."""

    bell: bool = True


class Watcher(Strict):
    """The output line of `cabcanary watch`; without a pin its terminal's bell rings."""

    pin: PinName | None = None
    kind: Literal["piezo", "active"] = "piezo"


class Button(Strict):
    """One item of a gpio source that is a button."""

    source: Name
    item: Name


class Buttons(Strict):
    """What the driver can press."""

    acknowledge: Button | None = None
    #: "Remember this": a note in the drive at that moment.
    remember: Button | None = None


class Pages(Strict):
    """What `cabcanary pages` shows."""

    #: Channels of the cab page, large; without any, those behind the first four things that the vehicle is watched for.
    values: list[Name] = Field(default=[], max_length=6)


class MqttTls(Strict):
    """An encrypted connection; without `ca` the system's authorities are trusted."""

    ca: FolderPath | None = None
    certificate: FolderPath | None = None
    key: FolderPath | None = None

    @model_validator(mode="after")
    def _both(self) -> MqttTls:
        if (self.certificate is None) != (self.key is None):
            raise ValueError("certificate and key belong together; write both")
        return self


class Mqtt(Strict):
    """Where alerts are published; without this table nothing leaves the vehicle."""

    host: str = Field(min_length=1)
    port: int | None = Field(default=None, ge=1, le=65535)
    topic: str = Field(default="cabcanary", pattern=r"^[^#+\s]+$")
    #: Only version 5 lets a broker say that it refuses a topic.
    protocol: Literal["5", "3.1.1"] = "5"
    username: str | None = None
    #: A file that only its owner can read; the password never stands in the settings.
    password_file: FolderPath | None = None
    #: Or the name of a credential that systemd hands over (LoadCredential=).
    password_credential: Annotated[str, Field(pattern=r"^[A-Za-z0-9_.-]+$")] | None = None
    tls: MqttTls | None = None
    #: Take acknowledge from the topic `command`. It is the only command there is.
    acknowledge: bool = False
    #: Channels published as they are, and how often per second.
    values: list[Name] = []
    values_hz: float = Field(default=0.2, gt=0, le=2)
    #: Messages kept while no broker can be reached; the oldest go first, and their count is told.
    outbox: int = Field(default=5000, ge=10, le=30_000)
    keepalive: Seconds = 15.0

    @model_validator(mode="after")
    def _one_password(self) -> Mqtt:
        if self.password_file is not None and self.password_credential is not None:
            raise ValueError("give password_file or password_credential, not both")
        if self.username is None and (self.password_file is not None or self.password_credential is not None):
            raise ValueError("a password goes with a user's name; write username, or leave the password out")
        return self

    @property
    def port_number(self) -> int:
        """The port, or the usual one (registered with IANA): 8883 with TLS, 1883 without."""
        return self.port or (8883 if self.tls else 1883)
