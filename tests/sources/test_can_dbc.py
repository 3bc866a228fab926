"""DBC files: decoding against published files, and everything that can be wrong with one said at once."""

import contextlib
import subprocess
import sys
from importlib import resources
from pathlib import Path

import cantools.database
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabcanary.sources.can.can_signals import SignalTable
from cabcanary.sources.can.dbc import DbcError, dbc_problems, dbc_units, inspect, load_signals, unit_symbol

# Files of opendbc 0.3.1 (MIT), installed with it; none is copied here.
SMALL = str(resources.files("opendbc") / "dbc" / "mazda_rx8.dbc")
LARGE = str(resources.files("opendbc") / "dbc" / "ford_cgea1_2_ptcan_2011.dbc")


# Worked by hand from the factors in the two files; cantools decodes them alike (below).
@pytest.mark.parametrize(
    ("file", "place", "can_id", "data", "value", "unit"),
    [
        (SMALL, "speed.EngineRPM", 0x201, "1AF8000000000000", 1726.0, "rpm"),  # 6904 * 0.25
        (SMALL, "throttle_body.IntakeAirTemperature", 0x250, "0000004B00000000", 35, "°C"),  # 75 - 40
        (LARGE, "Diesel_Data_Legacy_1.TURBO_BOOST", 0x407, "017C000000000000", 8.0, "psi"),  # 380 * 0.1 - 30
        (LARGE, "EngineData_1_CG1.TurboBoostPressure", 0x151, "0000000000000037", 0.55, "bar"),  # 55 * 0.01
    ],
)
def test_published_files_decode_to_known_values_and_units(file, place, can_id, data, value, unit):
    table = SignalTable(load_signals(file, {"it": place}))
    ((name, got, reason),) = table.decode(can_id, False, bytes.fromhex(data))
    assert (name, got, reason) == ("it", pytest.approx(value), "")
    assert inspect(file, {"it": place}) == ([], {"it": unit})


@pytest.mark.parametrize(
    ("file", "examples"),
    [
        pytest.param(SMALL, 100, id="small"),
        pytest.param(LARGE, 20, id="large"),
        pytest.param(LARGE, 100, id="large, all", marks=pytest.mark.long),
    ],
)
def test_every_signal_of_a_published_file_is_what_cantools_decodes(file, examples):
    @settings(max_examples=examples)
    @given(data=st.binary(min_size=8, max_size=8))
    def holds(data):
        _decodes_as_cantools(file, data)

    holds()


def _decodes_as_cantools(file, data):
    database = _database(file)
    wanted = {f"s{n}": f"{m.name}.{s.name}" for n, (m, s) in enumerate(_signals(database))}
    table = _table(file, tuple(wanted.items()))
    for message in database.messages:
        if message.length != 8:
            continue
        theirs = message.decode(data, decode_choices=False)
        for name, value, _ in table.decode(message.frame_id, message.is_extended_frame, data):
            if value is not None:
                assert value == pytest.approx(theirs[wanted[name].partition(".")[2]], rel=1e-12)


_CACHE: dict = {}


def _database(file):
    return _CACHE.setdefault(file, cantools.database.load_file(file, strict=False))


def _table(file, wanted):
    if (file, wanted) not in _CACHE:
        _CACHE[file, wanted] = SignalTable(load_signals(file, dict(wanted)))
    return _CACHE[file, wanted]


def _signals(database):
    return [(m, s) for m in database.messages for s in m.signals]


#: Written for this test: multiplexing, a value table with words that mean no value, a range, a float, odd units.
OWN = """VERSION ""
BO_ 256 Page: 8 Unit
 SG_ Which M : 0|8@1+ (1,0) [0|0] "" X
 SG_ First m0 : 8|16@1+ (0.5,0) [0|0] "kPa" X
 SG_ Second m1 : 8|16@1- (1,0) [0|0] "Cel" X
BO_ 512 Plain: 8 Unit
 SG_ Pressure : 0|8@1+ (1,0) [0|0] "kPa" X
 SG_ Switch : 8|1@1+ (1,0) [0|0] "" X
 SG_ Bounded : 16|8@1+ (0.5,-40) [-40|60] "degC" X
 SG_ Number : 32|32@1- (1,0) [0|0] "furlong" X
BO_ 2147484160 Far: 8 Unit
 SG_ Pressure : 7|8@0+ (2,0) [0|0] "kPa" X
VAL_ 512 Pressure 254 "Error" 255 "SNA" 3 "Idle" ;
VAL_ 512 Switch 0 "OK" 1 "Fault" ;
SIG_VALTYPE_ 512 Number : 1 ;
"""


@pytest.fixture
def own(tmp_path):
    file = tmp_path / "own.dbc"
    file.write_text(OWN, encoding="cp1252")
    return str(file)


def decode(file, places, can_id, data, extended=False):
    found = SignalTable(load_signals(file, {p: p for p in places})).decode(can_id, extended, bytes.fromhex(data))
    return {d.name: d.value if d.value is not None else d.reason for d in found}


