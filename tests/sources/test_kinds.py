"""The table of kinds: each row is whole, and each kind has its contract test and its section in the guide."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from cabcanary import units
from cabcanary.plan.plan import load_plan
from cabcanary.sources.kind import ItemError, Kind, Wanted
from cabcanary.sources.kinds import KINDS, kind_of, way_of, wire_of
from cabcanary.sources.listening import Way

pytestmark = pytest.mark.waits


HERE = Path(__file__).resolve().parents[2]
#: Settings as a person writes them, one source of each kind, and an item with its unit on the wire.
WRITTEN = {
    "iio": ({"device": "adc"}, "voltage0", "mV"),
    "hwmon": ({"device": "chip"}, "temp1", "m°C"),
    "one_wire": ({"thermometers": {"oil": "28-0123456789ab"}}, "oil", "m°C"),
    "serial_text": ({"port": "/dev/ttyUSB0", "fields": ["oil"]}, "oil", "bar"),
    "serial_binary": (
        {"port": "/dev/ttyUSB0", "sync": "AA 55", "length": 6, "fields": {"oil": {"at": 2, "type": "u16"}}},
        "oil",
        "bar",
    ),
    "gps_time": ({"port": "/dev/ttyUSB0"}, "utc", "s"),
    "can": ({"interface": "slcan", "channel": "/dev/ttyACM0", "items": {"rpm": 10}}, "rpm", "rpm"),
    "gpio": ({"pins": {"ignition": {"pin": 17}}}, "ignition", "state"),
    "host": ({}, "free_space", "%"),
}
BY_NAME = pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)


def test_every_kind_has_a_row_of_its_own() -> None:
    assert sorted(kind.name for kind in KINDS) == sorted(WRITTEN)


@BY_NAME
def test_its_settings_are_found_again_and_give_items_with_a_known_unit(kind: Kind) -> None:
    written, item, unit = WRITTEN[kind.name]
    source = kind.settings.model_validate({"kind": kind.name, **written})
    assert kind_of(source) is kind
    assert wire_of("it", source, Wanted(item, "bar"))[0] is units.unit(unit)
    assert list(kind.problems("it", source)) == []
    items = kind.items(source)
    assert items is None or item in items


@BY_NAME
def test_an_item_that_there_is_none_of_is_an_error_with_a_fix(kind: Kind) -> None:
    written, item, _ = WRITTEN[kind.name]
    source = kind.settings.model_validate({"kind": kind.name, **written})
    with pytest.raises(ItemError) as caught:
        # A slip of the pen in the kernel's own names, and something else where the settings name everything.
        wire_of("it", source, Wanted(f"x{item}", "V"))
    assert caught.value.key == "item"
    assert caught.value.fix


@BY_NAME
def test_it_can_be_listened_to(kind: Kind) -> None:
    way = way_of(kind)
    assert isinstance(way, Way)
    written, _, _ = WRITTEN[kind.name]
    wire = way.of_source(kind.settings.model_validate({"kind": kind.name, **written}), Path("/data"))
    assert wire.kind == way.name


@BY_NAME
def test_it_has_its_section_in_the_guide(kind: Kind) -> None:
    assert f'kind = "{kind.name}"' in (HERE / "config" / "README.md").read_text(encoding="utf-8")


@BY_NAME
def test_it_has_its_contract_test(kind: Kind) -> None:
    tests = (HERE / "tests" / "contracts" / "test_sources.py").read_text(encoding="utf-8")
    assert re.search(rf"\b{kind.settings.__name__}[(.]", tests)


KERNEL = """
[vehicle]
name = "van"
stage = "sensors only"
[sources.board]
kind = "hwmon"
device = "chip"
[sources.adc]
kind = "iio"
device = "converter"
[channels.supply]
source = "adc"
item = "voltage0"
unit = "V"
[channels.engine_running]
derive = "engine_running"
supply = "supply"
"""


@pytest.mark.parametrize(
    ("source", "item", "unit", "on_the_wire"),
    [
        ("adc", "pressure0", "hPa", "kPa"),
        ("board", "power1", "W", "µW"),
        ("board", "Core 0", "°C", "m°C"),
        ("board", "VDD", "V", "mV"),
        ("adc", "humidityrelative", "%", "m%"),
    ],
)
def test_the_kernels_items_need_no_more_than_their_own_unit(
    tmp_path: Path, source: str, item: str, unit: str, on_the_wire: str
) -> None:
    file = tmp_path / "van.toml"
    more = f'[channels.it]\nsource = "{source}"\nitem = "{item}"\nunit = "{unit}"\n'
    file.write_text(KERNEL + more, encoding="utf-8")
    assert load_plan(file).wanted_items(source)[item] == on_the_wire
