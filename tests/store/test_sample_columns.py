"""Many blocks at once, by arrays: the very readings that the number-by-number decoder gives."""

import random

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from cabcanary.model import Quality, Reading
from cabcanary.store import sample_columns
from cabcanary.store.sample_columns import columns_of, decode_columns, ticks_of
from cabcanary.store.samples import SampleEncoder, Steps, decode_samples

KEYS = [("adc", "voltage0"), ("adc", "voltage1"), ("wideband", "lambda"), ("adc", "voltage2")]
MS = 1_000_000


def there_and_back(blocks, steps=None):
    encoder = SampleEncoder(KEYS, steps)
    payloads = [encoder.encode(block) for block in blocks]
    one_by_one = [tick for payload in payloads for tick in decode_samples(payload, KEYS)]
    return payloads, one_by_one


READINGS = st.one_of(
    st.none(),
    st.tuples(st.integers(-4000, 4000).map(lambda n: n * 1.25), st.integers(0, 10**12), st.just(Quality.GOOD)),
    st.tuples(st.floats(allow_nan=False), st.integers(0, 2**62), st.just(Quality.GOOD)),
    st.tuples(st.none(), st.integers(0, 10**12), st.sampled_from([q for q in Quality if q is not Quality.GOOD])),
)
ROWS = st.lists(st.tuples(st.integers(0, 10**12), st.tuples(*[READINGS] * len(KEYS)), st.text(max_size=3)), min_size=1)


@settings(deadline=None, max_examples=60)
@given(st.lists(ROWS, min_size=1, max_size=4))
def test_whatever_was_written_comes_out_of_the_columns(blocks):
    ticks = [
        [
            (t, tuple(None if r is None else Reading(*k, *r, why) for k, r in zip(KEYS, row, strict=True)))
            for t, row, why in block
        ]
        for block in blocks
    ]
    payloads, one_by_one = there_and_back(ticks)
    found = list(ticks_of(decode_columns(payloads, KEYS), KEYS))
    assert found == one_by_one
    assert repr(found) == repr(one_by_one)  # -0.0 equals 0.0


def drive(seed, blocks, size=26):
    """What a daemon writes: converters' codes, decimals and floats, silent wires, reasons, times that tremble."""
    chance = random.Random(seed)
    newest = {}
    made = []
    for b in range(blocks):
        block = []
        for n in range(size if b < blocks - 1 else 7):
            now = 10**12 + (b * size + n) * 20 * MS + chance.randrange(300) * 1000
            for c, key in enumerate(KEYS):
                if chance.random() < 0.1:
                    continue
                time = now - 5 * MS + c * chance.randrange(40) * 1000
                if chance.random() < 0.03:
                    newest[key] = Reading(*key, None, time, Quality.WARMING, chance.choice(["", "cold", "wire off"]))
                else:
                    number = [chance.randrange(4096) * 1.220703125, chance.random(), 0.9, -0.0][c]
                    newest[key] = Reading(*key, number, time)
            block.append((now, tuple(newest.get(k) for k in KEYS)))
        made.append(block)
    return made


def test_what_the_daemon_writes_is_read_by_arrays_alone(monkeypatch):
    payloads, one_by_one = there_and_back(drive(1, 40), {KEYS[0]: Steps(1.220703125, 0.0)})

    def never(*_):
        raise AssertionError("read number by number")

    monkeypatch.setattr(sample_columns, "decode_samples", never)
    columns = decode_columns(payloads, KEYS)
    assert repr(list(ticks_of(columns, KEYS))) == repr(one_by_one)
    assert any(r.reason for _, row in one_by_one for r in row if r)


def test_ticks_that_do_not_go_on_are_left_out_with_all_that_belongs_to_them():
    _, one_by_one = there_and_back(drive(2, 6))
    # A block that came twice, and one that begins before the end of the last.
    again = one_by_one[:60] + one_by_one[30:80] + one_by_one[26:52] + one_by_one[80:]
    last, wanted = one_by_one[4][0], []
    latest = last
    for tick in again:
        if tick[0] > latest:
            latest = tick[0]
            wanted.append(tick)
    columns = columns_of(again, len(KEYS)).going_on(last)
    assert repr(list(ticks_of(columns, KEYS))) == repr(wanted)
    assert np.all(np.diff(columns.tick_ns) > 0)
