"""All that a live roast leaves behind: its journal, its sound, its messages, and its place in the log."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from crackdetect.errors import CrackdetectError, OutputError, SettingError

if TYPE_CHECKING:
    from crackdetect.listening.attachments import Attachments
    from crackdetect.notice import Notices
    from crackdetect.storage.boot_clock import BootTime
    from crackdetect.storage.journal import Journal
    from crackdetect.webhook.courier import Courier
    from crackdetect.webhook.outbox import Outbox
    from crackdetect.webhook.sink import WebhookSink

#: What endpoints may take at the end of a roast for what still waits.
SEND_S = 5.0


@dataclass(frozen=True, slots=True)
class Webhooks:
    """Where events are sent.

    Attributes
    ----------
    addresses
        Checked.
    events
        As in ``--webhook-events``, ``None`` = the usual ones.
    secret_file
        Holds the signing secret; ``None``: it is looked for elsewhere.
    """

    addresses: tuple[str, ...] = ()
    events: str | None = None
    secret_file: Path | None = None

    @classmethod
    def checked(
        cls,
        addresses: tuple[str, ...],
        *,
        events: str | None,
        secret_file: Path | None,
        tell: Callable[[str], None] = lambda sentence: None,
    ) -> Webhooks:
        """Raises SettingError or MissingPartError, before anything is listened to. tell: takes warnings."""
        if addresses:
            from crackdetect.webhook.address import check
            from crackdetect.webhook.post import Postman
            from crackdetect.webhook.selection import Selection
            from crackdetect.webhook.signing_secret import find

            warnings: list[str] = []
            for address in addresses:
                secret = find(check(address), file=secret_file)
                Postman(address, secret).close()
                warnings += [secret.warning] if secret is not None and secret.warning is not None else []
            for warning in dict.fromkeys(warnings):
                tell(warning)
            if events is not None:
                Selection.parse(events)
        return cls(addresses, events, secret_file)


class KeptRoast:
    """One roast from its name to the log. What cannot be kept is told, and the roast is listened to all the same.

    Parameters
    ----------
    data
        The data folder.
    roast
        Its identity; a new one gets a number behind it where that is taken.
    folder
        Of a roast that is gone on with, ``None`` = a new one.
    tell
        Takes sentences for the person.

    Attributes
    ----------
    roast, folder
        Its identity, and where it is kept; no folder where there can be none.
    exit_code
        Of the error that keeps the roast from the log, 0 without one.
    """

    def __init__(self, data: Path, roast: str, *, folder: Path | None, tell: Callable[[str], None]) -> None:
        from crackdetect.storage.journal import InUse, Journal, new_folder

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
            if isinstance(error, InUse):
                self.folder = None  # it is another's

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
        opened: BootTime | None = None,
    ) -> None:
        """position: samples of the roast so far. started, opened: both clocks at its first sample; None = about now."""
        if self._journal is not None:
            self._journal.notices = notices
            if opened is not None:
                self._journal.clock = lambda: opened
            attachments.sinks.append(self._journal)
            attachments.after.callback(self._journal.close)
        if record and self.folder is not None:
            self._record(attachments, samplerate, position, notices)
        try:
            self._send(attachments, webhooks, started, notices)
        except CrackdetectError as error:  # what was asked for has been checked before; the disk may still fail
            if webhooks.addresses:
                self.exit_code = self.exit_code or error.exit_code
            self._tell(f"{error}; no events are sent, the roast is listened to all the same")

    def _record(self, attachments: Attachments, samplerate: int, position: int, notices: Notices) -> None:
        from crackdetect.storage.recording import Recorder

        assert self.folder is not None
        try:
            recorder = Recorder(self.folder, samplerate=samplerate, first=position, notices=notices)
        except CrackdetectError as error:
            self.exit_code = self.exit_code or error.exit_code
            self._tell(f"{error}; the roast is listened to all the same")
            return
        attachments.observers.append(recorder)
        attachments.after.callback(recorder.close)

    def _send(self, attachments: Attachments, webhooks: Webhooks, started: datetime, notices: Notices) -> None:
        from crackdetect.webhook.outbox import FILE_NAME

        path = self._data / FILE_NAME
        if not webhooks.addresses and not os.path.exists(path):  # nor one that the disk does not give
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
                count, answer = self._outbox.count(courier.address)
            except CrackdetectError as error:
                self._tell(f"what waits for {show(courier.address)} is not known: {error}")
                continue
            why = f" ({answer})" if answer else ""
            self._tell(
                f"{count} message(s) for {show(courier.address)} are not sent yet{why}; they go out with the "
                "next roast, or with 'crackdetect webhook pending --send'"
            )
        self._outbox.close()

    def discard(self) -> None:
        """After everything attached has been closed: nothing of the roast is kept. What fails is told."""
        if self._journal is not None:
            self._journal.close()
        if self.folder is None:
            return
        try:
            shutil.rmtree(self.folder)
        except OSError as error:
            self._tell(f"{self.folder} cannot be removed ({error.strerror}); the next start finds the roast again")

    def finish(self) -> str | None:
        """After everything attached has been closed: the roast goes into the log; its identity there.

        What fails is told.
        """
        from crackdetect.storage import recovery

        if self._journal is None or self.folder is None:
            return None
        if missing := self._journal.missing:
            self.exit_code = OutputError.exit_code
            self._tell(f"{missing} events of this roast found no room on the disk and are lost; what it took is kept")
        try:
            return recovery.keep(self.folder)
        except CrackdetectError as error:
            self.exit_code = error.exit_code
            self._tell(f"the roast could not be put into the log: {error}; the next start tries it again")
            return None
