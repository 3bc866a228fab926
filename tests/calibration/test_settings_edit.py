"""A calibration goes into the settings' text and changes nothing else of it."""

from __future__ import annotations

import tomllib

import pytest

from cabcanary.calibration.settings_edit import edited, fragment, rounded
from cabcanary.settings.editing import CannotEditError
from cabcanary_bench.paths import config_folder

CURVE = {"kind": "linear", "points": [[0.5, 20.4], [4.5, 249.1]]}
KEYS = {"curve": CURVE, "residual": 0.41}
TABLE = """# the van
[channels.map] # absolute
source = "adc" # of the box
curve = { kind = "linear", points = [[0.5, 20.0], [4.5, 250.0]] } # the data sheet's
health = { noisiest = 10.0 } # a throttle

[channels.supply] # 30 over 10
source = "adc"
"""


def test_only_the_curve_and_the_residual_change_and_comments_stay() -> None:
    text = edited(TABLE, "map", KEYS, "calibrated 2026-11-28")
    wanted = TABLE.replace("[[0.5, 20.0], [4.5, 250.0]]", "[[0.5, 20.4], [4.5, 249.1]]").replace(
        "# a throttle\n", "# a throttle\nresidual = 0.41 # calibrated 2026-11-28\n"
    )
    assert text == wanted


def test_a_residual_that_is_there_is_replaced_where_it_stands() -> None:
    once = edited(TABLE, "map", KEYS, "first")
    twice = edited(once, "map", {**KEYS, "residual": 0.9}, "second")
    assert twice == once.replace("residual = 0.41", "residual = 0.9")


def test_a_curve_that_is_a_table_of_its_own_is_changed_in_it() -> None:
    van = (config_folder() / "bench-van.toml").read_text(encoding="utf-8")
    points = [[0.703, 121.0], [4.969, -39.0]]
    text = edited(van, "charge_temperature", {"curve": {"kind": "table", "points": points}, "residual": 0.5}, "now")
    found = tomllib.loads(text)["channels"]["charge_temperature"]
    assert found["curve"] == {"kind": "table", "points": points}
    assert found["residual"] == 0.5
    # And another kind: keys that it does not have go, new ones come.
    beta = {"curve": {"kind": "thermistor_beta", "r25": "9900 ohm", "beta": 3900.0}}
    assert (
        tomllib.loads(edited(van, "charge_temperature", beta, ""))["channels"]["charge_temperature"]["curve"]
        == beta["curve"]
    )


def test_line_ends_of_another_system_stay() -> None:
    text = edited(TABLE.replace("\n", "\r\n"), "map", KEYS, "")
    assert "\n" not in text.replace("\r\n", "")
    assert "residual = 0.41\r\n" in text


def test_the_last_line_needs_no_end() -> None:
    text = edited('[channels.map]\nsource = "adc"', "map", KEYS, "")
    assert tomllib.loads(text)["channels"]["map"] == {"source": "adc", **KEYS}


@pytest.mark.parametrize(
    "text",
    [
        '[channels]\nmap = { source = "adc" }\n',
        '[channels]\nmap.source = "adc"\n',
        '[channels.map]\nsource = "adc"\ncurve.kind = "linear"\ncurve.points = [[0.5, 20.0], [4.5, 250.0]]\n',
    ],
)
def test_a_table_may_be_written_in_any_way_of_toml(text: str) -> None:
    assert tomllib.loads(edited(text, "map", KEYS, ""))["channels"]["map"] == {"source": "adc", **KEYS}


def test_a_comment_within_a_curve_is_not_lost_unseen() -> None:
    text = "[channels.map]\ncurve = { kind = 'table', points = [\n  [0.5, 20.0], # idle\n  [4.5, 250.0],\n] }\n"
    with pytest.raises(CannotEditError, match="by hand"):
        edited(text, "map", KEYS, "")


def test_the_fragment_is_a_text_of_its_own() -> None:
    assert tomllib.loads(fragment("map", KEYS)) == {"channels": {"map": KEYS}}
    assert rounded({"points": [[0.1 + 0.2, 1 / 3]], "kind": "linear"}) == {
        "points": [[0.3, 0.33333333]],
        "kind": "linear",
    }
