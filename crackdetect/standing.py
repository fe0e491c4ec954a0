"""What stands in a roast at this moment: its events, folded. The board and the alerts both read it.

A statement of the person outranks what was heard, in either order; what was taken back does not stand.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from crackdetect.config import Target
from crackdetect.events import Event

#: Seconds of density and of pops that are kept for a short history.
HISTORY_S = 120.0
#: Kinds of health that are no trouble: the program's own sound is told by itself.
NO_TROUBLE = frozenset({"own_sound"})
#: What a person may take back, with what falls with it.
_FALLS_WITH = {
    "charge": ("charge",),
    "first_crack": ("first_crack", "first_crack_end", "second_crack"),
    "second_crack": ("second_crack",),
    "drop": ("drop", "cooled"),
}


@dataclass(frozen=True, slots=True)
class Statement:
    """Something that has happened. at: seconds from the first sample. how: ``heard``, ``key`` or ``given``.

    earliest, latest: 90 % interval of a heard date. told_at: when it was said.
    """

    at: float
    how: str
    told_at: float
    earliest: float | None = None
    latest: float | None = None


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something wrong with hearing or keeping. at: seconds from the first sample, when it was told."""

    kind: str
    message: str
    at: float


class Standing:
    """Takes events with ``take``; its attributes say what stands.

    charge, first_crack, first_crack_end, second_crack, drop, cooled: a :class:`Statement` or None.
    density: the last ``density`` event's (per_minute, low, high). densities: (at, per_minute) of the last two minutes.
    pops: (at, snr_db) of single cracks. troubles: the last of each kind. now: seconds from the first sample, as of the
    last event. target, cool_s, expect, coffee, green_g: what was wished and said beforehand.
    """

    def __init__(self) -> None:
        self._statements: dict[str, Statement] = {}
        self._order: list[str] = []
        self.density: tuple[float, float, float] | None = None
        self.densities: deque[tuple[float, float]] = deque(maxlen=int(HISTORY_S))
        self.pops: deque[tuple[float, float]] = deque(maxlen=1000)
        self.cracks = 0
        self.troubles: dict[str, Trouble] = {}
        self.now = 0.0
        self.target: Target | None = None
        self.cool_s: float | None = None
        self.expect: tuple[float, float] | None = None
        self.coffee: str | None = None
        self.green_g: float | None = None
        self.ended = False

    def take(self, event: Event) -> None:
        self.now = max(self.now, event.announced_at)
        fields = event.fields
        if event.type == "roast.start":
            self._begin(event)
        elif event.type in ("charge", "drop", "cooled"):
            self._state(event.type, Statement(event.at, str(fields.get("how", "given")), event.announced_at))
        elif event.type in ("first_crack.start", "first_crack.end", "second_crack.start"):
            name = "first_crack_end" if event.type == "first_crack.end" else event.type.removesuffix(".start")
            self._state(
                name, Statement(event.at, "heard", event.announced_at, fields.get("earliest"), fields.get("latest"))
            )
        elif event.type == "development":
            self._redate(event)
        elif event.type == "mark":
            self._mark(event)
        elif event.type == "density":
            self.density = (fields["per_minute"], fields["low"], fields["high"])
            self.densities.append((event.at, fields["per_minute"]))
        elif event.type == "crack":
            self.cracks += 1
            self.pops.append((event.at, float(fields["snr_db"])))
        elif event.type == "health" and fields["kind"] not in NO_TROUBLE:
            self.troubles[fields["kind"]] = Trouble(fields["kind"], fields["message"], event.announced_at)
        elif event.type == "summary":
            self.ended = True

    def _begin(self, event: Event) -> None:
        wishes, about = event.fields.get("settings") or {}, event.fields.get("about") or {}
        self.target = None if wishes.get("target") is None else Target.of_record(wishes["target"])
        self.cool_s = wishes.get("cool_s")
        expect = about.get("expect")
        self.expect = None if expect is None else (float(expect[0]), float(expect[1]))
        self.coffee, self.green_g = about.get("coffee"), about.get("green_g")

    def _mark(self, event: Event) -> None:
        what, taken_back, _ = str(event.fields["what"]).partition(".not_yet")
        if taken_back:
            for name in _FALLS_WITH[what]:
                self._statements.pop(name, None)
                if name in self._order:
                    self._order.remove(name)
        elif what not in ("charge", "drop", "cooled"):  # those have an event of their own
            name = "first_crack_end" if what == "first_crack.end" else what.removesuffix(".start")
            self._state(name, Statement(event.at, "key", event.announced_at))

    def _state(self, name: str, statement: Statement) -> None:
        standing = self._statements.get(name)
        if standing is not None and standing.how != "heard" and statement.how == "heard":
            return
        self._statements[name] = statement
        if name in _FALLS_WITH:
            if name in self._order:
                self._order.remove(name)
            self._order.append(name)

    def _redate(self, event: Event) -> None:
        """A ``development`` event betters the date of first crack, or says that it has begun after all."""
        fields = event.fields
        if fields.get("renewed"):
            self._state("first_crack", Statement(fields["first_crack"], "heard", event.announced_at))
        standing = self.first_crack
        if standing is not None and standing.how == "heard":
            self._statements["first_crack"] = Statement(
                fields["first_crack"],
                "heard",
                standing.told_at,
                fields["first_crack_earliest"],
                fields["first_crack_latest"],
            )

    @property
    def to_take_back(self) -> str | None:
        """The mark that takes back the newest statement that can be; None when nothing stands."""
        return f"{self._order[-1]}.not_yet" if self._order else None

    @property
    def charge(self) -> Statement | None:
        return self._statements.get("charge")

    @property
    def first_crack(self) -> Statement | None:
        return self._statements.get("first_crack")

    @property
    def first_crack_end(self) -> Statement | None:
        return self._statements.get("first_crack_end")

    @property
    def second_crack(self) -> Statement | None:
        return self._statements.get("second_crack")

    @property
    def drop(self) -> Statement | None:
        return self._statements.get("drop")

    @property
    def cooled(self) -> Statement | None:
        return self._statements.get("cooled")

    # -- clocks, at ``now`` seconds from the first sample --------------------------------------------------------

    def roast_time(self, now: float) -> float | None:
        """Seconds since charge; it stops at the drop. None before charge."""
        if self.charge is None:
            return None
        end = now if self.drop is None else min(now, self.drop.at)
        return max(0.0, end - self.charge.at)

    def development(self, now: float) -> float | None:
        """Seconds since first crack; it stops at the drop. None before first crack."""
        if self.first_crack is None:
            return None
        end = now if self.drop is None else min(now, self.drop.at)
        return max(0.0, end - self.first_crack.at)

    def ratio(self, now: float) -> float | None:
        """Development time over roast time, 0 to 1; None while one of the two is not known."""
        development, total = self.development(now), self.roast_time(now)
        if development is None or not total or development > total:
            return None
        return development / total

    @property
    def goal_s(self) -> float | None:
        """Development time at which the target is reached; None without a target, or before it can be known."""
        if self.target is None or self.first_crack is None:
            return None
        since_charge = None if self.charge is None else self.first_crack.at - self.charge.at
        return self.target.drop_after(since_charge if since_charge is None or since_charge >= 0 else None)

    def remaining(self, now: float) -> float | None:
        """Seconds to the target, negative past it."""
        goal, development = self.goal_s, self.development(now)
        return None if goal is None or development is None else goal - development

    def cooling(self, now: float) -> float | None:
        """Seconds until the cooling time is over, 0 when it is; None before the drop or without a cooling time."""
        if self.drop is None or self.cool_s is None or self.cooled is not None:
            return None if self.cooled is None else 0.0
        return max(0.0, self.drop.at + self.cool_s - now)
