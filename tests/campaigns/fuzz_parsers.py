"""Coverage-guided fuzzing of one reader: python tests/campaigns/fuzz_parsers.py TARGET SECONDS [CORPUS].

Ends with 0 when nothing was found; a finding is printed with the bytes that make it. Needs atheris.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

with atheris.instrument_imports(include=["cabcanary", "fuzz_targets"]):
    from fuzz_targets import TARGETS, WORDS


def _dictionary(words: tuple[bytes, ...], folder: Path) -> Path:
    """The target's words, as the fuzzer reads them."""
    path = folder / "words.dict"
    escaped = ("".join(f"\\x{byte:02x}" for byte in word) for word in words)
    path.write_text("".join(f'"{word}"\n' for word in escaped), encoding="ascii")
    return path


def main() -> None:
    """Fuzz until the time is over."""
    name, seconds = sys.argv[1], int(sys.argv[2])
    with tempfile.TemporaryDirectory() as folder:
        options = [
            f"-max_total_time={seconds}",
            "-max_len=600",
            "-timeout=20",
            "-rss_limit_mb=1500",
            f"-dict={_dictionary(WORDS[name], Path(folder))}",
            f"-artifact_prefix={folder}/",
            "-print_final_stats=1",
        ]
        atheris.Setup([sys.argv[0], *options, *sys.argv[3:]], TARGETS[name])
        atheris.Fuzz()


if __name__ == "__main__":
    main()
