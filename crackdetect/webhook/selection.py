"""Which events go out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from crackdetect.errors import SettingError
from crackdetect.events import TYPES

#: Those a person acts on. ``health:KIND`` is trouble of one kind.
DEFAULT = (
    "charge",
    "first_crack.start",
    "second_crack.start",
    "target",
    "drop",
    "cooled",
    "mark",
    "summary",
    "health:device_lost",
    "health:device_back",
    "health:disk_full",
)


class Selection:
    """Which events are sent. names: event types, ``health:KIND``, or ``all``. Raises SettingError on anything else."""

    def __init__(self, names: tuple[str, ...] = DEFAULT) -> None:
        self._names = frozenset(TYPES if "all" in names else names)
        for name in names:
            if name != "all" and name not in TYPES and not name.startswith("health:"):
                raise SettingError(
                    f"webhook event {name!r} is unknown; choose from all, {', '.join(TYPES)}, or trouble of one kind, "
                    "such as health:device_lost"
                )
        if not names:
            raise SettingError("no webhook events are named; leave the option out for the usual ones")

    @classmethod
    def parse(cls, text: str) -> Selection:
        """``"first_crack.start, drop"``."""
        return cls(tuple(name.strip() for name in text.split(",") if name.strip()))

    def wants(self, event: Mapping[str, Any]) -> bool:
        """Whether an event, as its fields, is among those chosen."""
        return event["type"] in self._names or f"{event['type']}:{event.get('kind')}" in self._names
