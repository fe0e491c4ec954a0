"""Alerts become sound: a sink that never makes anybody wait."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Protocol

from crackdetect.alerts import Alert, Alerts, Signal
from crackdetect.errors import CrackdetectError
from crackdetect.events import Event
from crackdetect.sound.own_sound import OwnSound

#: Alerts that wait while another sounds, at most; then the least urgent, oldest one is left out.
_WAITING = 8
#: What the last sound may take when the roast has ended.
_CLOSE_S = 2.0


class Signals(Protocol):
    """Plays a signal; ``crackdetect.sound.player.Player``."""

    def play(self, name: Signal, *, enough: Callable[[], bool]) -> None: ...


class Speech(Protocol):
    """Speaks a sentence; ``crackdetect.sound.voice.Voice``."""

    def speak(self, text: str, *, enough: Callable[[], bool]) -> bool: ...


class Announcer:
    """Takes events, and sounds their alerts in a thread of its own: the most urgent first, cutting short a lesser one.

    own_sound: told while anything sounds. voice: None = signals only. say: takes one sentence when sound fails, once.
    """

    def __init__(
        self,
        alerts: Alerts,
        *,
        player: Signals,
        voice: Speech | None,
        own_sound: OwnSound,
        say: Callable[[str], None],
    ) -> None:
        self._alerts = alerts
        self._player = player
        self._voice = voice
        self._own = own_sound
        self._say = say
        self._failed = False
        self._waiting: list[Alert] = []
        self._state = threading.Condition()
        self._closing = False
        self._thread = threading.Thread(target=self._run, name="announcer", daemon=True)
        self._thread.start()

    def send(self, event: Event) -> None:
        """Returns at once."""
        if alerts := self._alerts.push(event):
            with self._state:
                self._waiting += alerts
                # of two alerts of one kind only the newer one is still true
                newest = {alert.signal: alert for alert in self._waiting}
                self._waiting = sorted(newest.values(), key=lambda alert: -alert.urgency)[:_WAITING]
                self._state.notify()

    def close(self) -> None:
        """Lets what sounds end, for a moment."""
        with self._state:
            self._closing = True
            self._waiting.clear()
            self._state.notify()
        self._thread.join(_CLOSE_S)

    def _run(self) -> None:
        while True:
            with self._state:
                while not self._waiting:
                    if self._closing:
                        return
                    self._state.wait()
                alert = self._waiting.pop(0)
            with self._own.sounding():
                self._sound(alert)

    def _sound(self, alert: Alert) -> None:
        def enough() -> bool:
            return bool(self._waiting) and self._waiting[0].urgency > alert.urgency

        try:
            self._player.play(alert.signal, enough=enough)
        except CrackdetectError as error:
            if not self._failed:
                self._failed = True
                self._say(str(error))
        if self._voice is None or enough() or self._closing:
            return
        spoken = self._voice.speak(alert.spoken, enough=lambda: enough() or self._closing)
        if not spoken and not enough() and not self._closing:
            # while it is waited for nothing is heard, so it is not tried again
            self._voice = None
            self._say("the system's voice does not work; alerts are told by signals only")
