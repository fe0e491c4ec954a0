"""Makes the events of one roast, and keeps its state."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from crackdetect.events import Event
from crackdetect.roast.state import RoastState

_INTERVAL = {"earliest": 2, "latest": 2}
#: Decimals with which numbers are told; those that are not here are told as they are.
_DECIMALS: Mapping[str, Mapping[str, int]] = {
    "crack": {"probability": 4, "snr_db": 1},
    "first_crack.start": _INTERVAL,
    "first_crack.end": _INTERVAL,
    "second_crack.start": _INTERVAL,
    "development": {
        "elapsed": 3,
        "ratio": 5,
        "remaining": 3,
        "first_crack": 3,
        "first_crack_earliest": 2,
        "first_crack_latest": 2,
    },
    "target": {"remaining": 3},
}


class EventWriter:
    """Numbers the events, tells roast time, and folds each into the state before it is rounded.

    Parameters
    ----------
    roast
        Identity of the roast, repeated in every event.
    samplerate
        Hz. Events are told at the nearest sample.
    state
        Of the roast; its own from here on.
    """

    def __init__(self, *, roast: str, samplerate: int, state: RoastState) -> None:
        self.state = state
        self._roast = roast
        self._samplerate = samplerate

    def write(self, kind: str, at: float, ready: int, fields: Mapping[str, Any]) -> Event:
        """The next event.

        Parameters
        ----------
        kind
            One of :data:`crackdetect.events.TYPES`.
        at
            Seconds at which it happened.
        ready
            Sample at which the statement became possible.
        fields
            The further fields of this type, not rounded.
        """
        told_at = self.nearest_sample(at)
        charge = self.state.charge
        since = told_at if kind == "charge" else None if charge is None else charge.at
        roast_time = None if since is None or told_at < since else told_at - since
        event = Event(kind, at, ready / self._samplerate, roast_time, self.state.next_seq, self._roast, fields)
        self.state.apply(event)
        decimals = _DECIMALS.get(kind, {})
        told = {
            name: value if value is None or name not in decimals else round(value, decimals[name])
            for name, value in fields.items()
        }
        return Event(kind, told_at, event.announced_at, roast_time, event.seq, self._roast, told)

    def nearest_sample(self, seconds: float) -> float:
        """The time of the sample that is nearest to ``seconds``."""
        return round(seconds * self._samplerate) / self._samplerate
