"""Rules looked at after a drive: traced, explained, and baselines measured; by the command line, as a person does."""

import json

import pytest
from small_drive import START_NS, settings_of, small_drive

from cabcanary.cli.main import main
from cabcanary.review.list.recorded_drive import read_drive

RULES = """
optional_channels = ["oil_pressure"]
[tables.ceiling]
of = "kPa"
gives = "lambda"
points = [[110, 0.88], [150, 0.85]]

[baselines.idle]
of = "map"
when = "coolant > 70 °C and map < 50 kPa"
at_least = "5 s"
example = 34.0

[[rule]]
id = "lean"
priority = "warning"
say = "Lean under boost"
do = "Lift off gently"
why = "Lean burns hot."
when = "map > 115 kPa deadband 2 kPa and lambda > ceiling(map) deadband 0.01"
on_delay = "0.12 s"
off_delay = "0.5 s"
blind_delay = "0.2 s"

[[rule]]
id = "average_high"
priority = "caution"
say = "Pressure high"
do = "Ease off"
when = "average(map, 1 s) > 140 kPa and certain map > 130 kPa"
blind_delay = "1.2 s"

[[rule]]
id = "never"
priority = "caution"
say = "Far too high"
do = "Ease off"
when = "map > 200 kPa and lambda > 0.9"
on_delay = "0.2 s"

[[rule]]
id = "leak"
priority = "advisory"
say = "Idle high"
do = "Look for a leak"
when = "coolant > 70 °C and map < 60 kPa and map > baseline(idle) + 6 kPa"
on_delay = "1 s"

[[rule]]
id = "oil"
priority = "advisory"
say = "Oil low"
do = "Stop"
when = "oil_pressure < 100 kPa"
"""


def a_drive(s):
    """Idle, a pull at 10 s that turns lean at 13 s for two seconds, idle; a dark wideband in a pull at 30 s."""
    pulls = 10 <= s < 18 or 29 <= s < 32
    mixture = None if 30 <= s < 31.5 else 0.93 if 13 <= s < 15 else 0.81 if pulls else 1.0
    return {"lambda": mixture, "map": 150.0 if pulls else 34.0, "coolant": 85.0}


@pytest.fixture(scope="module")
def driven(tmp_path_factory):
    return small_drive(tmp_path_factory.mktemp("van"), RULES, 40, a_drive, acknowledge_s=14.0, begin_s=5.0)


def test_a_drive_read_back_gives_the_alerts_that_were_told_live(driven):
    drive = read_drive(driven.samples)
    found = drive.whole().run(driven.plan.rules.rules, drive.state, drive.actions())
    live = [(c.time_ns, c.alert, c.state, c.priority) for c in driven.told]
    assert [(c.time_ns, c.alert, c.state, c.priority) for c in found] == live
    assert {c.alert for c in found} == {"lean", "average_high", "cannot_see_lambda"}
    # What was said of rules is the same too; what was said of a dead wire is not kept in the archive.
    assert [c.figures for c in found if not c.blind] == [c.figures for c in driven.told if not c.blind]


def test_a_trace_shows_the_first_trip_tick_by_tick(driven, capsys):
    assert main(["rules", "trace", str(driven.samples), "lean"]) == 0
    lines = capsys.readouterr().out.splitlines()
    # 13 s into the driving is 8 s into the drive, and 0.12 s more are the on-delay.
    assert lines[0] == "lean: its first trip, at 8.12 s (of 1 in this drive)"
    tripped = next(line for line in lines if "active, unacknowledged" in line)
    assert tripped.split()[:3] == ["8.12", "s", "true"]
    assert "map 150 kPa > 115 kPa" in tripped
    assert "lambda 0.928 > 0.85" in tripped
    assert "held for 0.12 of 0.12 s" in tripped
    before = next(line for line in lines if line.split()[:2] == ["7.98", "s"])
    assert before.split()[2:4] == ["false", "normal"]


