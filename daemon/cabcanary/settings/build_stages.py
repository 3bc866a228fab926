"""What a stage of the build is made of: its parts and fuel, its joints, and the steps in which its boost is carried."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from cabcanary.validation.base import Strict
from cabcanary.validation.quantities import Seconds, quantity_of

Pressure = Annotated[float, BeforeValidator(quantity_of("psi"))]
Words = Annotated[str, Field(max_length=80)]

#: What a small line stands that is pushed on and not clamped, Pa: it holds at 7 to 8 psi and begins to come off towards
#: 14 (common practice, no source).
BARE_PA = 7.0 * 6894.757


class Joint(Strict):
    """A hose or line that sees boost, and what holds it.

    One that is said to be clamped and that nobody has looked at counts as bare.
    """

    name: str = Field(min_length=1, max_length=60)
    #: The first stage that has it; without it, every stage has.
    begins: str | None = Field(default=None, alias="from", min_length=1, max_length=60)
    #: bare: pushed on; clamped: pushed on and clamped; bead: clamped behind a bead or rib.
    held_by: Literal["bare", "clamped", "bead"]
    #: What it stands above the air, where its maker or a test says so.
    stands: Pressure | None = Field(default=None, gt=0)
    #: Who has looked at it, and when.
    confirmed_by: Words = ""
    confirmed: date | None = None

    @model_validator(mode="after")
    def _by_whom_and_when(self) -> Joint:
        if bool(self.confirmed_by) != (self.confirmed is not None):
            raise ValueError("confirmed_by and confirmed go together: who has looked at it, and on which day")
        return self

    @property
    def sure(self) -> bool:
        """Whether somebody has seen that it is clamped."""
        return self.held_by != "bare" and bool(self.confirmed_by)

    @property
    def bound_pa(self) -> float | None:
        """What it is taken to stand above the air, Pa; None: a clamped one with nothing said bounds nothing."""
        if self.sure:
            return self.stands
        return BARE_PA if self.stands is None else min(self.stands, BARE_PA) if self.held_by != "bare" else self.stands


class Part(Strict):
    """The sensor behind one channel, by its serial number, and when it was fitted."""

    serial: str = Field(min_length=1, max_length=40)
    fitted: date


class Built(Strict):
    """What one stage is, as somebody has declared it; the compressor's kind stands in its own table."""

    compressor: Words = ""
    fuelling: Words = ""
    tune: Words = ""
    #: Boost is carried in these steps, above the air; the last is the stage's own.
    boost_steps: list[Pressure] = Field(default=[], max_length=10)
    #: Which of them is carried, from 1.
    step: int = Field(default=1, ge=1)
    #: A step is raised after so long at it without an alert.
    clean: Seconds = 60.0
    begun: date | None = None
    begun_by: Words = ""
    ended: date | None = None

    @model_validator(mode="after")
    def _steps_rise(self) -> Built:
        if sorted(set(self.boost_steps)) != self.boost_steps:
            raise ValueError('boost_steps rise from step to step, as in ["4 psi", "6 psi", "8 psi"]')
        if self.boost_steps and self.step > len(self.boost_steps):
            raise ValueError(f"step is {self.step}, and there are {len(self.boost_steps)}")
        return self

    @property
    def step_pa(self) -> float | None:
        """The step that is carried, Pa above the air; None without steps."""
        return self.boost_steps[self.step - 1] if self.boost_steps else None
