"""OBD bytes to values: worked by hand from SAE J1979's formulas, then asked of two other decoders."""

import obd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from obd.protocols.protocol import Message
from scapy.contrib.automotive.obd.obd import OBD

from cabcanary import units
from cabcanary.sources.can import obd_pids
from cabcanary.sources.can.obd_pids import ITEMS, LENGTHS, NegativeResponseError, ObdError, Scaling, decode

# Answer, and its values by hand from the formula in SAE J1979 / ISO 15031-5 (formulas from memory of the
# standard; the `second opinion` tests below check them against two libraries).
WORKED = [
    ("41 03 02 00", {"fuel_system_1": 2, "fuel_system_2": 0}),  # bit 1: closed loop
    ("41 04 80", {"load": 50.19608}),  # 128 * 100 / 255
    ("41 05 7B", {"coolant_temperature": 83}),  # 123 - 40
    ("41 05 00", {"coolant_temperature": -40}),
    ("41 06 70", {"short_trim_1": -12.5}),  # (112 - 128) * 100 / 128
    ("41 07 90", {"long_trim_1": 12.5}),  # (144 - 128) * 100 / 128
    ("41 08 80 FF", {"short_trim_2": 0, "short_trim_4": 99.21875}),  # the other bank's second byte
    ("41 09 00", {"long_trim_2": -100}),
    ("41 0A 40", {"fuel_pressure": 192}),  # 3 * 64
    ("41 0B 62", {"map": 98}),
    ("41 0B FF", {"map": 255}),
    ("41 0C 1A F8", {"rpm": 1726}),  # 6904 / 4
    ("41 0C FF FF", {"rpm": 16383.75}),
    ("41 0D 50", {"speed": 80}),
    ("41 0E 94", {"timing_advance": 10}),  # 148 / 2 - 64
    ("41 0F 4B", {"intake_temperature": 35}),  # 75 - 40
    ("41 10 0F A0", {"maf": 40}),  # 4000 / 100
    ("41 11 FF", {"throttle": 100}),
    ("41 14 5A 80", {"oxygen_1_voltage": 0.45, "oxygen_1_trim": 0}),  # 90 / 200
    ("41 1B 5A FF", {"oxygen_8_voltage": 0.45}),  # FF: this sensor takes no part in the trim
    ("41 1F 01 2C", {"run_time": 300}),
    ("41 22 0F A0", {"rail_pressure_relative": 316}),  # 0.079 * 4000
    ("41 23 01 F4", {"rail_pressure": 5000}),  # 10 * 500
    ("41 24 70 00 40 00", {"oxygen_1_lambda": 0.875, "oxygen_1_wide_voltage": 2}),  # 28672 * 2 / 65536
    ("41 2B 80 00 66 66", {"oxygen_8_lambda": 1, "oxygen_8_wide_voltage": 3.199951}),  # 26214 * 8 / 65536
    ("41 2C 80", {"egr_commanded": 50.19608}),
    ("41 2E 33", {"purge_commanded": 20}),  # 51 * 100 / 255
    ("41 2F 99", {"fuel_level": 60}),  # 153 * 100 / 255
    ("41 32 FF F0", {"evaporative_pressure": -4}),  # two's complement -16, / 4
    ("41 33 65", {"barometer": 101}),
    ("41 34 70 00 7F 00", {"oxygen_1_pump_lambda": 0.875, "oxygen_1_pump_current": -1}),  # 127 - 128
    ("41 3B 80 00 80 00", {"oxygen_8_pump_lambda": 1, "oxygen_8_pump_current": 0}),
    ("41 3C 1B 58", {"catalyst_b1s1_temperature": 660}),  # 7000 / 10 - 40
    ("41 42 36 B0", {"module_voltage": 14}),  # 14000 / 1000
    ("41 43 00 C8", {"absolute_load": 78.43137}),  # 200 * 100 / 255
    ("41 44 70 00", {"commanded_lambda": 0.875}),
    ("41 44 80 00", {"commanded_lambda": 1}),
    ("41 45 33", {"throttle_relative": 20}),
    ("41 46 3C", {"ambient_temperature": 20}),  # 60 - 40
    ("41 49 66", {"pedal_d": 40}),  # 102 * 100 / 255
    ("41 4C 99", {"throttle_commanded": 60}),
    (
        "41 4F 02 0C 80 14",
        {"max_lambda": 2, "max_oxygen_voltage": 12, "max_oxygen_current": 128, "max_map": 200},
    ),
    ("41 50 1E 00 00 00", {"max_maf": 300}),  # 10 * 30
    ("41 51 03", {"fuel_type": 3}),  # ethanol
    ("41 52 D9", {"ethanol": 85.09804}),  # 217 * 100 / 255
    ("41 59 01 F4", {"rail_pressure_absolute": 5000}),
    ("41 5C 8C", {"oil_temperature": 100}),  # 140 - 40
    ("41 5E 01 90", {"fuel_rate": 20}),  # 400 / 20
]

