"""What a roast's events amount to: the one place that says what holds in a roast at a moment.

The pipeline, a roast that is gone on with, the board, the alerts, the summary and the log all read it.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Self

from crackdetect.config import About, Settings
from crackdetect.errors import InputError
from crackdetect.events import Event
from crackdetect.roast.arithmetic import development_goal, development_ratio, total_time
from crackdetect.roast.event_reader import about_of, read_event, settings_of
from crackdetect.roast.record import MOMENTS, what_is_out_of_order
from crackdetect.roast.series import Series
from crackdetect.roast.statements import NOT_YET, TAKEN_BACK_WITH, Statement, Statements
from crackdetect.roast.undoing import Kind, Step, Steps

#: First crack can be announced after so many seconds of listening; a roast that is gone on with begins anew.
READY_S = 20.0
#: Pops are coming when the evidence for first crack reaches the first of these, until it falls below the second; see
#: :func:`crackdetect.deciding.tracker.evidence`. Even odds, and 3 nats below them, so that the word does not flicker.
COMING_FROM, COMING_UNTIL = 0.5, 0.3
#: The mark by which the person says yes to an announcement of first crack.
CONFIRMED = "first_crack.confirmed"
#: Seconds past the target at which it is said to be over.
OVER_S = 30.0
#: Times are told to the millisecond at least, seconds.
_ROUNDING = 0.001
#: Fields of the summary by the moment that they date.
_SUMMED = {
    "first_crack.start": "first_crack",
    "first_crack.end": "first_crack_end",
    "second_crack.start": "second_crack",
    "drop": "drop",
}


class RoastState:
    """Takes the events of one roast in their order with :meth:`apply`. Times are seconds from the first sample.

    Parameters
    ----------
    whole
        Keep every crack, density and trouble, see :class:`Series`.

    Attributes
    ----------
    roast, source, samplerate, model, version, settings, about
        As ``roast.start`` tells them; model: name and hash. Empty before.
    statements
        What was said of each moment, and holds.
    steps
        What can be undone.
    confirmed
        The person has said yes to the announcement of first crack that holds.
    series
        Cracks, density with its peak, and health.
    until
        The last moment at which anything was said.
    next_seq
        Number of the event to come.
    told_lead
        Of the last stage of the target that was told: seconds before the target, below 0 after it. Earlier ones are
        not told any more. ``None``: none yet, or the target has moved.
    given_over
        ``charge``, ``drop`` where the time given beforehand has come, or was taken back: it does not come (again).
    taken_back_at
        Of ``charge`` and ``drop``: when the person last took it back. What is heard must have been later.
    start_told
        ``first_crack.start`` was said, which it is once a roast, whatever became of it.
    ready_at
        From here on first crack can be announced.
    begun
        How far the evidence is that first crack has begun, 0 to 1, as the last ``density`` told.
    likely
        Whether that is much, with a hysteresis; see :attr:`coming`.
    interrupted_at
        When it was last said that the program had been ended; ``None``: it never was.
    finished
        The summary was said, and the roast was not gone on with after it.
    """

    def __init__(self, *, whole: bool = False) -> None:
        self.roast = ""
        self.source = ""
        self.samplerate = 0
        self.model: Mapping[str, str] = {"name": "", "hash": ""}
        self.version = ""
        self.settings = Settings()
        self.about = About()
        self.statements = Statements()
        self.steps = Steps()
        self.confirmed = False
        self.series = Series(whole=whole)
        self.until = 0.0
        self.next_seq = 0
        self.told_lead: float | None = None
        self.given_over: set[str] = set()
        self.taken_back_at = {"charge": 0.0, "drop": 0.0}
        self.start_told = False
        self.ready_at = READY_S
        self.begun = 0.0
        self.likely = False
        self.interrupted_at: float | None = None
        self.finished = False

    @classmethod
    def of(cls, events: Iterable[Event | Mapping[str, Any]], *, whole: bool = False) -> Self:
        """The state after all of these events.

        Parameters
        ----------
        events
            Of one roast, in order, ``roast.start`` first; as events or as their dicts, which are checked.
        whole
            See the class.

        Raises
        ------
        InputError
            For no events, a first one that is not ``roast.start``, more than one roast, or a damaged event.
        """
        state = cls(whole=whole)
        begun = False
        for told in events:
            event = told if isinstance(told, Event) else read_event(told)
            if not begun and event.type != "roast.start":
                raise InputError(f"a roast begins with roast.start, not with {event.type!r}; give all of its events")
            if begun and event.roast != state.roast:
                names = f"{state.roast!r} and {event.roast!r}"
                raise InputError(f"events of two roasts, {names}, came as one; keep them one by one")
            begun = True
            state.apply(event)
        if not begun:
            raise InputError("there are no events to keep; a roast begins with roast.start")
        return state

    def copy(self) -> RoastState:
        """One that goes its own way from here."""
        return copy.deepcopy(self)

    def apply(self, event: Event) -> None:
        """Takes the next event of the roast."""
        self.until = max(self.until, event.announced_at)
        self.next_seq = event.seq + 1
        _APPLY[event.type](self, event)

    # -- what holds ----------------------------------------------------------------------------------------------

    @property
    def charge(self) -> Statement | None:
        """When the beans went in."""
        return self.statements.get("charge")

    @property
    def first_crack(self) -> Statement | None:
        """When first crack began."""
        return self.statements.get("first_crack.start")

    @property
    def first_crack_end(self) -> Statement | None:
        """When first crack was over."""
        return self.statements.get("first_crack.end")

    @property
    def second_crack(self) -> Statement | None:
        """When second crack began."""
        return self.statements.get("second_crack.start")

    @property
    def drop(self) -> Statement | None:
        """When the beans were dropped."""
        return self.statements.get("drop")

    @property
    def cooled(self) -> Statement | None:
        """When the beans had cooled."""
        return self.statements.get("cooled")

    @property
    def coming(self) -> bool:
        """Pops are coming: first crack may have begun, and it is not sure enough to be announced."""
        return self.likely and self.first_crack is None and self.drop is None

    @property
    def known_charge(self) -> float | None:
        """Charge in seconds, also where it was given and is yet to come."""
        if self.charge is not None:
            return self.charge.at
        return None if "charge" in self.given_over else self.settings.charge_at

    def what_is_wrong(self, what: str, at: float) -> str | None:
        """Why the person cannot mark the moment ``what`` at these seconds; ``None``: they can."""
        statements = self.statements.copy()
        statements.mark(what, at)
        times = {name: said.at for name, said in statements.items()}
        sentence = what_is_out_of_order({"charge": self.known_charge} | times, [what])
        return sentence and f"{sentence}; undo what is wrong first"

    def undone(self) -> RoastState:
        """As it would be after undo."""
        other = self.copy()
        other._undo(self.until)
        return other

    # -- clocks, at ``now`` seconds from the first sample --------------------------------------------------------

    def roast_time(self, now: float) -> float | None:
        """Seconds since charge; it stops at the drop. ``None`` before charge."""
        return None if self.charge is None else max(0.0, self._end(now) - self.charge.at)

    def development(self, now: float) -> float | None:
        """Seconds since first crack; it stops at the drop. ``None`` before first crack."""
        return None if self.first_crack is None else max(0.0, self._end(now) - self.first_crack.at)

    def ratio(self, now: float) -> float | None:
        """Development time over roast time, see :func:`development_ratio`; it stops at the drop."""
        return development_ratio(_at(self.first_crack), self._end(now), charge=_at(self.charge))

    def _end(self, now: float) -> float:
        return now if self.drop is None else min(now, self.drop.at)

    @property
    def goal(self) -> float | None:
        """Development time (s) at which the target is reached, see :func:`development_goal`."""
        return development_goal(self.settings.target, _at(self.first_crack), charge=_at(self.charge))

    def remaining(self, now: float) -> float | None:
        """Seconds to the target, negative past it; ``None`` where that is not known."""
        goal, development = self.goal, self.development(now)
        return None if goal is None or development is None else goal - development

    def cooling(self, now: float) -> float | None:
        """Seconds until the cooling time is over, 0 when it is; ``None`` before the drop or without a cooling time."""
        if self.cooled is not None:
            return 0.0
        if self.drop is None or self.settings.cool_s is None:
            return None
        return max(0.0, self.drop.at + self.settings.cool_s - now)

    # -- one event each ------------------------------------------------------------------------------------------

    def _start(self, event: Event) -> None:
        fields = event.fields
        self.roast = event.roast
        self.source, self.samplerate = fields.get("source", ""), fields.get("samplerate", 0)
        self.model, self.version = fields.get("model", self.model), fields.get("version", "")
        self.settings, self.about = settings_of(fields.get("settings") or {}), about_of(fields.get("about") or {})

    def _crack(self, event: Event) -> None:
        self.series.crack(event)

    def _density(self, event: Event) -> None:
        cracking = self.first_crack is not None and self.second_crack is None and self.drop is None
        self.series.push_density(event, cracking=cracking)
        self.begun = event.fields.get("begun", 0.0)
        self.likely = self.begun >= (COMING_UNTIL if self.likely else COMING_FROM)

    def _phase(self, event: Event) -> None:
        fields = event.fields
        if event.type != "first_crack.end":
            self._step(event.type, "heard")
        self.statements.hear(
            event.type,
            event.at,
            announced_at=event.announced_at,
            earliest=fields["earliest"],
            latest=fields["latest"],
            confidence=fields["confidence"],
        )
        if event.type == "first_crack.start":
            self.start_told = True
            self.series.first_crack_began(event.announced_at)
        elif event.type == "second_crack.start":
            self.series.second_crack_began(event.announced_at)

    def _development(self, event: Event) -> None:
        """It carries the date of first crack as it is known by then; after "not yet" also that it has begun anew."""
        fields, what = event.fields, "first_crack.start"
        at, earliest, latest = (fields[name] for name in ("first_crack", "first_crack_earliest", "first_crack_latest"))
        if self.first_crack is None:
            told_at, sure = event.announced_at, fields.get("confidence")
            self._step(what, "heard")
            self.statements.hear(what, at, announced_at=told_at, earliest=earliest, latest=latest, confidence=sure)
            self.series.first_crack_began(told_at)
        elif earliest is not None:  # None where the person marked it
            self.statements.date(what, at, earliest=earliest, latest=latest)

    def _handled(self, event: Event) -> None:
        """Charge, drop, cooled."""
        what, how = event.type, event.fields.get("how")
        if "undo" in event.fields:  # the mark before it has said so
            return
        if how is None:  # the end of cooling: by the mark that comes with it, or the cooling time has run out
            how = "key" if self.cooled is not None and self.cooled.marked == event.at else "given"
        if how == "heard":
            sure = event.fields.get("confidence")
            self._step(what, "heard")
            self.statements.hear(what, event.at, announced_at=event.announced_at, confidence=sure)
        elif how == "key":
            holds = self.statements.get(what)
            if holds is None or holds.marked != event.at:  # else the mark before it has said so
                self._step(what, "key")
                self.statements.mark(what, event.at)
        else:
            self._step(what, "given")
            self.statements.give(what, event.at)
            if what in self.taken_back_at:
                self.given_over.add(what)

    def _mark(self, event: Event) -> None:
        what, taken_back, _ = str(event.fields["what"]).partition(NOT_YET)
        if "undo" in event.fields:
            self._undo(event.announced_at)
        elif taken_back:
            if self.statements.touched_by(what):
                self._step(TAKEN_BACK_WITH[what][0], "not_yet")
            self._take_back(what, event.at)
            self._move_target(what)
        elif what == CONFIRMED:
            self._step("first_crack.start", "confirmed")
            self.confirmed = True
        elif what in MOMENTS:
            self._step(what, "key")
            self.statements.mark(what, event.at)
            self._move_target(what)
        self.statements.begin_after_charge()

    def _step(self, what: str, kind: Kind) -> None:
        before = {} if kind == "heard" else self.statements.touched_by(what)
        self.steps.take(Step(what, kind, before, self.told_lead, self.series.peak, self.confirmed))

    def _undo(self, now: float) -> None:
        """Takes back the last step. now: seconds from the first sample."""
        step = self.steps.undo()
        if step is None:
            return  # of a roast from elsewhere, whose other events are missing
        if step.kind == "heard":
            self._take_back(step.event, now)
        else:
            step.undo(self.statements)
        self.confirmed = step.confirmed
        if step.kind == "given":
            self.given_over.add(step.what)
        if step.kind != "confirmed" and self._moves_target(step.event):
            self.told_lead = step.told_lead
        if self.first_crack is None:
            self.series.peak = None
        elif step.kind == "not_yet" and step.event == "first_crack":
            self.series.peak = step.peak

    def _move_target(self, what: str) -> None:
        if self._moves_target(what):
            self.told_lead = None

    def _moves_target(self, what: str) -> bool:
        """Whether the target lies elsewhere when that moment does."""
        target = self.settings.target
        by_ratio = target is not None and target.ratio is not None
        return what in ("first_crack", "first_crack.start") or (by_ratio and what == "charge")

    def _take_back(self, what: str, at: float) -> None:
        self.statements.take_back(what)
        if what in self.taken_back_at:
            self.taken_back_at[what] = at
            given = self.settings.given(what)
            too_late = what == "charge" and self.first_crack is not None
            if given is not None and (given <= at or too_late):
                self.given_over.add(what)  # also where a mark stood in its place: it does not hold either
        if what == "first_crack":
            self.series.peak = None
            self.confirmed = False

    def _target(self, event: Event) -> None:
        """Only the last stage that is due is told: the shortest lead time that is not shorter than what remains."""
        remaining = event.fields["remaining"] - _ROUNDING
        if event.fields["stage"] == "near":
            self.told_lead = min((lead for lead in self.settings.near_s if lead >= remaining), default=remaining)
        else:
            self.told_lead = 0.0 if event.fields["stage"] == "reached" else -OVER_S

    def _health(self, event: Event) -> None:
        self.series.trouble(event)
        if event.fields["kind"] == "interrupted":
            self.ready_at = event.announced_at + READY_S
            self.interrupted_at = event.announced_at
            self.finished = False

    def _summary(self, event: Event) -> None:
        """The summary has the last word, for of a roast from elsewhere events may be missing."""
        self.finished = True
        fields = event.fields
        for what, name in _SUMMED.items():
            known, value = _at(self.statements.get(what)), fields[name]
            if value is None or known is None or abs(known - value) > _ROUNDING:
                self.statements.correct(what, value)
        earliest, latest = fields["first_crack_earliest"], fields["first_crack_latest"]
        if earliest is not None:
            self.statements.date("first_crack.start", fields["first_crack"], earliest=earliest, latest=latest)
        self.series.correct(fields, at=event.at)


_APPLY: Mapping[str, Callable[[RoastState, Event], None]] = {
    "roast.start": RoastState._start,
    "charge": RoastState._handled,
    "crack": RoastState._crack,
    "density": RoastState._density,
    "first_crack.start": RoastState._phase,
    "first_crack.end": RoastState._phase,
    "second_crack.start": RoastState._phase,
    "development": RoastState._development,
    "target": RoastState._target,
    "drop": RoastState._handled,
    "cooled": RoastState._handled,
    "mark": RoastState._mark,
    "health": RoastState._health,
    "summary": RoastState._summary,
}


def summary_of(state: RoastState) -> dict[str, Any]:
    """The fields of the ``summary`` event, as everything stands in ``state``."""
    charge, drop = _at(state.charge), _at(state.drop)
    start, end, second = _at(state.first_crack), _at(state.first_crack_end), _at(state.second_crack)
    heard, peak = state.first_crack, state.series.peak
    earliest, latest = (None, None) if heard is None or heard.interval is None else heard.interval
    ratio = development_ratio(start, drop, charge=charge)
    return {
        "first_crack": _rounded(start),
        "first_crack_earliest": _rounded(earliest),
        "first_crack_latest": _rounded(latest),
        "first_crack_announced": None if heard is None else _rounded(heard.announced_at),
        "drop": _rounded(drop),
        "total": _rounded(total_time(charge, drop)),
        "development": None if drop is None or start is None else _rounded(drop - start),
        "ratio": None if ratio is None else round(ratio, 5),
        "cracks": state.series.crack_count,
        "peak_per_minute": None if peak is None else peak.per_minute,
        "peak_low": None if peak is None else peak.low,
        "peak_high": None if peak is None else peak.high,
        "first_crack_end": _rounded(end),
        "second_crack": _rounded(second),
        "health": dict(sorted(state.series.health.items())),
    }


def _at(statement: Statement | None) -> float | None:
    return None if statement is None else statement.at


def _rounded(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 3)
