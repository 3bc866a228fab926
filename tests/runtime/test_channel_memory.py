"""What outlives the power (the air's pressure) or a crash (a hot wideband), and is never in the way."""

import json

import pytest

from cabcanary.channels.air_known import Remembered
from cabcanary.clock import boot_id
from cabcanary.recorder.told_time import Told
from cabcanary.runtime.channel_memory import ChannelMemory, HotMemory

S = 1_000_000_000
HOUR = 3600 * S
KEPT = Remembered(89.87, 0.4)


class Pipeline:
    def __init__(self):
        self.recalled = None

    def recall(self, kept, parked_s):
        self.recalled = kept, parked_s


def recalled(folder, told):
    pipeline = Pipeline()
    ChannelMemory(folder).recall(pipeline, told)
    return pipeline.recalled


def keep(folder, told, known=KEPT):
    memory = ChannelMemory(folder)
    memory.keep({"air_pressure": known}, told, S)
    memory.wait(10)
    return memory


@pytest.mark.parametrize(
    ("before", "now", "parked_s"),
    [
        (Told(10 * HOUR, "system"), Told(12 * HOUR, "system"), 7200.0),
        (Told(10 * HOUR, "gps"), Told(12 * HOUR, "system"), 7200.0),
        # A clock that nobody has set tells no time, neither then nor now.
        (Told(10 * HOUR, ""), Told(12 * HOUR, "system"), None),
        (Told(10 * HOUR, "system"), Told(12 * HOUR, ""), None),
    ],
)
def test_what_was_kept_is_taken_with_the_time_since(tmp_path, before, now, parked_s):
    keep(tmp_path, before)
    assert recalled(tmp_path, now) == ({"air_pressure": KEPT}, parked_s)


@pytest.mark.parametrize(
    "content", [None, b"", b"{", b"[]", b'{"channels": {"a": 3}, "wall_ns": 1}', b'{"channels": 5}']
)
def test_a_file_that_is_not_there_or_torn_is_as_if_never_written(tmp_path, content):
    if content is not None:
        (tmp_path / "remembered.json").write_bytes(content)
    assert recalled(tmp_path, Told(0, "")) is None


def test_a_number_that_is_none_is_not_taken(tmp_path):
    (tmp_path / "remembered.json").write_text('{"channels": {"air_pressure": [NaN, 0.4]}, "wall_ns": null}')
    assert recalled(tmp_path, Told(0, "")) == ({}, None)


def test_it_is_written_about_once_a_minute_and_only_when_it_has_changed(tmp_path):
    memory, file = keep(tmp_path, Told(0, "")), tmp_path / "remembered.json"
    assert not memory.is_due(60 * S)
    assert memory.is_due(62 * S)
    file.unlink()
    memory.keep({"air_pressure": KEPT._replace(kpa=KEPT.kpa + 0.01)}, Told(0, ""), 62 * S)
    memory.wait(10)
    assert not file.exists()
    memory.keep({"air_pressure": KEPT._replace(kpa=KEPT.kpa + 0.2)}, Told(0, ""), 122 * S)
    memory.wait(10)
    assert json.loads(file.read_text())["channels"]["air_pressure"][0] == pytest.approx(90.07)


def test_a_folder_that_cannot_be_written_ends_nothing(tmp_path):
    keep(tmp_path / "not there", Told(0, ""))


class Hot:
    """A pipeline of one hot wideband, or of none."""

    def __init__(self, *names):
        self.names, self.begun = list(names), None

    def hot(self):
        return self.names

    def begin_hot(self, names, away_ns, now_ns):
        self.begun = names, away_ns, now_ns


def keep_hot(memory, pipeline, now_ns, folder):
    memory.keep(pipeline, now_ns)
    memory.wait(10)
    return json.loads((folder / "hot").read_text())


def begun(folder, now_ns):
    pipeline = Hot()
    HotMemory(folder).recall(pipeline, now_ns)
    return pipeline.begun


def test_which_wideband_is_hot_is_kept_every_five_seconds_and_taken_with_the_time_since(tmp_path):
    memory = HotMemory(tmp_path)
    assert keep_hot(memory, Hot("lambda"), 100 * S, tmp_path)["time_ns"] == 100 * S
    assert keep_hot(memory, Hot("lambda"), 104 * S, tmp_path)["time_ns"] == 100 * S
    assert begun(tmp_path, 107 * S) == (["lambda"], 7 * S, 107 * S)
    # What has cooled since is no longer said to be hot.
    assert keep_hot(memory, Hot(), 105 * S, tmp_path) == {"boot": boot_id(), "time_ns": 105 * S, "hot": []}


@pytest.mark.parametrize(
    "content",
    [
        None,
        b"",
        b"[]",
        b'{"boot": "another start", "time_ns": 5, "hot": ["lambda"]}',
        b'{"boot": 3, "hot": ["lambda"]}',
    ],
)
def test_of_another_start_of_the_computer_or_torn_nothing_was_hot(tmp_path, content):
    if content is not None:
        (tmp_path / "hot").write_bytes(content)
    assert begun(tmp_path, 7 * S) is None


def test_a_run_folder_that_cannot_be_written_ends_nothing(tmp_path):
    memory = HotMemory(tmp_path / "not there")
    memory.keep(Hot("lambda"), S)
    memory.wait(10)