# The standard's ranges, in the item's unit (SAE J1979, from memory).
PERCENT, TRIM, CELSIUS = (0, 100), (-100, 99.21875), (-40, 215)
RANGES = {
    0x03: ((0, 16), (0, 16)), 0x04: (PERCENT,), 0x05: (CELSIUS,), 0x06: (TRIM, TRIM), 0x07: (TRIM, TRIM),
    0x08: (TRIM, TRIM), 0x09: (TRIM, TRIM), 0x0A: ((0, 765),), 0x0B: ((0, 255),), 0x0C: ((0, 16383.75),),
    0x0D: ((0, 255),), 0x0E: ((-64, 63.5),), 0x0F: (CELSIUS,), 0x10: ((0, 655.35),), 0x11: (PERCENT,),
    0x1F: ((0, 65535),), 0x22: ((0, 5177.265),), 0x23: ((0, 655350),), 0x2C: (PERCENT,), 0x2E: (PERCENT,),
    0x2F: (PERCENT,), 0x32: ((-8192, 8191.75),), 0x33: ((0, 255),), 0x42: ((0, 65.535),), 0x43: ((0, 25700),),
    0x44: ((0, 2),), 0x45: (PERCENT,), 0x46: (CELSIUS,), 0x4F: ((0, 255), (0, 255), (0, 255), (0, 2550)),
    0x50: ((0, 2550),), 0x51: ((1, 255),), 0x52: (PERCENT,), 0x59: ((0, 655350),), 0x5C: ((-40, 210),),
    0x5E: ((0, 3276.75),),
    **dict.fromkeys(range(0x14, 0x1C), ((0, 1.275), TRIM)),
    **dict.fromkeys(range(0x24, 0x2C), ((0, 2), (0, 8))),
    **dict.fromkeys(range(0x34, 0x3C), ((0, 2), (-128, 128))),
    **dict.fromkeys(range(0x3C, 0x40), ((-40, 6513.5),)),
    **dict.fromkeys(range(0x47, 0x4D), (PERCENT,)),
}  # fmt: skip


def answer_of(text):
    payload = bytes.fromhex(text)
    ((pid, data),) = obd_pids.parse_response(payload, {payload[1]}).items()
    return pid, data


@pytest.mark.parametrize(("text", "values"), WORKED)
def test_an_answer_means_what_the_formula_says(text, values):
    assert decode(*answer_of(text)) == pytest.approx(values, abs=2e-5)


def test_every_item_has_a_unit_that_exists_and_a_pid_with_a_published_range():
    for item in ITEMS.values():
        units.unit(item.unit)
    assert {item.pid for item in ITEMS.values()} == set(RANGES)


@given(st.integers(-1, 0x200), st.binary(max_size=8))
def test_any_bytes_give_a_value_inside_the_published_range_or_an_obd_error(pid, data):
    try:
        values = decode(pid, data)
    except ObdError:
        return
    assert set(values) <= set(obd_pids.items_of(pid))
    ranges = dict(zip(obd_pids.items_of(pid), RANGES[pid], strict=True))
    for name, value in values.items():
        low, high = ranges[name]
        assert low <= value <= high


@given(st.sampled_from(sorted(RANGES)), st.data())
def test_bytes_of_the_right_length_reach_the_ends_of_the_range_and_nothing_beyond(pid, data):
    raw = data.draw(st.binary(min_size=max(LENGTHS[pid]), max_size=max(LENGTHS[pid])))
    test_any_bytes_give_a_value_inside_the_published_range_or_an_obd_error.hypothesis.inner_test(pid, raw)
    for name, (low, high) in zip(obd_pids.items_of(pid), RANGES[pid], strict=True):
        mine = ITEMS[name].limits()
        if pid != 0x51:  # 0 is "not available"
            assert mine[0] == low
        assert mine[1] == pytest.approx(high, abs=0.004)


@given(st.binary(min_size=4, max_size=4), st.sampled_from(sorted(RANGES)), st.binary(min_size=1, max_size=4))
def test_a_rescaled_value_stays_inside_the_full_scale_that_the_vehicle_gave(maxima, pid, data):
    scaling = Scaling.from_4f(maxima)
    try:
        values = decode(pid, data, scaling)
    except ObdError:
        return
    for name, value in values.items():
        low, high = ITEMS[name].limits(scaling)
        assert low <= value <= high