def test_a_trace_of_an_instant_shows_that_instant(driven, capsys):
    assert main(["rules", "trace", str(driven.samples), "lean", "--at", "25.5", "--around", "0.3"]) == 0
    out = capsys.readouterr().out
    assert "at 25.5 s, as asked" in out
    assert "unknown" in out
    assert "blind for 0.20 s" in out


def test_a_rule_that_never_tripped_is_traced_where_it_came_nearest(driven, capsys):
    assert main(["rules", "trace", str(driven.samples), "never", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["instant"].startswith("it never tripped; nearest to it")
    # Nearest while one of its two comparisons holds: a lambda above 0.9, at idle or in the lean pull.
    assert {t["truth"] for t in found["ticks"]} == {False}
    assert all(t["comparisons"][1]["si"][0] > 0.9 for t in found["ticks"][40:60])


def test_another_set_of_rules_may_be_traced_through_an_old_drive(driven, tmp_path, capsys):
    config = settings_of(tmp_path, RULES.replace("[110, 0.88], [150, 0.85]", "[110, 0.98], [150, 0.95]"))
    assert main(["rules", "trace", str(driven.samples), "lean", "--config", str(config)]) == 0
    assert "it never tripped" in capsys.readouterr().out


def test_the_last_drive_is_traced_by_that_word(driven, capsys):
    month = driven.samples.parent / "vehicle=small-van" / "month=2026-01"
    month.mkdir(parents=True)
    (month / driven.samples.name).write_bytes(driven.samples.read_bytes())
    facts = {"vehicle": "small van", "stage": "low boost", "start": "2026-01-01T00:00:00.000Z", "length_s": 35.0}
    facts |= {"drive": driven.samples.stem, "ticks": 1750, "recovered": False, "lost_blocks": 0, "lost_ticks": 0}
    (month / f"{driven.samples.stem}.manifest.json").write_text(json.dumps(facts | {"software": "0"}))
    assert main(["rules", "trace", "last", "lean", "--folder", str(driven.samples.parents[1])]) == 0
    assert capsys.readouterr().out.startswith("lean: its first trip, at 8.12 s")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["lean", "--at", "99"], "the drive lasts from 0 to 35.0 s"),
        (["leen"], "there is no rule 'leen'; did you mean 'lean'"),
        (["oil"], "rule 'oil' is not fitted: it needs a channel 'oil_pressure'"),
        (["leak"], "needs the baseline 'idle' of this stage"),
        (["lean", "--around", "0"], "--around takes more than 0"),
    ],
)
def test_what_cannot_be_traced_is_said(driven, capsys, arguments, words):
    assert main(["rules", "trace", str(driven.samples), *arguments]) == 2
    assert words in capsys.readouterr().err


def test_a_drive_that_is_not_there_is_said(tmp_path, capsys):
    assert main(["rules", "trace", "2026", "lean", "--folder", str(tmp_path)]) == 2
    assert "there is no drive '2026'" in capsys.readouterr().err
    stranger = tmp_path / "x.parquet"
    stranger.write_bytes(b"PAR1 and nothing else")
    assert main(["rules", "trace", str(stranger), "lean"]) == 2
    assert "is no Parquet file" in capsys.readouterr().err


# --- explain --------------------------------------------------------------------------------------------------------


def test_a_rule_is_explained_in_plain_words_with_its_numbers(tmp_path, capsys):
    config = settings_of(tmp_path, RULES)
    assert main(["rules", "explain", "lean", "--config", str(config)]) == 0
    out = capsys.readouterr().out
    for words in (
        "lean (rules.toml:15) is a warning: act at once.",
        'It says "Lean under boost" and what to do: "Lift off gently".',
        "Lean burns hot.",
        "map is likely above 115 kPa; then until it is 2 kPa below that",
        "ceiling: 0.88 at 110 kPa, 0.85 at 150 kPa",
        "It must hold for 0.12 s without a break",
        "It ends after 0.5 s without it.",
        "When it cannot tell for 0.2 s",
        "Nobody can put it aside.",
        "This is a monitor, not protection.",
    ):
        assert words in out


