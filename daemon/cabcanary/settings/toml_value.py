"""A value as a settings file has it."""

from __future__ import annotations

import json
from datetime import date
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
    if isinstance(value, date):
        return value.isoformat()
    return repr(value)
