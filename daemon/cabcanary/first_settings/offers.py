"""Answers that are offered by number: fixed ones, and what is there to be chosen."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.first_settings import devices
from cabcanary.first_settings.question import Offer, get

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.first_settings.devices import Places
    from cabcanary.first_settings.question import Offers, Raw


def choices(path: str, **words: str) -> Offers:
    """A fixed choice: what each answer is in words."""
    return lambda _raw, _places: [Offer(said, {path: key}) for key, said in words.items()]


def answer_is(path: str, *values: Any) -> Callable[[Raw], bool]:
    """Asked only where another answer is one of these."""
    return lambda raw: get(raw, path) in values


def known(path: str) -> Callable[[Raw], bool]:
    """Asked only where another answer is known."""
    return lambda raw: get(raw, path) is not None


#: Ways to build that many take; names of one's own are as good.
_STAGES = ["untouched", "sensors", "plumbing", "compressor, low boost", "more boost"]


def stages(_raw: Raw, _places: Places) -> list[Offer]:
    """A way to build."""
    return [Offer("; ".join(_STAGES), {"vehicle.stages": _STAGES})]


def stage_of(path: str) -> Offers:
    """The stages that were named."""
    return lambda raw, _places: [Offer(s, {path: s}) for s in get(raw, "vehicle.stages") or []]


def converters(_raw: Raw, places: Places) -> list[Offer]:
    """The converters that there are."""
    return [
        Offer(
            f"{c.device} ({c.kind}), with {', '.join(c.inputs)}",
            {"converter.device": c.device, "converter.kind": c.kind},
        )
        for c in devices.converters(places)
    ]


def inputs(path: str) -> Offers:
    """The inputs of the chosen converter, with their volts now."""

    def offers(raw: Raw, places: Places) -> list[Offer]:
        chosen = get(raw, "converter.device")
        return [
            Offer(f"{item}: {'gives no number' if volts is None else f'{volts:.3f} V now'}", {path: item})
            for c in devices.converters(places)
            if c.device == chosen
            for item, volts in c.inputs.items()
        ]

    return offers


def ports(_raw: Raw, places: Places) -> list[Offer]:
    """The serial ports."""
    return [Offer(port, {"wideband.port": port}) for port in devices.serial_ports(places)]


def rates(raw: Raw, _places: Places) -> list[Offer]:
    """The rate at which the port says something, with how its lines are put together."""
    port = get(raw, "wideband.port")
    try:
        heard = devices.hear(str(port)) if port else None
    except OSError:
        return []
    if heard is None:
        return []
    shape = devices.shape_of(heard.lines)
    values: dict[str, Any] = {"wideband.baud": heard.baud}
    if shape is not None:
        values |= {"wideband.separator": shape.separator}
        values |= {"wideband.assign": shape.assign} if shape.assign else {"wideband.fields": shape.fields}
    return [Offer(f"{heard.baud} baud, at which it says: {heard.lines[-1]}", values)]


def items(raw: Raw, _places: Places) -> list[Offer]:
    """The numbers of a line that is heard now."""
    port, baud = get(raw, "wideband.port"), get(raw, "wideband.baud")
    try:
        heard = devices.hear(str(port), [int(baud)]) if port and baud else None
    except OSError:
        return []
    shape = devices.shape_of(heard.lines) if heard else None
    if shape is None:
        return []
    return [Offer(f"{name}, now {text}", {"wideband.item": name}) for name, text in shape.sample.items()]


def buses(_raw: Raw, places: Places) -> list[Offer]:
    """The ways to a bus."""
    kernel = [
        Offer(name, {"bus.interface": "socketcan", "bus.channel": name}) for name in devices.can_interfaces(places)
    ]
    ports = [
        Offer(f"an adapter at {port}", {"bus.interface": "slcan", "bus.channel": port})
        for port in devices.serial_ports(places)
    ]
    return [*kernel, *ports]