@given(st.binary(max_size=40), st.one_of(st.none(), st.sets(st.integers(0, 255), max_size=6)))
def test_any_payload_is_cut_into_known_pids_or_refused(payload, asked):
    try:
        answer = obd_pids.parse_response(payload, asked)
    except ObdError:
        return
    assert payload == b"\x41" + b"".join(bytes((pid,)) + data for pid, data in answer.items())
    assert asked is None or set(answer) <= asked


# --- PID 4F (SAE J1979, from memory): non-zero bytes are the new full scale ---------------------------


def test_full_scale_zero_leaves_the_ordinary_formula():
    assert decode(0x0B, b"\x62", Scaling.from_4f(bytes(4))) == {"map": 98}


def test_a_boosted_vehicle_reads_its_manifold_pressure_at_its_own_scale():
    scaling = Scaling.from_4f(bytes.fromhex("02 0C 80 33"))  # 51 * 10 = 510 kPa full scale
    assert decode(0x0B, b"\x64", scaling) == {"map": 200}  # 100 * 510 / 255


def test_rescaled_oxygen_sensors_use_lambda_volts_and_milliamperes_of_4f():
    scaling = Scaling.from_4f(bytes.fromhex("04 10 40 00"))
    # 4 lambda / 65535 and 16 V / 65535 per bit; 64 mA / 32768 per bit about 8000h.
    assert decode(0x24, bytes.fromhex("33333333"), scaling) == pytest.approx(
        {"oxygen_1_lambda": 0.8, "oxygen_1_wide_voltage": 3.2}
    )
    assert decode(0x34, bytes.fromhex("3333C000"), scaling) == pytest.approx(
        {"oxygen_1_pump_lambda": 0.8, "oxygen_1_pump_current": 32}
    )
    assert decode(0x44, bytes.fromhex("3333"), scaling) == pytest.approx({"commanded_lambda": 0.8})


def test_only_what_4f_speaks_of_depends_on_it():
    dependent = {pid for pid in LENGTHS if obd_pids.is_rescaled(pid)}
    assert dependent == {0x0B, 0x44, *range(0x24, 0x2C), *range(0x34, 0x3C)}


# --- answers -----------------------------------------------------------------------------------------


def test_a_bitmap_lists_the_pids_after_it_first_bit_first():
    # SAE J1979: the most significant bit of A is the next PID, the least significant of D the next bitmap.
    assert obd_pids.supported(0x00, bytes.fromhex("80000001")) == {0x01, 0x20}
    assert obd_pids.supported(0x20, bytes.fromhex("00000001")) == {0x40}
    assert obd_pids.supported(0x40, bytes.fromhex("40000000")) == {0x42}
    # BE1FA813 is an often printed example.
    assert obd_pids.supported(0x00, bytes.fromhex("BE1FA813")) == {
        0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x13, 0x15, 0x1C, 0x1F, 0x20,
    }  # fmt: skip


def test_several_pids_in_one_answer_are_told_apart():
    answer = obd_pids.parse_response(bytes.fromhex("41 0C 1A F8 0D 50 05 7B"), {0x05, 0x0C, 0x0D})
    assert answer == {0x0C: b"\x1a\xf8", 0x0D: b"\x50", 0x05: b"\x7b"}


def test_a_trim_is_read_with_one_byte_or_two():
    assert obd_pids.parse_response(bytes.fromhex("41 06 80 0C 1A F8"), {0x06, 0x0C})[0x06] == b"\x80"
    assert obd_pids.parse_response(bytes.fromhex("41 06 80 90 0C 1A F8"), {0x06, 0x0C})[0x06] == b"\x80\x90"


def test_an_answer_that_can_be_read_in_two_ways_is_none():
    # 06 with one byte, then 07 with two; or 06 with two, and then 08 with one.
    with pytest.raises(ObdError, match="two ways"):
        obd_pids.parse_response(bytes.fromhex("41 06 80 07 08 80"), {0x06, 0x07, 0x08})


@pytest.mark.parametrize(
    ("text", "asked", "named"),
    [
        ("", {0x0C}, "empty"),
        ("41", {0x0C}, "no answer to service 01"),
        ("41 0C", {0x0C}, "no answer to service 01"),
        ("41 0C 1A", {0x0C}, "does not fit"),
        ("41 0C 1A F8 00", {0x0C}, "does not fit"),
        ("41 0D 50", {0x0C}, "does not fit"),
        ("41 0C 1A F8 0C 1A F8", {0x0C}, "does not fit"),
        ("41 A6 00 00 00 00", None, "does not fit"),
        ("62 0C 1A F8", {0x0C}, "no answer to service 01"),
        ("7F 09 11", {0x0C}, "negative response to something else"),
        ("7F 01", {0x0C}, "negative response to something else"),
    ],
)
def test_what_is_no_answer_is_refused_with_the_reason(text, asked, named):
    with pytest.raises(ObdError, match=named):
        obd_pids.parse_response(bytes.fromhex(text), asked)


