"""Values and tables as TOML has them, one key to a line."""

from __future__ import annotations

import json
from typing import Any


def written(value: Any) -> str:
    """A value as TOML has it, on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # TOML's basic strings are escaped as JSON's are (toml.io, v1.0.0, "String").
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {written(v)}" for key, v in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(written(v) for v in value) + "]"
    return repr(value)


def table(name: str, values: dict[str, Any], comment: str = "") -> list[str]:
    """A table with the values that there are, and an empty line after it."""
    head = f"[{name}]" + (f" # {comment}" if comment else "")
    return [head, *(f"{key} = {written(value)}" for key, value in values.items() if value is not None), ""]