def test_a_multiplexed_signal_is_heard_only_in_the_frames_that_carry_it(own):
    places = ["Page.First", "Page.Second"]
    assert decode(own, places, 256, "00 0A 00 00 00 00 00 00") == {"Page.First": 5.0}
    assert decode(own, places, 256, "01 FE FF 00 00 00 00 00") == {"Page.Second": -2}
    assert decode(own, places, 256, "02 FE FF 00 00 00 00 00") == {}
    assert decode(own, places, 256, "") == {}


def test_words_that_mean_no_value_are_none_and_a_switch_that_says_fault_is_a_number(own):
    assert decode(own, ["Plain.Pressure"], 512, "FF") == {"Plain.Pressure": "the vehicle says 'SNA'"}
    assert decode(own, ["Plain.Pressure"], 512, "FE") == {"Plain.Pressure": "the vehicle says 'Error'"}
    assert decode(own, ["Plain.Pressure"], 512, "03") == {"Plain.Pressure": 3}
    assert decode(own, ["Plain.Switch"], 512, "0001") == {"Plain.Switch": 1}


def test_a_value_outside_the_range_of_the_file_is_none(own):
    assert decode(own, ["Plain.Bounded"], 512, "0000C8") == {"Plain.Bounded": 60.0}
    assert "outside the -40 to 60" in decode(own, ["Plain.Bounded"], 512, "0000FF")["Plain.Bounded"]


def test_floats_and_29_bit_ids_are_told_apart(own):
    places = ["Plain.Number", "Plain.Pressure", "Far.Pressure"]
    # IEEE 754: 40490FDB is pi rounded to 24 bits; 7FC00000 is no number.
    got = decode(own, places, 512, "00000000DB0F4940")
    assert got == {"Plain.Number": pytest.approx(3.1415927), "Plain.Pressure": 0}
    assert "no number" in decode(own, places, 512, "000000000000C07F")["Plain.Number"]
    assert decode(own, places, 512, "05", extended=True) == {"Far.Pressure": 10}


def test_everything_wrong_is_named_at_once_with_a_near_match(own):
    wanted = {"a": "Plain.Presure", "b": "Plane.Pressure", "c": "Pressure", "d": "Plain.Pressure", "e": "Page.Nix"}
    problems = {name: (message, fix) for name, message, fix in dbc_problems(own, wanted)}
    assert set(problems) == {"a", "b", "c", "e"}
    assert problems["a"] == ("message Plain has no signal 'Presure'", "did you mean 'Pressure'?")
    assert problems["b"] == ("own.dbc has no message 'Plane'", "did you mean 'Plain.Pressure'?")
    assert "MESSAGE.SIGNAL" in problems["c"][0]
    assert problems["e"][1] == "use one of: First, Second, Which"
    assert dbc_units(own, wanted) == {"d": "kPa"}


@pytest.mark.parametrize(
    ("content", "words"),
    [(None, "No such file"), (b"\0\xff" * 50, "is no DBC file"), (b"[sources]\nkind = 1\n", "is no DBC file")],
)
def test_a_file_that_is_none_is_one_problem_with_what_to_do(tmp_path, content, words):
    file = tmp_path / "x.dbc"
    if content is not None:
        file.write_bytes(content)
    ((name, message, fix),) = dbc_problems(str(file), {"a": "M.S"})
    assert name == "dbc"
    assert words in message
    assert fix
    assert dbc_units(str(file), {"a": "M.S"}) == {}


def test_a_folder_and_a_huge_file_are_no_dbc_file(tmp_path):
    assert "directory" in dbc_problems(str(tmp_path), {})[0][1]
    huge = tmp_path / "huge"
    with huge.open("wb") as file:
        file.truncate(21_000_000)
    assert "too large" in dbc_problems(str(huge), {})[0][1]


@given(st.text(max_size=300))
def test_any_text_is_a_dbc_file_or_a_dbc_error(tmp_path_factory, text):
    file = tmp_path_factory.getbasetemp() / "any.dbc"
    file.write_bytes(text.encode("utf-8", "surrogatepass"))
    with contextlib.suppress(DbcError):
        load_signals(str(file), {"a": "M.S"})


def test_units_are_read_however_dbc_files_write_them():
    # Spellings found in the files of opendbc 0.3.1.
    written = {
        "kph": "km/h",
        "KPH": "km/h",
        "PSI": "psi",
        "Cel": "°C",
        "degC": "°C",
        "volts": "V",
        "rpm": "rpm",
        "%": "%",
    }
    assert {text: unit_symbol(text) for text in written} == written
    assert unit_symbol("furlong") == unit_symbol(None) == unit_symbol("") == ""


def test_looking_at_a_dbc_file_brings_no_heavy_library_into_the_daemon(own):
    program = (
        "import sys; from cabcanary.sources.can.dbc import dbc_problems, dbc_units;"
        f"assert dbc_problems({own!r}, {{'a': 'Plain.Pressure'}}) == [];"
        f"assert dbc_units({own!r}, {{'a': 'Plain.Pressure'}}) == {{'a': 'kPa'}};"
        "sys.exit(any(m in sys.modules for m in ('can', 'cantools', 'isotp', 'numpy')))"
    )
    done = subprocess.run([sys.executable, "-c", program], cwd=Path(own).parent, timeout=60)
    assert done.returncode == 0
