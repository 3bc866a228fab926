"""Values and tables as TOML has them, one key to a line."""

from __future__ import annotations

from typing import Any

from cabcanary.settings.toml_value import written


def table(name: str, values: dict[str, Any], comment: str = "") -> list[str]:
    """A table with the values that there are, and an empty line after it."""
    head = f"[{name}]" + (f" # {comment}" if comment else "")
    return [head, *(f"{key} = {written(value)}" for key, value in values.items() if value is not None), ""]
