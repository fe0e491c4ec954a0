"""All that a live roast leaves behind: its journal, its sound, its messages, and its place in the log."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from crackdetect.errors import CrackdetectError, SettingError

if TYPE_CHECKING:
    from crackdetect.keeping.journal import Journal
    from crackdetect.listening.attachments import Attachments
    from crackdetect.notice import Notices
    from crackdetect.webhook.courier import Courier
    from crackdetect.webhook.outbox import Outbox
    from crackdetect.webhook.sink import WebhookSink

#: What endpoints may take at the end of a roast for what still waits.
SEND_S = 5.0


@dataclass(frozen=True, slots=True)
class Webhooks:
    """addresses: checked. events: as in ``--webhook-events``, ``None`` = the usual ones. secret_file: or None."""

    addresses: tuple[str, ...] = ()
    events: str | None = None
    secret_file: Path | None = None

    @classmethod
    def checked(cls, addresses: tuple[str, ...], *, events: str | None, secret_file: Path | None) -> Webhooks:
        """Raises SettingError, MissingPartError: before anything is listened to."""
        if addresses:
            from crackdetect.webhook.address import check
            from crackdetect.webhook.post import Postman
            from crackdetect.webhook.selection import Selection
            from crackdetect.webhook.signing_secret import find

            for address in addresses:
                Postman(check(address), find(address, file=secret_file)).close()
            if events is not None:
                Selection.parse(events)
        return cls(addresses, events, secret_file)


class KeptRoast:
    """One roast from its name to the log.

    data: the data folder. roast: its identity. folder: of a roast that is gone on with, ``None`` = a new one. tell:
    takes sentences for the person. What cannot be kept is told, and the roast is listened to all the same.
    exit_code: of the error that keeps the roast from the log, 0 without one.
    """

    def __init__(self, data: Path, roast: str, *, folder: Path | None, tell: Callable[[str], None]) -> None:
        from crackdetect.keeping.journal import Journal, new_folder

        self.roast = roast
        self.folder = folder
        self.exit_code = 0
        self._data = data
        self._tell = tell
        self._journal: Journal | None = None
        self._outbox: Outbox | None = None
        self._sink: WebhookSink | None = None
        self._couriers: list[Courier] = []
        try:
            count = 1
            while self.folder is None:
                try:
                    self.folder = new_folder(data, self.roast)
                except FileExistsError:  # two roasts within a second; the name after it is free at some point
                    count += 1
                    self.roast = f"{roast}-{count}"
            self._journal = Journal(self.folder)
        except CrackdetectError as error:
            self.exit_code = error.exit_code
            tell(str(error))

    def attach(
        self,
        attachments: Attachments,
        *,
        samplerate: int,
        position: int,
        record: bool,
        webhooks: Webhooks,
        started: datetime,
        notices: Notices,
    ) -> None:
        """position: samples of the roast so far. started: wall clock at its first sample."""
        if self._journal is not None:
            attachments.sinks.append(self._journal)
            attachments.after.callback(self._journal.close)
        if record and self.folder is not None:
            self._record(attachments, samplerate, position, notices)
        try:
            self._send(attachments, webhooks, started, notices)
        except CrackdetectError as error:  # what was asked for has been checked before; the disk may still fail
            self._tell(f"{error}; no events are sent, the roast is listened to all the same")

    def _record(self, attachments: Attachments, samplerate: int, position: int, notices: Notices) -> None:
        from crackdetect.keeping.recording import Recorder

        assert self.folder is not None
        try:
            recorder = Recorder(self.folder, samplerate=samplerate, first=position, notices=notices)
        except CrackdetectError as error:
            self._tell(f"{error}; the roast is listened to all the same")
            return
        attachments.observers.append(recorder)
        attachments.after.callback(recorder.close)

    def _send(self, attachments: Attachments, webhooks: Webhooks, started: datetime, notices: Notices) -> None:
        from crackdetect.webhook.outbox import FILE_NAME

        path = self._data / FILE_NAME
        if not webhooks.addresses and not path.exists():
            return
        from crackdetect.webhook.address import show
        from crackdetect.webhook.courier import Courier
        from crackdetect.webhook.outbox import Outbox
        from crackdetect.webhook.post import Postman
        from crackdetect.webhook.selection import Selection
        from crackdetect.webhook.signing_secret import find
        from crackdetect.webhook.sink import WebhookSink

        selection = Selection() if webhooks.events is None else Selection.parse(webhooks.events)
        outbox = Outbox(path)
        self._outbox = outbox
        attachments.after.callback(self._stop_sending)
        waiting = outbox.addresses()
        for address in dict.fromkeys((*webhooks.addresses, *waiting)):
            try:
                postman = Postman(address, find(address, file=webhooks.secret_file))
            except SettingError as error:  # of what waits from before; this roast's own have been checked
                self._tell(f"what waits for {show(address)} is not sent: {error}")
                continue
            self._couriers.append(Courier(outbox, postman, notices=notices))
        if webhooks.addresses:
            self._sink = WebhookSink(
                outbox, self._couriers, addresses=webhooks.addresses, selection=selection, started=started
            )
            attachments.sinks.append(self._sink)

    def _stop_sending(self) -> None:
        from crackdetect.webhook.address import show

        assert self._outbox is not None
        if self._sink is not None and self._sink.unput:
            self._tell(
                f"{self._sink.unput} message(s) could not be kept to be sent, and are lost; the log has the roast"
            )
        for courier in self._couriers:
            try:
                if courier.close(within_s=SEND_S):
                    continue
                waiting = [one for one in self._outbox.pending() if one.address == courier.address]
            except CrackdetectError as error:
                self._tell(f"what waits for {show(courier.address)} is not known: {error}")
                continue
            why = next((f" ({one.answer})" for one in waiting if one.answer), "")
            self._tell(
                f"{len(waiting)} message(s) for {show(courier.address)} are not sent yet{why}; they go out with the "
                "next roast, or with 'crackdetect webhook pending --send'"
            )
        self._outbox.close()

    def finish(self) -> str | None:
        """After everything attached has been closed: the roast goes into the log; its identity there.

        What fails is told.
        """
        from crackdetect.keeping import recovery

        if self._journal is None or self.folder is None:
            return None
        try:
            return recovery.keep(self.folder)
        except CrackdetectError as error:
            self.exit_code = error.exit_code
            self._tell(f"the roast could not be put into the log: {error}; the next start tries it again")
            return None
