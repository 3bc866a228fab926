"""`cabcanary listen` on the kernel's trees: every channel of every device, in the kernel's unit."""

from __future__ import annotations

import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.sources.kernel import hwmon, iio
from cabcanary.sources.kernel.kernel_settings import HWMON_UNITS, IIO_UNITS, HwmonSource, IioSource, item_kind
from cabcanary.sources.listening import SHOW_S, ListenError, Span, Way, Wire, small_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from cabcanary.sources.kind import SourceSettings


def tree_lines(
    pattern: str, what: str, shown: Callable[[Path], Iterator[str]], wire: Wire, seconds: float | None
) -> Iterator[str]:
    """What `shown` says of each device that the pattern finds, again and again."""
    devices = sorted(Path(wire.place).glob(pattern))
    if not devices:
        raise ListenError(f"there is no {what} under {wire.place}; is its kernel driver loaded?")
    span = Span(seconds)
    while not span.over:
        for device in devices:
            name = small_text(device / "name")
            yield from (span.line(f"{name} {text}".rstrip()) for text in shown(device))
        time.sleep(span.left(SHOW_S))


def _iio(device: Path) -> Iterator[str]:
    for item, file in sorted(iio.channels_of(device).items()):
        channel, text = iio.open_channel(device, item), small_text(file)
        unit = IIO_UNITS.get(item_kind(item), "")
        try:
            value = (float(text) + channel.offset) * channel.scale
        except ValueError:
            yield f"{item}: gives no number ({text!r})"
            continue
        raw = f"raw {text} = " if file.name.endswith("_raw") else ""
        yield f"{item}: {raw}{value:.{1 if unit.startswith('m') else 3}f} {unit}"


def _hwmon(chip: Path) -> Iterator[str]:
    for item, file in sorted(hwmon.channels_of(chip).items()):
        label = small_text(chip / f"{item}_label")
        yield f"{item}{label and f' ({label})'}: {small_text(file)} {HWMON_UNITS.get(item_kind(item), '')}"


def tree_way(settings: type[SourceSettings], how: str, lines: Callable[[Wire, float | None], Iterator[str]]) -> Way:
    """A way for a tree that lies in a folder of its own, by default that of the settings."""
    name = str(settings.model_fields["kind"].annotation.__args__[0])  # type: ignore[union-attr]
    folder = settings.model_fields["folder"].default

    def of_source(spec: Any, _folder: Path) -> Wire:
        return Wire(name, str(spec.folder))

    return Way(name, how, lambda text: Wire(name, text or str(folder)), of_source, lines, name)


IIO = tree_way(IioSource, "iio or iio:FOLDER for a converter", partial(tree_lines, "iio:device*", "IIO device", _iio))
HWMON = tree_way(HwmonSource, "hwmon for a monitoring chip", partial(tree_lines, "hwmon*", "hwmon chip", _hwmon))
