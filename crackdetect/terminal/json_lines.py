"""Events for programs: JSON Lines."""

from __future__ import annotations

from collections.abc import Callable

from crackdetect.events import Event


class JsonLinesSink:
    """One JSON object a line, flushed at once, so that a reader sees an event when it happens."""

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write

    def send(self, event: Event) -> None:
        """Writes the event. Raises what ``write`` raises."""
        self._write(event.to_json())
