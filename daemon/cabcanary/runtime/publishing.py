"""The messenger as the daemon starts it: a helper process with the settings of the broker."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.processes.helper import Helper

if TYPE_CHECKING:
    from cabcanary.processes.status import Status
    from cabcanary.settings.schema import Settings


def make_messenger(settings: Settings, status: Status) -> Helper | None:
    """The helper that publishes; None where no broker is set up."""
    mqtt = settings.mqtt
    if mqtt is None:
        return None
    given = {
        "feed": str(settings.daemon.feed_path),
        "vehicle": settings.vehicle.name,
        **mqtt.model_dump(mode="json"),
        "port": mqtt.port_number,
        "outbox_file": str(settings.daemon.folder / "outbox.sqlite"),
    }

    def take(message: dict[str, Any]) -> None:
        (status.good if message.get("ok") else status.bad)(str(message.get("text", "")))

    return Helper("cabcanary.messenger.mqtt", given, status, take)
