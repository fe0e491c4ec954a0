"""The sink of a roast: what is selected goes into the outbox, and the couriers are woken."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from crackdetect.events import Event
from crackdetect.webhook.courier import Courier
from crackdetect.webhook.envelope import message_of
from crackdetect.webhook.outbox import Outbox
from crackdetect.webhook.selection import Selection


class WebhookSink:
    """addresses: where this roast's events go. started: wall clock at the first sample; ``None`` = as the events say.

    Raises OutputError when the outbox cannot be written; then nothing has been sent either.
    """

    def __init__(
        self,
        outbox: Outbox,
        couriers: Sequence[Courier],
        *,
        addresses: Sequence[str],
        selection: Selection,
        started: datetime | None = None,
    ) -> None:
        self._outbox = outbox
        self._couriers = [courier for courier in couriers if courier.address in addresses]
        self._addresses = list(addresses)
        self._selection = selection
        self._started = started

    def send(self, event: Event) -> None:
        fields = event.to_dict()
        if self._started is None:
            self._started = _started(fields)
        if not self._selection.wants(fields):
            return
        self._outbox.put(message_of(fields, started=self._started), self._addresses)
        for courier in self._couriers:
            courier.wake()


def _started(fields: dict[str, object]) -> datetime:
    """From ``about.started`` of ``roast.start``; else as if the event had happened now."""
    about = fields.get("about")
    if isinstance(about, dict) and isinstance(about.get("started"), str):
        try:
            started = datetime.fromisoformat(about["started"])
        except ValueError:
            pass
        else:
            return started if started.tzinfo is not None else started.astimezone()
    at = fields["at"]
    assert isinstance(at, float)
    return datetime.now().astimezone() - timedelta(seconds=at)
