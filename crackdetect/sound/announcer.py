"""Alerts become sound: a sink that never makes anybody wait."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from crackdetect.errors import CrackdetectError
from crackdetect.events import Event
from crackdetect.notice import Notices, defect
from crackdetect.roast.alerts import Alert, Alerts, Signal
from crackdetect.sound.own_sound import OwnSound
from crackdetect.worker import Worker

#: Alerts that wait while another sounds, at most; then the least urgent, oldest one is left out.
_WAITING = 8
#: What the last sound may take when the roast has ended.
_CLOSE_S = 2.0


class Signals(Protocol):
    """Plays a signal; ``crackdetect.sound.player.Player``."""

    def play(self, name: Signal, *, enough: Callable[[], bool]) -> None:
        """Plays the signal of that name; stops when ``enough`` says so."""


class Speech(Protocol):
    """Speaks a sentence; ``crackdetect.sound.voice.Voice``."""

    def speak(self, text: str, *, enough: Callable[[], bool]) -> bool:
        """Speaks the text; stops when ``enough`` says so. False when it cannot speak."""


class Announcer:
    """A sink that sounds the alerts of events, the most urgent first, cutting short a lesser one.

    Parameters
    ----------
    alerts
        What calls for somebody.
    player, voice
        What sounds them; without a voice there are signals only.
    own_sound
        Told while anything sounds.
    say
        Takes one sentence when sound fails, once.
    notices
        Where a defect is told, once.

    Attributes
    ----------
    failing
        Whether the last signal could not sound.
    """

    def __init__(
        self,
        alerts: Alerts,
        *,
        player: Signals,
        voice: Speech | None,
        own_sound: OwnSound,
        say: Callable[[str], None],
        notices: Notices,
    ) -> None:
        self._alerts = alerts
        self._player = player
        self._voice = voice
        self._own = own_sound
        self._say = say
        self._notices = notices
        self.failing = False
        self._failed = False
        self._worker: Worker[Alert] = Worker(self._sound, name="announcer", failed=self._fail, arrange=_most_urgent)

    def send(self, event: Event) -> None:
        """Returns at once."""
        for alert in self._alerts.push(event):
            self._worker.put(alert)

    @property
    def waiting(self) -> tuple[Alert, ...]:
        """Alerts that are still to sound, the most urgent first."""
        return self._worker.waiting

    def close(self) -> None:
        """Lets what sounds end, for a moment."""
        self._worker.close(within_s=_CLOSE_S, discard=True)

    def _sound(self, alert: Alert) -> None:
        with self._own.sounding():
            self._signal(alert)
            self._speak(alert)

    def _signal(self, alert: Alert) -> None:
        if alert.signal is None:
            return
        try:
            self._player.play(alert.signal, enough=lambda: self._overtaken(alert))
            self.failing = False
        except Exception as error:  # a defect there must not cost the spoken alert
            self.failing = True
            self._fail(error)

    def _speak(self, alert: Alert) -> None:
        def enough() -> bool:
            return self._overtaken(alert) or self._worker.closing

        if self._voice is None or not alert.spoken or enough():
            return
        spoken = self._voice.speak(alert.spoken, enough=enough)
        if not spoken and not enough():
            # while it is waited for nothing is heard, so it is not tried again
            self._voice = None
            self._say("the system's voice does not work; alerts are told by signals only")

    def _overtaken(self, alert: Alert) -> bool:
        waiting = self._worker.waiting
        return bool(waiting) and waiting[0].urgency > alert.urgency

    def _fail(self, error: BaseException) -> None:
        if self._failed:
            return
        self._failed = True
        if isinstance(error, CrackdetectError):
            self._say(str(error))
        else:
            self._notices.put(defect("an alert could not sound", error))


def _most_urgent(waiting: list[Alert]) -> None:
    newest = {alert.signal: alert for alert in waiting}  # of two alerts of one kind only the newer one is still true
    waiting[:] = sorted(newest.values(), key=lambda alert: -alert.urgency)[:_WAITING]
