"""What calls for the person's attention, and how urgently: events in, alerts out. Nothing sounds here.

Alerts are cautions. None of them says that something is safe, and none replaces looking at the roast.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from crackdetect.events import Event
from crackdetect.notation import clock
from crackdetect.roast import cautions
from crackdetect.roast.stage import pops
from crackdetect.roast.standing import unusual
from crackdetect.roast.state import RoastState

#: Names of the signals; each has its own sound (``sound/signals.py``).
Signal = Literal[
    "coming", "first_crack", "near", "tick", "target", "over", "second_crack", "trouble", "cooled", "noted"
]
#: Roast time (s) at which not one pop at all is strange, where no expected window was given (chosen).
NOTHING_HEARD_S = 480.0
#: Seconds before the target at which a soft tick sounds.
TICKS_S = (10.0, 5.0)
#: The same trouble sounds again after this long (chosen).
AGAIN_S = 60.0
#: Trouble that a person must know of at once, and how it is spoken. Other kinds are only shown.
_SOUNDING = {
    "device_lost": "Caution. The microphone is lost. Nothing is heard.",
    "silence": "Caution. The microphone gives only silence.",
    "clipping": "Caution. The microphone is too loud.",
    "disk_full": "Caution. The disk is full. Recording has stopped.",
}


@dataclass(frozen=True, slots=True)
class Alert:
    """One call for the person's attention.

    Attributes
    ----------
    signal
        Which sound; ``None``: it is only spoken.
    urgency
        0 a note, 1 a call, 2 act now.
    text, spoken
        What is shown, and what is said aloud; either may be empty.
    at
        When it became due, seconds from the first sample.
    """

    signal: Signal | None
    urgency: Literal[0, 1, 2]
    text: str
    spoken: str
    at: float


class Alerts:
    """Takes the events of one roast in their order.

    Parameters
    ----------
    max_development_s
        Development past this, seconds, is cautioned; ``None``: no such caution.
    ticks
        Whether there are soft ticks shortly before the target.

    Attributes
    ----------
    state
        What the roast amounts to so far.
    """

    def __init__(self, *, max_development_s: float | None = None, ticks: bool = True) -> None:
        self.max_development_s = max_development_s
        self.ticks = ticks
        self.state = RoastState()
        self._told: set[str] = set()
        self._trouble_at: dict[str, float] = {}
        self._coming_at = -AGAIN_S
        self._ticked: set[float] = set()  # leads before the target that have had their tick

    def push(self, event: Event) -> list[Alert]:
        """What the event calls for."""
        before, was_coming = self.state.first_crack, self.state.coming
        self.state.apply(event)
        now = event.announced_at
        alerts: list[Alert] = []
        if event.type == "first_crack.start" and (before is None or before.how == "heard"):
            alerts.append(self._begun(event.at, now))
        elif event.type == "development":
            if event.fields.get("renewed") and before is None:
                alerts.append(self._begun(float(event.fields["first_crack"]), now))
            alerts += self._too_long(float(event.fields["elapsed"]), now)
            alerts += self._tick(event.fields.get("remaining"), now)
        elif event.type == "target":
            alerts.append(self._target(event))
        elif event.type == "second_crack.start":
            text = f"Second crack since {self._at(event.at)}. {cautions.PAST_SECOND_CRACK}"
            alerts.append(Alert("second_crack", 2, text, "Caution. Second crack. Watch the beans.", now))
        elif event.type in ("charge", "drop") and event.fields.get("how") == "heard" and "undo" not in event.fields:
            text = f"{event.type.capitalize()} heard at {self._at(event.at)}; undo it if that is wrong."
            alerts.append(Alert("noted", 0, text, f"{event.type.capitalize()} heard.", now))
        elif event.type == "cooled":
            heard = event.fields.get("how") == "heard"  # a fan that has stopped says nothing of heat
            what = "The cooling fan has stopped." if heard else "The cooling time is over."
            spoken = f"{what} Caution. Drum and beans may still be hot."
            alerts.append(Alert("cooled", 1, f"{what} {cautions.AT_COOLING}", spoken, now))
        elif event.type == "mark":
            if str(event.fields["what"]).startswith("first_crack"):
                self._told.discard("too long")
                self._ticked.clear()
        elif event.type == "health":
            alerts += self._trouble(event)
        elif event.type == "density":
            if self.state.coming and not was_coming:
                alerts += self._coming(now)
            alerts += self._nothing_yet(now)
        return alerts

    def _at(self, seconds: float) -> str:
        charge = self.state.charge
        return clock(seconds if charge is None else seconds - charge.at)

    def _begun(self, at: float, now: float) -> Alert:
        late = max(0, round(now - at))
        plural = "second" if late == 1 else "seconds"
        strange = unusual(self.state, at)
        return Alert(
            "first_crack",
            2,
            f"First crack began {self._at(at)}, {late} s ago{f', {strange}' if strange else ''}.",
            f"First crack began {late} {plural} ago{f', {strange.split()[0]} than usual' if strange else ''}.",
            now,
        )

    def _target(self, event: Event) -> Alert:
        seconds = abs(round(float(event.fields["remaining"])))
        now = event.announced_at
        if event.fields["stage"] == "near" and seconds in TICKS_S:
            self._ticked.add(seconds)
            signal: Signal | None = "tick" if self.ticks else None
            return Alert(signal, 1, f"{seconds} s to the target.", f"{seconds} seconds to the target.", now)
        if event.fields["stage"] == "near":
            return Alert("near", 1, f"{seconds} s to the target.", f"{seconds} seconds to the target.", now)
        if event.fields["stage"] == "reached":
            return Alert("target", 2, "Target reached.", "Target reached.", now)
        text = f"Caution: {seconds} s past the target, and still roasting."
        return Alert("over", 2, text, f"Caution. {seconds} seconds past the target.", now)

    def _coming(self, now: float) -> list[Alert]:
        """A soft sound and no words: while the program speaks it hears nothing, and this is no moment for that."""
        if now - self._coming_at < AGAIN_S:
            return []
        self._coming_at = now
        text = f"Pops coming: {pops(self.state, now)}; mark first crack if you hear it too."
        return [Alert("coming", 0, text, "", now)]

    def _tick(self, remaining: float | None, now: float) -> list[Alert]:
        """Development is told once a second: the tick comes with the one that is nearest."""
        due = [] if remaining is None or not self.ticks else [lead for lead in TICKS_S if abs(remaining - lead) <= 0.5]
        fresh = [lead for lead in due if lead not in self._ticked and lead not in self.state.settings.near_s]
        self._ticked.update(fresh)
        return [Alert("tick", 1, f"{lead:.0f} s to the target.", "", now) for lead in fresh]

    def _too_long(self, elapsed: float, now: float) -> list[Alert]:
        most = self.max_development_s
        if most is None or elapsed < most or "too long" in self._told:
            return []
        self._told.add("too long")
        text = f"Caution: development has passed {clock(most)}, the most you set."
        return [Alert("over", 2, text, "Caution. Development is past the most you set.", now)]

    def _nothing_yet(self, now: float) -> list[Alert]:
        """No first crack where one was expected; or nothing at all, where pops are usual."""
        state = self.state
        roast_time = state.roast_time(now)
        if state.first_crack is not None or state.drop is not None:
            return []
        alerts = []
        expect = state.about.expect
        if expect is not None and roast_time is not None and roast_time > expect[1] and "late" not in self._told:
            self._told.add("late")
            text = (
                f"Caution: no first crack by {clock(expect[1])}, the end of the expected window. Trust your own ears."
            )
            alerts.append(Alert("trouble", 1, text, "Caution. No first crack by the expected time.", now))
        waited = now if roast_time is None else roast_time
        usual = NOTHING_HEARD_S if expect is None or roast_time is None else expect[1]
        if state.series.crack_count == 0 and waited > usual and "nothing" not in self._told:
            self._told.add("nothing")
            text = f"Caution: not one pop was heard in {clock(waited)}. Is it the right microphone, near and unmuted?"
            alerts.append(Alert("trouble", 1, text, "Caution. Nothing has been heard. Check the microphone.", now))
        return alerts

    def _trouble(self, event: Event) -> list[Alert]:
        kind, now = str(event.fields["kind"]), event.announced_at
        if kind == "device_back":
            return [Alert("noted", 0, "The microphone is back.", "The microphone is back.", now)]
        if kind not in _SOUNDING:
            return []
        last = self._trouble_at.get(kind)
        if last is not None and now - last < AGAIN_S:
            return []
        self._trouble_at[kind] = now
        message = str(event.fields["message"])
        return [Alert("trouble", 2, message[:1].upper() + message[1:], _SOUNDING[kind], now)]
