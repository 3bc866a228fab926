"""What the pipeline asks of a derived channel."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from cabcanary.model import Value


class Derived(Protocol):
    """A channel that is made from others; `inputs` names them, the one that matters most first."""

    name: str
    inputs: tuple[str, ...]

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """The value at `now_ns`, from the other channels of the same tick."""

    def state(self) -> dict[str, Any]:
        """What the next values depend on; plain JSON."""

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""


class Stateless:
    """A derived channel that depends on nothing but the same tick."""

    def state(self) -> dict[str, Any]:
        """Nothing is remembered."""
        return {}

    def restore(self, state: dict[str, Any]) -> None:
        """Nothing to go on from."""
