"""Every option of a rule that cannot be meant is a problem at load, with its place and what to do."""

from pathlib import Path

import pytest

from cabcanary.rules.rule_set import Setting, build_rules
from cabcanary.settings.load import rules_from_text
from cabcanary.validation.problems import SettingsError

UNITS = {"boost": "psi", "map": "kPa", "lambda": "lambda"}
RULE = """
[[rule]]
id = "a"
priority = "caution"
say = "Something"
do = "Ease off"
when = "boost > 8 psi"
"""


def problems_of(text, stages=("low", "high")):
    try:
        loaded = rules_from_text(text, Path("rules.toml"))
    except SettingsError as error:
        return error.problems
    return build_rules([loaded], Setting(UNITS, stages=stages, stage=stages[0]))[1]


@pytest.mark.parametrize(
    ("added", "line", "words", "fix"),
    [
        ('on_delay = "1 s"\n[rule.inverse_time]\nexcess = "boost"\nunit = "psi"\npoints = [[0, 1.0], [1, 0.5]]\n',
         2, "takes the place of on_delay", ""),
        ("re_alarm_count = 2\n", 2, "re_alarm_count needs re_alarm", ""),
        ("suppress_ends = true\n", 2, "suppress_ends needs suppress_when", ""),
        ('[rule.inverse_time]\nexcess = "boost"\nunit = "psi"\n', 8, "give points, or k and alpha", ""),
        ('[rule.inverse_time]\nexcess = "boost"\nunit = "psi"\npoints = [[0, 1.0], [1, 0.0]]\n',
         8, "each with more than 0 s", ""),
        ('[rule.inverse_time]\nexcess = "boost"\nk = 0.14\n', 8, "give points, or k and alpha", ""),
        ('[rule.inverse_time]\nexcess = "boost"\nunit = "V"\npoints = [[0, 1.0], [1, 0.5]]\n',
         8, "the excess is pressure, and unit is voltage", "unit of the excess"),
        ('[rule.inverse_time]\nexcess = "boost"\nunit = "psi"\npoints = [[1, 1.0], [0, 0.5]]\n',
         8, "must rise from point to point", "sort the points"),
        ('[rule.inverse_time]\nexcess = "boost > 1 psi"\nunit = "psi"\npoints = [[0, 1.0], [1, 0.5]]\n',
         8, "the excess: this is a condition", "channel or a quantity"),
        ('suppress_when = "boost > 2 V"\n', 8, "compares pressure with voltage", "same kind"),
    ],
)  # fmt: skip
def test_what_cannot_be_meant_is_pointed_at(added, line, words, fix):
    (problem,) = problems_of(RULE + added)
    assert words in problem.message
    assert fix in problem.fix
    assert problem.line == line


def test_a_window_longer_than_the_blind_delay_is_refused():
    # One lost reading keeps the window unknown for 2 s, and that alone is no blindness.
    text = RULE.replace("boost > 8 psi", "average(boost, 2 s) > 8 psi")
    (problem,) = problems_of(text + 'blind_delay = "2 s"\n')
    assert "keeps this unknown for 2 s" in problem.message
    assert problems_of(text + 'blind_delay = "2.1 s"\n') == []
    nested = text.replace("average(boost, 2 s)", "highest(average(boost, 2 s), 3 s)")
    assert "keeps this unknown for 5 s" in problems_of(nested + 'blind_delay = "4 s"\n')[0].message


LIMITS = """
[stage_limits.hose_limit]
unit = "psi"
[stage_limits.hose_limit.by_stage]
"low" = 8
"high" = 12
"""


def test_a_limit_has_a_value_for_every_stage_and_for_no_other():
    text = LIMITS + RULE.replace("boost > 8 psi", "boost > hose_limit")
    assert problems_of(text) == []
    (problem,) = problems_of(text.replace('"high" = 12\n', ""))
    assert (problem.message, problem.line) == ("no limit for stage 'high'", 4)
    (problem,) = problems_of(text + "\n", stages=("low", "high", "higher"))
    assert problem.message == "no limit for stage 'higher'"
    unknown, missing = problems_of(text.replace('"high"', '"hihg"'))
    assert unknown.message == "there is no stage 'hihg'"
    assert missing.message == "no limit for stage 'high'"


def test_a_limit_is_not_called_like_a_channel_nor_a_table_like_a_function():
    (problem,) = problems_of(LIMITS.replace("hose_limit", "boost"))
    assert problem.message == "a channel has this name already"
    table = '[tables.average]\nof = "psi"\ngives = "lambda"\npoints = [[0, 0.9], [1, 0.8]]\n'
    (problem,) = problems_of(table)
    assert problem.message == "a function has this name"


def test_a_baseline_of_a_faulty_condition_is_pointed_at():
    (problem,) = problems_of('[baselines.idle]\nof = "map"\nwhen = "map < 60 V"\n')
    assert (problem.name, problem.line) == ("baseline idle", 3)
    assert "compares pressure with voltage" in problem.message
    (problem,) = problems_of('[baselines.idle]\nof = "map"\nby = "map"\nwhen = "map < 60 kPa"\n')
    assert "cannot depend on itself" in problem.message
