"""Changes to the settings file that `cabcanary stage` makes: one key at a time, everything else as it stands."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import tomlkit

from cabcanary.settings.load import settings_from_text
from cabcanary.store.manifest import write_atomically

if TYPE_CHECKING:
    from pathlib import Path


class Edited:
    """A settings file that is being changed; comments, order and spelling stay.

    Raises:
        OSError: it cannot be read.
        SettingsError: it is faulty.
    """

    def __init__(self, file: Path) -> None:
        self.file = file
        text = file.read_text(encoding="utf-8")
        settings_from_text(text, file)
        self._document = tomlkit.parse(text)

    def put(self, path: tuple[str, ...], value: Any) -> None:
        """Set one key; tables on the way are made."""
        table: Any = self._document
        for key in path[:-1]:
            if key not in table:
                table.add(key, tomlkit.table(is_super_table=key == "built"))
            table = table[key]
        table[path[-1]] = value

    def joint(self, name: str) -> Any:
        """The table of a joint, to be changed."""
        return next(j for j in self._document["joints"] if j["name"] == name)

    def save(self) -> None:
        """Write the file, whole or not at all, once it is still valid.

        Raises:
            SettingsError: the change makes it faulty.
            OSError: it cannot be written.
        """
        text = tomlkit.dumps(self._document)
        settings_from_text(text, self.file)
        write_atomically(self.file, text.encode())
