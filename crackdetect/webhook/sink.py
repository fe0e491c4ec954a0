"""The sink of a roast: what is selected goes into the outbox, and the couriers are woken."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from datetime import datetime, timedelta

from crackdetect.events import Event
from crackdetect.webhook.courier import Courier
from crackdetect.webhook.envelope import Message, message_of
from crackdetect.webhook.outbox import Outbox
from crackdetect.webhook.selection import Selection

#: Messages that wait in memory while the outbox cannot be written, at most; the oldest are lost then.
UNPUT = 2_000


class WebhookSink:
    """A sink that puts events into the outbox. What the outbox did not take is tried again with the next event.

    Parameters
    ----------
    outbox : Outbox
    couriers : sequence of Courier
        Woken when there is something to send.
    addresses : sequence of str
        Where this roast's events go.
    selection : Selection
        Which of them.
    started : datetime.datetime, optional
        Wall clock at the first sample; by default as the events say.

    Raises
    ------
    OutputError
        When the outbox cannot be written.
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
        self._unput: deque[Message] = deque(maxlen=UNPUT)

    def send(self, event: Event) -> None:
        """Puts the event into the outbox, if it is wanted."""
        fields = event.to_dict()
        if self._started is None:
            self._started = _started(fields)
        if not self._selection.wants(fields):
            return
        self._unput.append(message_of(fields, started=self._started))
        self.settle()

    @property
    def unput(self) -> int:
        """Messages that the outbox has not taken."""
        return len(self._unput)

    def settle(self) -> None:
        """Tries again to put what the outbox has not taken."""
        if not self._unput:
            return
        while self._unput:
            self._outbox.put(self._unput[0], self._addresses)
            self._unput.popleft()
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
