"""One version, wherever it is asked."""

from importlib.metadata import version

import pytest

import cabcanary
from cabcanary.cli.main import main


def test_the_program_says_the_version_that_its_package_has(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["--version"])
    assert ended.value.code == 0
    assert capsys.readouterr().out == f"cabcanary {version('cabcanary')}\n"
    assert version("cabcanary") == cabcanary.__version__
