"""Carries what waits for one endpoint, in order, in a thread of its own."""

from __future__ import annotations

import contextlib
import hashlib
import random
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from crackdetect.errors import OutputError
from crackdetect.notice import FAILED, Notice, Notices
from crackdetect.webhook.address import show
from crackdetect.webhook.outbox import Outbox, Waiting
from crackdetect.webhook.post import Postman
from crackdetect.webhook.verdict import REFUSALS, judge, wait_s
from crackdetect.worker import begin

#: How often the outbox is looked into without being asked to: another process may have put something in.
LOOK_S = 1.0
#: Failures in a row until the person is told.
TELL_AFTER = 3


class Courier:
    """Sends from the outbox until closed, in a thread of its own.

    Of all processes only one sends to an endpoint at a time, so that the order holds.

    Parameters
    ----------
    outbox : Outbox
    postman : Postman
    notices : Notices, optional
        Where it is told that the endpoint fails, or the outbox, and that it is back.

    Raises
    ------
    OutputError
        Where the system gives no thread.
    """

    def __init__(self, outbox: Outbox, postman: Postman, *, notices: Notices | None = None) -> None:
        self.address = postman.address
        self._outbox = outbox
        self._postman = postman
        self._notices = notices
        self._chance = random.Random()
        self._failures = 0
        self._noted = True  # the outbox took what was last to be noted
        self._taken: int | None = None  # place of a message that the endpoint has, as long as the outbox has it too
        self._wake = threading.Event()
        self._ending = threading.Event()
        self._resting = False  # it failed, and the next try is still to come
        self._thread = threading.Thread(target=self._run, name="courier", daemon=True)
        begin(self._thread)

    def wake(self) -> None:
        """There may be something to send."""
        self._wake.set()

    def close(self, *, within_s: float) -> bool:
        """Lets it send what waits, for so long at most; returns whether nothing waits any more.

        One that fails is not waited for. Raises OutputError where the outbox cannot be read.
        """
        until = time.monotonic() + within_s
        try:
            while self._outbox.first(self.address) and not self._resting and time.monotonic() < until:
                self._wake.set()
                time.sleep(0.02)
        finally:
            self._ending.set()
            self._wake.set()
            self._thread.join(max(0.0, until - time.monotonic()) + 0.5)
        return self._outbox.first(self.address) is None

    def _run(self) -> None:
        while not self._ending.is_set():
            try:
                with _only_sender(self._outbox.path, self.address) as mine:
                    if mine:
                        self._send_all()
            except OutputError as error:
                self._outbox_fails(str(error))
            except BaseException as error:  # it would end the sending in silence, for the rest of the roast
                self._outbox_fails(f"a defect of crackdetect, {type(error).__name__}", kind=FAILED)
            self._wake.wait(LOOK_S)
        with contextlib.suppress(OutputError):  # told; it will be sent once more, under the same id
            self._note_taken()
        self._postman.close()

    def _note_taken(self) -> None:
        if self._taken is not None:
            self._outbox.taken(self._taken)
            self._taken = None

    def _outbox_fails(self, why: str, *, kind: str = "webhook_down") -> None:
        """Another program may hold it for a while: it is tried again as long as the roast lasts, and told once."""
        if self._noted:
            self._noted = False
            self._tell(kind, f"sending to {show(self.address)} waits: {why}; it is tried again")

    def _outbox_works(self) -> None:
        if not self._noted:
            self._noted = True
            self._tell("webhook_back", f"sending to {show(self.address)} goes on")

    def _send_all(self) -> None:
        """Until it is to end."""
        while not self._ending.is_set():
            self._wake.clear()
            self._note_taken()
            message = self._outbox.first(self.address)
            self._outbox_works()
            left_s = LOOK_S if message is None else _left(message)
            self._resting = message is not None and left_s > 0
            if message is None or left_s > 0:
                self._wake.wait(min(left_s, LOOK_S))
            else:
                self._try(message)

    def _try(self, message: Waiting) -> None:
        verdict = judge(self._postman.post(message.body, message=message.id), now=time.time())
        if verdict.outcome == "taken":
            self._taken = message.place
            self._note_taken()
            if self._failures >= TELL_AFTER:
                self._tell("webhook_back", f"{show(self.address)} takes events again")
            self._failures = 0
            return
        self._failures += 1
        if verdict.outcome == "gone":
            self._outbox.leave(self.address, answer=verdict.words)
            self._tell("webhook_down", f"{show(self.address)} {verdict.words}")
            return
        tries = message.tries + 1
        set_aside = verdict.outcome == "refused" and tries >= REFUSALS
        until = time.time() + wait_s(verdict, tries=tries, chance=self._chance)
        self._outbox.put_off(message.place, until=until, answer=verdict.words, set_aside=set_aside)
        if self._failures == TELL_AFTER:
            self._tell(
                "webhook_down", f"{show(self.address)} takes no events: {verdict.words}; they are kept and sent later"
            )

    def _tell(self, kind: str, message: str) -> None:
        if self._notices is not None:
            self._notices.put(Notice(kind, message))


def _left(message: Waiting) -> float:
    """Seconds until it may be tried; 0 where the clock was set back."""
    left = message.not_before - time.time()
    return left if left <= 2 * 3600 else 0.0


@contextlib.contextmanager
def _only_sender(outbox: Path, address: str) -> Iterator[bool]:
    """Whether no other process sends to this address meanwhile."""
    from filelock import FileLock, Timeout

    name = hashlib.sha256(address.encode("utf-8", "replace")).hexdigest()[:16]
    lock = FileLock(outbox.with_name(f"webhook-{name}.lock"), mode=0o600, thread_local=False)
    try:
        lock.acquire(timeout=0)
    except (Timeout, OSError):
        yield False
        return
    try:
        yield True
    finally:
        lock.release()
