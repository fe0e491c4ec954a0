"""The course of a roast: what is heard, given beforehand and marked becomes events.

Those of its moments, of development and target, and the summary.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from crackdetect.config import Settings
from crackdetect.deciding.density import Density
from crackdetect.deciding.recent import TICK_S
from crackdetect.deciding.tracker import PhaseChange
from crackdetect.errors import SettingError
from crackdetect.events import Event
from crackdetect.hearing.charge_drop import Awaited, ChargeDropDetection
from crackdetect.roast.arithmetic import development_goal, development_ratio
from crackdetect.roast.event_writer import EventWriter
from crackdetect.roast.record import MOMENTS
from crackdetect.roast.state import CONFIRMED, OVER_S, RoastState, summary_of
from crackdetect.roast.statements import NOT_YET

#: Takes back the last key or announcement.
UNDO = "undo"
#: What a person can say: what is now, what has not happened yet, whoever said so before, and what undoes that.
MARKS = (
    "charge",
    "charge.not_yet",
    "first_crack.start",
    "first_crack.not_yet",
    "first_crack.end",
    "second_crack.start",
    "second_crack.not_yet",
    "drop",
    "drop.not_yet",
    "cooled",
    CONFIRMED,
    UNDO,
)
#: A heard drop is not dated earlier than this after first crack began, nor a heard end of cooling after the drop: beans
#: are developed and cooled for longer (common practice, no source), and the chorus and the drop itself are steps too.
LEAST_DEVELOPMENT_S, LEAST_COOLING_S = 15.0, 20.0
_TICKS_A_SECOND = round(1 / TICK_S)


class Course:
    """Answers everything with events. Times are seconds from the first sample; ready: the sample at which it is said.

    Parameters
    ----------
    settings
        What is known or wanted before the roast.
    writer
        Makes the events. Its state is all that this class knows of the roast.
    """

    def __init__(self, *, settings: Settings, writer: EventWriter) -> None:
        self.settings = settings
        self._writer = writer
        self._developed_at = -1.0  # when development was told last
        self.state.settings = settings

    @property
    def state(self) -> RoastState:
        """What holds in the roast by now."""
        return self._writer.state

    def start(self, fields: Mapping[str, object]) -> Event:
        """``roast.start``, with these fields."""
        event = self._writer.write("roast.start", 0.0, 0, fields)
        self.state.settings = self.settings  # the event tells a target to the second only
        return event

    # -- what the person says ------------------------------------------------------------------------------------

    def mark(self, what: str, *, at: float, ready: int) -> list[Event]:
        """The person's own statement.

        Parameters
        ----------
        what
            One of MARKS.

        Raises
        ------
        SettingError
            For what cannot have been, as in :meth:`RoastState.what_is_wrong`; for nothing to undo or to confirm.
        """
        said = self.state.first_crack
        if what == UNDO:
            return self._undo(at, ready)
        if what == CONFIRMED and (said is None or said.how != "heard"):
            raise SettingError("there is no announcement of first crack to confirm")
        if what in MOMENTS and (sentence := self.state.what_is_wrong(what, at)) is not None:
            raise SettingError(sentence)
        events = [self._writer.write("mark", at, ready, {"what": what})]
        if what in ("charge", "drop"):
            events.append(self._writer.write(what, at, ready, {"how": "key"}))
        elif what == "cooled":
            events.append(self._writer.write("cooled", at, ready, {}))
        return events

    def _undo(self, at: float, ready: int) -> list[Event]:
        """Told as the mark that says what holds now, so that nobody need know of undo who follows the roast."""
        step = self.state.steps.last
        if step is None:
            raise SettingError("there is nothing to undo")
        fields = {"undo": step.kind}
        if step.kind == "confirmed":
            return [self._writer.write("mark", at, ready, {"what": CONFIRMED} | fields)]
        holds = self.state.undone().statements.get(step.what)
        if holds is None:
            return [self._writer.write("mark", at, ready, {"what": step.event + NOT_YET} | fields)]
        events = [self._writer.write("mark", holds.at, ready, {"what": step.what} | fields)]
        if step.what in ("charge", "drop"):
            sure = {"confidence": holds.confidence} if holds.how == "heard" and holds.confidence is not None else {}
            events.append(self._writer.write(step.what, holds.at, ready, {"how": holds.how} | sure | fields))
        return events

    # -- what is heard -------------------------------------------------------------------------------------------

    def phases(self, said: Iterable[Density | PhaseChange], *, begun: float, now: float, ready: int) -> list[Event]:
        """What the tracker says of the tick that ends ``now``. begun: its evidence for first crack, 0 to 1."""
        events = []
        for one in said:
            if isinstance(one, Density):
                fields = {"per_minute": one.per_minute, "low": one.low, "high": one.high, "begun": begun}
                events.append(self._writer.write("density", now, ready, fields))
            elif one.what == "first_crack.refined":
                self._better_date(one)
            elif one.what == "first_crack.start" and self.state.start_told:
                events += self._begins_anew(one, now=now, ready=ready)
            else:
                fields = {"earliest": one.earliest, "latest": one.latest, "confidence": one.confidence}
                events.append(self._writer.write(one.what, one.time, ready, fields))
        return events

    def _better_date(self, change: PhaseChange) -> None:
        """The development events and the summary carry it; not where the person has marked first crack."""
        said = self.state.first_crack
        if said is not None and said.how == "heard":
            self.state.statements.date("first_crack.start", change.time, earliest=change.earliest, latest=change.latest)

    def _begins_anew(self, change: PhaseChange, *, now: float, ready: int) -> list[Event]:
        """First crack after the first announcement was taken back: development tells it, unless the person did."""
        if self.state.first_crack is not None:
            return []
        dates = (change.time, change.earliest, change.latest)
        return [self._development(now, ready, dates, {"renewed": True, "confidence": change.confidence})]

    def awaited(self) -> tuple[Awaited | None, float]:
        """What may be heard next, and since when (s). What the person gave beforehand is not listened for."""
        state, wishes = self.state, self.settings
        if state.drop is not None:
            awaited = state.cooled is None and wishes.cool_s is None
            return ("cooled", state.drop.at + LEAST_COOLING_S) if awaited else (None, 0.0)
        what: Awaited = "charge" if state.first_crack is None else "drop"
        # one that was given, and came, and does not hold any more has been taken back
        open_to_hearing = wishes.given(what) is None or what in state.given_over
        if not open_to_hearing or (what == "charge" and state.charge is not None):
            return None, 0.0
        since = state.taken_back_at[what]
        return what, since if state.first_crack is None else max(since, state.first_crack.at + LEAST_DEVELOPMENT_S)

    def handled(self, heard: ChargeDropDetection, *, ready: int) -> list[Event]:
        """Charge, drop or the end of cooling was heard."""
        fields = {"how": "heard", "confidence": heard.confidence}
        return [self._moment(heard.what, heard.time, ready, fields)]

    # -- what time brings ----------------------------------------------------------------------------------------

    def advance(self, now: float, *, ready: int) -> list[Event]:
        """It is ``now``, the end of a tick: times given beforehand, development, target."""
        return [*self._given(now, ready), *self._develop(now, ready)]

    def finish(self, now: float, *, ready: int, health: Mapping[str, int]) -> list[Event]:
        """The roast ends. health: totals of what was wrong, told or not."""
        events = self._given(now, ready)
        fields = summary_of(self.state) | {"health": dict(sorted(health.items()))}
        return [*events, self._writer.write("summary", now, ready, fields)]

    def _moment(self, what: str, at: float, ready: int, fields: Mapping[str, object]) -> Event:
        """Dated to the sample, as it is told, so that roast time counts from there for everybody."""
        return self._writer.write(what, self._writer.nearest_sample(at), ready, fields)

    def _given(self, now: float, ready: int) -> list[Event]:
        """Charge and drop that the person gave beforehand, and the end of the cooling time."""
        state, events = self.state, []
        for what in ("charge", "drop"):
            at = self.settings.given(what)
            if at is not None and now >= at and what not in state.given_over and what not in state.statements:
                events.append(self._moment(what, at, ready, {"how": "given"}))
        cool_s = self.settings.cool_s
        if cool_s is not None and state.drop is not None and state.cooled is None and now >= state.drop.at + cool_s:
            events.append(self._moment("cooled", state.drop.at + cool_s, ready, {}))
        return events

    def _develop(self, now: float, ready: int) -> list[Event]:
        said = self.state.first_crack
        if said is None or self.state.drop is not None or now < said.at:  # marked within the tick that is judged now
            return []
        events = []
        if now / TICK_S % _TICKS_A_SECOND == 0 and now != self._developed_at:
            events.append(self._development(now, ready, (said.at, *(said.interval or (None, None))), {}))
        goal = self.state.goal
        return events if goal is None else events + self._target(said.at + goal, now, ready)

    def _development(
        self, now: float, ready: int, dates: tuple[float, float | None, float | None], more: Mapping[str, object]
    ) -> Event:
        """dates: start of first crack and its interval, seconds."""
        self._developed_at = now
        first_crack, earliest, latest = dates
        charge = None if self.state.charge is None else self.state.charge.at
        goal = development_goal(self.settings.target, first_crack, charge=charge)
        elapsed = now - first_crack
        fields = {
            "elapsed": elapsed,
            "ratio": development_ratio(first_crack, now, charge=charge),
            "remaining": None if goal is None else goal - elapsed,
            "first_crack": first_crack,
            "first_crack_earliest": earliest,
            "first_crack_latest": latest,
        }
        return self._writer.write("development", now, ready, fields | dict(more))

    def _target(self, goal_at: float, now: float, ready: int) -> list[Event]:
        """The stages that are due and were not told."""
        leads = (*sorted(self.settings.near_s, reverse=True), 0.0, -OVER_S)
        told = self.state.told_lead
        due = [lead for lead in leads if goal_at - lead <= now and (told is None or lead < told)]
        events = []
        for lead in due:
            # a warning that the next stage has overtaken says nothing any more
            if lead <= 0 or lead == due[-1]:
                stage = "near" if lead > 0 else "reached" if lead == 0 else "over"
                fields = {"stage": stage, "remaining": goal_at - now}
                events.append(self._writer.write("target", max(goal_at - lead, 0.0), ready, fields))
        return events
