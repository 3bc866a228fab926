"""Fuel receipts: what was filled, when, and of which blend; one small file in the daemon's folder."""

from __future__ import annotations

from datetime import date  # noqa: TC003  # the model asks for it when it is made
from typing import TYPE_CHECKING

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from cabcanary import units
from cabcanary.store.manifest import write_atomically

if TYPE_CHECKING:
    from pathlib import Path

RECEIPTS_FILE = "fuel.json"
#: The oldest go beyond this many: some ten years of weekly fills.
_MOST = 600


class Receipt(BaseModel):
    """One fill. `blend` is as the pump names it; `ethanol` is its share by volume in per cent where the owner knows it
    better than the name says."""

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False)

    day: date
    litres: float = Field(gt=0, le=500)
    blend: str = Field(min_length=1, max_length=20)
    ethanol: float | None = Field(default=None, ge=0, le=100)

    @property
    def fuel(self) -> str:
        """The fuel as the settings name it."""
        return self.blend if self.ethanol is None else f"E{round(self.ethanol)}"

    @property
    def ratio(self) -> float:
        """Stoichiometric air to fuel by mass."""
        return units.fuel_ratio(self.blend) if self.ethanol is None else units.ethanol_blend_ratio(self.ethanol / 100)

    @property
    def words(self) -> str:
        """The blend, with the owner's figure where there is one."""
        return self.blend if self.ethanol is None else f"{self.blend} ({self.ethanol:.0f} % ethanol)"


class ReceiptsError(Exception):
    """The file of receipts cannot be used; the text says why."""


class _Receipts(BaseModel):
    receipts: list[Receipt] = []


def read_receipts(folder: Path) -> list[Receipt]:
    """All of them, the oldest first; none where there is no file.

    Raises:
        ReceiptsError: there is a file and it cannot be read.
    """
    path = folder / RECEIPTS_FILE
    try:
        found = _Receipts.model_validate_json(path.read_bytes()).receipts
    except (FileNotFoundError, NotADirectoryError):
        return []
    except OSError as error:
        raise ReceiptsError(f"{path} cannot be read: {error.strerror or error}") from error
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"]))
        raise ReceiptsError(f"{path} is no file of fuel receipts ({where}: {first['msg']}); move it away") from error
    return sorted(found, key=lambda r: r.day)


def add_receipt(folder: Path, receipt: Receipt) -> list[Receipt]:
    """Write one more; returns all of them, the oldest first.

    Raises:
        ReceiptsError: those there cannot be read.
        OSError: the file cannot be written.
    """
    receipts = sorted([*read_receipts(folder), receipt], key=lambda r: r.day)[-_MOST:]
    text = _Receipts(receipts=receipts).model_dump_json(indent=1)
    write_atomically(folder / RECEIPTS_FILE, text.encode())
    return receipts
