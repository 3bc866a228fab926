"""Changes to the settings file that `cabcanary stage` makes: one key at a time, everything else as it stands."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.settings.editing import Edited
from cabcanary.settings.load import settings_from_text
from cabcanary.store.manifest import write_atomically

if TYPE_CHECKING:
    from pathlib import Path


class EditedFile:
    """A settings file that is being changed; comments, order and spelling stay.

    Raises:
        OSError: it cannot be read.
        SettingsError: it is faulty.
    """

    def __init__(self, file: Path) -> None:
        self.file = file
        # Line ends as they are.
        text = file.read_bytes().decode()
        settings_from_text(text, file)
        self._edited = Edited(text)

    def put(self, path: tuple[str | int, ...], value: Any) -> None:
        """Set one key; tables on the way are made."""
        self._edited.put(path, value)

    def save(self) -> None:
        """Write the file, whole or not at all, once it is still valid.

        Raises:
            CannotEditError: the text cannot be changed with care.
            SettingsError: the change makes it faulty.
            OSError: it cannot be written.
        """
        text = self._edited.text()
        settings_from_text(text, self.file)
        write_atomically(self.file, text.encode())