# ISO 14229-1's negative response codes (from memory).
@pytest.mark.parametrize(("code", "words"), [(0x12, "not supported"), (0x31, "out of range"), (0x78, "pending")])
def test_a_negative_response_carries_its_code(code, words):
    with pytest.raises(NegativeResponseError, match=words) as caught:
        obd_pids.parse_response(bytes((0x7F, 0x01, code)), {0x0C})
    assert caught.value.code == code


@pytest.mark.parametrize(
    ("pid", "data", "named"),
    [
        (0x0C, "1A", "2 data bytes, not 1"),
        (0x0B, "62 00", "1 data bytes, not 2"),
        (0x06, "", "1 or 2 data bytes, not 0"),
        (0x00, "BE1FA813", "not one that can be decoded"),
        (0x99, "00", "not one that can be decoded"),
        (0x03, "03 00", "no fuel system status"),  # two bits at once
        (0x51, "00", "not available"),
        (0x5C, "FF", "above the standard's 210"),
    ],
)
def test_bytes_without_a_meaning_are_an_error_and_never_a_value(pid, data, named):
    with pytest.raises(ObdError, match=named):
        decode(pid, bytes.fromhex(data))


# --- second opinions ---------------------------------------------------------------------------------
# Neither library is an oracle: both are wrong in places, listed here with what they say instead. A test
# fails when a library starts to agree as well as when it starts to disagree.


def first_opinion(text):
    """What PyPI's `obd` makes of an answer: one number, or something else."""
    message = Message([])
    message.data = bytearray.fromhex(text)
    value = obd.commands[1][message.data[1]].decode([message])
    return getattr(value, "magnitude", value)


def second_opinion(text):
    """What `scapy` makes of an answer: its fields in order."""
    (record, *_) = OBD(bytes.fromhex(text)).data_records
    return [value for name, value in record.payload.fields.items() if name != "reserved"]


#: What obd 0.7.3 says where it does not say what the formula says.
FIRST_DISAGREES = {
    "41 32 FF F0": -68,  # two signed bytes put together wrongly
    "41 44 70 00": 0.874496,  # the rounded step 0.0000305
    "41 44 80 00": 0.999424,
    "41 4F 02 0C 80 14": None,  # not decoded
    "41 03 02 00": ("Closed loop, using oxygen sensor feedback to determine fuel mix", ""),
    "41 51 03": "Ethanol",
}
#: Items of which it gives only one: the volts or the current, never the trim and never the lambda.
FIRST_GIVES_ONLY = ("voltage", "current")


@pytest.mark.parametrize(("text", "values"), WORKED)
def test_the_first_library_agrees_where_it_is_known_to(text, values):
    got = first_opinion(text)
    if text in FIRST_DISAGREES:
        expected = FIRST_DISAGREES[text]
        assert got == (pytest.approx(expected) if isinstance(expected, (int, float)) else expected)
        if isinstance(expected, (int, float)):
            assert got != pytest.approx(next(iter(values.values())), abs=1e-4)
        return
    names = [name for name in values if name.startswith("oxygen_")]
    chosen = next((n for n in names if n.endswith(FIRST_GIVES_ONLY)), next(iter(values)))
    assert got == pytest.approx(values[chosen], abs=1e-4)


#: What scapy 2.8.0 says where it does not say what the formula says.
SECOND_DISAGREES = {
    "41 10 0F A0": [0.15],  # reads the first byte only
    "41 34 70 00 7F 00": [0.874, 127],  # no -128 offset, rounded step
    "41 3B 80 00 80 00": [0.999, 128],
    "41 24 70 00 40 00": [0.874, 1.999],  # rounded steps, three decimals
    "41 2B 80 00 66 66": [0.999, 3.198],
    "41 44 70 00": [0.874],
    "41 44 80 00": [0.999],
}
#: It reads FF as a trim, and leaves a trim's second byte aside.
SECOND_COUNTS_OTHERWISE = {"41 1B 5A FF": [0.45, 99.219], "41 08 80 FF": [0]}


@pytest.mark.parametrize(("text", "values"), WORKED)
def test_the_second_library_agrees_where_it_is_known_to(text, values):
    got = second_opinion(text)
    mine = list(values.values())
    if text in SECOND_COUNTS_OTHERWISE:
        assert got == pytest.approx(SECOND_COUNTS_OTHERWISE[text], abs=1e-3)
        assert len(got) != len(mine)
    elif text in SECOND_DISAGREES:
        assert got == pytest.approx(SECOND_DISAGREES[text])
        assert got != pytest.approx(mine, abs=6e-4)
    else:
        assert got == pytest.approx(mine, abs=6e-4)  # it keeps three decimals