def test_a_rule_that_is_not_there_is_not_explained(tmp_path, capsys):
    assert main(["rules", "explain", "leen", "--config", str(settings_of(tmp_path, RULES))]) == 2
    assert "did you mean 'lean'" in capsys.readouterr().err


# --- baselines ------------------------------------------------------------------------------------------------------


def test_a_baseline_is_measured_on_good_drives_and_then_the_rule_runs(driven, tmp_path, capsys):
    config = settings_of(tmp_path, RULES)
    assert main(["check", str(config)]) == 1  # no rule covers what an engine under boost needs
    assert "rule leak needs the baseline 'idle' of this stage, which has not been measured" in capsys.readouterr().out
    assert main(["baseline", "measure", str(driven.samples), "--config", str(config)]) == 0
    # The drive idles at 34 kPa for all but 11 of its 35 s.
    assert "idle (stage: low boost): map 34" in capsys.readouterr().out
    assert main(["check", str(config)]) == 1  # no rule covers what an engine under boost needs
    assert "rule leak" not in capsys.readouterr().out
    assert main(["rules", "explain", "leak", "--config", str(config)]) == 0
    assert "baseline idle 34" in capsys.readouterr().out
    assert main(["baseline", "list", "--json", "--config", str(config)]) == 0
    (kept,) = json.loads(capsys.readouterr().out)
    assert kept["points"][0][1] == pytest.approx(34.0, abs=0.1)
    assert kept["seconds"] == pytest.approx(24.0, abs=0.5)
    # 2 mV of noise on 4 V for 230 kPa are 0.115 kPa; half of the middle 90 % of a normal one is 1.645 of it.
    assert kept["spread"] == pytest.approx(0.19, abs=0.04)


def test_a_baseline_belongs_to_its_stage(driven, tmp_path, capsys):
    config = settings_of(tmp_path, RULES)
    assert main(["baseline", "measure", str(driven.samples), "--config", str(config)]) == 0
    config.write_text(config.read_text().replace('stage = "low boost"', 'stage = "no boost"'))
    assert main(["check", str(config)]) == 1  # no rule covers what an engine under boost needs
    assert "rule leak needs the baseline" in capsys.readouterr().out
    assert main(["baseline", "measure", str(driven.samples), "--config", str(config)]) == 1
    assert "idle: NOT measured: in none of the drives of this stage" in capsys.readouterr().out


def test_too_little_is_no_measurement(driven, tmp_path, capsys):
    config = settings_of(tmp_path, RULES.replace('at_least = "5 s"', 'at_least = "5 min"'))
    assert main(["baseline", "measure", str(driven.samples), "--config", str(config), "--json"]) == 1
    (gap,) = json.loads(capsys.readouterr().out)["not_measured"]
    assert gap["why"] == "it holds for 24 s in these drives, and 300 s are wanted"


def test_a_baseline_may_depend_on_another_channel(tmp_path, capsys):
    text = RULES.replace('at_least = "5 s"', 'at_least = "5 s"\nby = "coolant"\nstep = 10')

    def warming(s):
        return {"lambda": 1.0, "map": 40.0 if s < 10 else 34.0, "coolant": 72.0 if s < 10 else 91.0}

    driven = small_drive(tmp_path, text, 20, warming)
    assert main(["baseline", "measure", str(driven.samples), "--config", str(tmp_path / "van.toml"), "--json"]) == 0
    (kept,) = json.loads(capsys.readouterr().out)["measured"]
    assert [(x, round(y)) for x, y in kept["points"]] == [(70.0, 40), (90.0, 34)]


def test_a_file_of_baselines_that_is_torn_is_said(tmp_path, capsys):
    config = settings_of(tmp_path, RULES)
    (tmp_path / "baselines.json").write_text('{"baselines": [{"name"')
    assert main(["check", str(config)]) == 2
    assert "baselines.json is no file of baselines" in capsys.readouterr().out


def test_times_of_a_drive_count_from_its_first_tick(driven):
    assert driven.frames[0].time_ns == START_NS + 5_000_000_000
    assert read_drive(driven.samples).seconds[0] == 0.0
