"""All stages composed: blocks of samples in, events out. Live and offline, this is the one path.

``for block in source: for event in pipeline.push(block): sink.send(event)``, then ``pipeline.finish()``.

A chain of hearing finds candidates, a grid sorts them into ticks, the tracker and the charge and drop detector say what
they make of each tick, and the course of the roast answers with events. Any cut of the same samples into blocks gives
equal events. Inside, time is a sample index; it becomes seconds where an event is made.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Literal, NamedTuple

import numpy as np

from crackdetect import __version__
from crackdetect.blocks import Block, Samples
from crackdetect.config import About, Sensitivity, Settings
from crackdetect.deciding.context import HeardCandidate
from crackdetect.deciding.density import Peak
from crackdetect.deciding.recent import TICK_S
from crackdetect.deciding.ticks import Tick, TickGrid
from crackdetect.deciding.tracker import Asked, FoundBefore, Judged, PhaseChange, PhaseTracker, TrackerSettings
from crackdetect.errors import SettingError
from crackdetect.events import Event
from crackdetect.hearing.chain import HearingChain
from crackdetect.hearing.charge_drop import ChargeDropDetector
from crackdetect.hearing.classifier import CrackScore
from crackdetect.hearing.health import Health, HealthFinding
from crackdetect.hearing.onset import CELL, Candidate, Cell
from crackdetect.model import Model
from crackdetect.roast.course import MARKS, Course
from crackdetect.roast.event_writer import EventWriter
from crackdetect.roast.state import RoastState
from crackdetect.roast.statements import Statement

SourceKind = Literal["microphone", "file", "stdin"]
#: Least probability of a ``crack`` event.
CRACK_FROM = 0.5
#: Beyond all sound, in full scales: limits keep a file of absurd floats from overflowing the energies.
_LIMIT = 64.0
#: Sound that goes through the stages at once, at most, seconds: many small calls cost time, few large ones memory.
_PART_S = 4
#: Blocks under a twentieth of a second wait until there is so much sound, in a third of the processor time; what they
#: bring is said so much later at most.
_GATHERINGS_A_SECOND = 20
#: Bytes, more than that much sound takes on its way. Taken and given back untouched, they tell glibc to keep what is
#: freed for the next second instead of asking the system anew, a fifth of the time (mallopt(3), dynamic thresholds).
_KEEP_FREED = 16 << 20
#: Nats by which each sensitivity moves the threshold of the decision; measured with ``crackdetect evaluate``.
THRESHOLD_SHIFT: dict[Sensitivity, float] = {"earlier": -0.8, "usual": 0.0, "surer": 2.0}


class Evidence(NamedTuple):
    """That first crack has begun. now: end of the tick, s. known_at: when it was known, s. log_odds: nats."""

    now: float
    known_at: float
    log_odds: float


class Pipeline:
    """The whole of the hearing.

    Parameters
    ----------
    samplerate
        Hz of the blocks, 8,000 to 192,000.
    model
        See :func:`crackdetect.model.load`.
    settings
        What is known or wanted before the roast.
    roast
        Its identity, repeated in every event.
    source, about
        Where the sound comes from and what the person said of the roast; only repeated.
    phase_settings
        Numbers of the decision, before ``settings.sensitivity`` moves its threshold.
    state
        Of a roast that is gone on with; the first sample pushed is then that at ``state.until``.
    trace
        Is told what the phases are asked, for training.
    watch
        Is told what they answer: how each candidate was judged, and the evidence at each tick, for measuring.
    overhear
        Is told how loud the noise is, for knowing a microphone again.

    Raises
    ------
    SettingError
        For a sample rate out of range, or another one than that of the roast that is gone on with.
    """

    def __init__(
        self,
        *,
        samplerate: int,
        model: Model,
        settings: Settings | None = None,
        roast: str = "roast",
        source: SourceKind = "file",
        about: About | None = None,
        phase_settings: TrackerSettings | None = None,
        state: RoastState | None = None,
        trace: Callable[[Asked], object] | None = None,
        watch: Callable[[Judged | Evidence], object] | None = None,
        overhear: Callable[[Sequence[Cell]], object] | None = None,
    ) -> None:
        if state is not None and state.samplerate != samplerate:
            raise SettingError(f"this roast was heard at {state.samplerate} Hz; it cannot go on at {samplerate} Hz")
        np.empty(_KEEP_FREED, np.uint8)  # and given back at once
        self.samplerate = samplerate
        self.model = model
        self.settings = settings or Settings()
        self.roast = roast
        self.source = source
        self.about = about or About()
        self._before = state
        self._watch, self._overhear = watch, overhear
        self._chain = HearingChain(samplerate=samplerate, model=model.classifier)
        decision = phase_settings or TrackerSettings()
        decision = replace(
            decision,
            threshold=decision.threshold + THRESHOLD_SHIFT[self.settings.sensitivity],
            usual_start=self.settings.usual_start or decision.usual_start,
        )
        self._tracker = PhaseTracker(
            model.score_model, model.context, model.own_machine, settings=decision, trace=trace
        )
        self._charge_drop = ChargeDropDetector(cell_s=CELL * self._chain.hop / samplerate)
        self._grid = TickGrid(samplerate=samplerate, hop=self._chain.hop)
        self.health = Health(samplerate=samplerate)
        self._begin()

    def reset(self) -> None:
        """As new: the next block is the first of another roast."""
        for stage in (self._chain, self._grid, self._tracker, self._charge_drop, self.health):
            stage.reset()
        self._begin()

    def _begin(self) -> None:
        self._position = 0  # samples heard, lost ones among them
        self._waiting: list[Samples] = []  # that came and were not heard yet
        self._waits = 0  # how many samples
        self._unsaid: list[Event] = []  # of a call that raised
        state = RoastState() if self._before is None else self._before.copy()
        self._writer = EventWriter(roast=self.roast, samplerate=self.samplerate, state=state)
        self._course = Course(settings=self.settings, writer=self._writer)
        if self._before is not None:
            self._go_on(state)

    def _go_on(self, state: RoastState) -> None:
        """Everything as the events say; what was learnt of the noise and the machine is learnt anew."""
        self._position = round(state.until * self.samplerate)
        tick = int(state.until / TICK_S)
        while tick and self._chain.passed_at(self._grid.border(tick - 1)) > self._position:
            tick -= 1  # its end was heard, but not yet told
        self._grid.skip_to(tick)
        self._chain.gap(self._position)
        self.health.go_on(self._position, totals=state.series.health)
        self._tracker.go_on(_found_before(state))

    @property
    def position(self) -> int:
        """Samples taken in so far, lost ones among them."""
        return self._position + self._waits

    @property
    def duration_s(self) -> float:
        """Seconds taken in so far."""
        return self.position / self.samplerate

    @property
    def state(self) -> RoastState:
        """What the roast amounts to so far; to be read only."""
        return self._writer.state

    # -- in ------------------------------------------------------------------------------------------------

    def start(self) -> list[Event]:
        """``roast.start``, once; ``push`` sends it by itself."""
        if self.state.next_seq:
            return []
        fields = {
            "source": self.source,
            "samplerate": self.samplerate,
            "model": {"name": self.model.name, "hash": self.model.digest},
            "version": __version__,
            "settings": self.settings.as_fields(),
            "about": self.about.as_fields(),
        }
        return [self._course.start(fields)]

    def push(self, block: Block) -> list[Event]:
        """Takes the next block, and says what it brings; of blocks under .05 s, once so much has come.

        Raises
        ------
        SettingError
            After ``finish``.
        """
        if self.state.finished:
            raise SettingError("this roast has been finished; reset the pipeline before the next one")
        events = self._due()
        if block.lost or block.overflow:
            self._catch_up(events)
        if block.lost:
            self._lose(block.lost, block.lost_to, events)
        if block.overflow:
            self.health.note("overflow")
        self._waits += len(block.samples)
        if self._waits < self.samplerate // _GATHERINGS_A_SECOND:
            if len(block.samples):
                self._waiting.append(block.samples.copy())  # the caller may write to it again
            return events
        self._waiting.append(block.samples)
        self._catch_up(events)
        return events

    def _due(self) -> list[Event]:
        """What is to be said before anything else."""
        events, self._unsaid = [*self._unsaid, *self.start()], []
        return events

    def _catch_up(self, events: list[Event]) -> None:
        """Hears what waits."""
        waiting, self._waiting, self._waits = self._waiting, [], 0
        if not waiting:
            return
        samples = waiting[0] if len(waiting) == 1 else np.concatenate(waiting)
        for run, valid in _runs(samples):
            if valid:
                self._hear(run, events)
            else:
                self._lose(len(run), "invalid_samples", events)

    def mark(self, what: str, *, at: float | None = None) -> list[Event]:
        """The person's own statement; it outranks what was heard.

        Parameters
        ----------
        what
            One of :data:`crackdetect.roast.course.MARKS`.
        at
            Seconds from the first sample, where it was a moment ago; ``None``: now.

        Raises
        ------
        SettingError
            For another ``what``, and for what cannot have been, such as first crack before charge.
        """
        if what not in MARKS:
            raise SettingError(f"mark {what!r} is unknown; choose one of {', '.join(MARKS)}")
        now = self.duration_s
        then = now if at is None else min(max(at, 0.0), now)
        self._unsaid = self._due()
        self._catch_up(self._unsaid)
        told = self._told(self._course.mark(what, at=then, ready=self._position))
        return [*self._due(), *told]

    def notice(self, kind: str, *, message: str, count: int = 1) -> list[Event]:
        """``health`` that the outside noticed (``device_lost``, ``disk_full``), told at the current sample."""
        events = self._due()
        self._catch_up(events)
        self.health.totals[kind] += count
        fields = {"kind": kind, "count": count, "message": message}
        return [*events, self._writer.write("health", self.duration_s, self._position, fields)]

    def finish(self) -> list[Event]:
        """The end of the sound: what is left to say, and the summary. Further calls say nothing."""
        if self.state.finished:
            return []
        events = self._due()
        self._catch_up(events)
        events += [self._unwell(finding) for finding in self.health.finish()]
        return events + self._course.finish(self.duration_s, ready=self._position, health=self.health.totals)

    # -- the path ------------------------------------------------------------------------------------------

    def _hear(self, samples: Samples, events: list[Event]) -> None:
        if len(samples) and (float(samples.max()) > _LIMIT or float(samples.min()) < -_LIMIT):
            samples = np.clip(samples, -_LIMIT, _LIMIT)
        while len(samples):
            part = samples[: _PART_S * self.samplerate - self._position % self.samplerate]
            samples = samples[len(part) :]
            heard = self._chain.push(part)
            self._grid.hear(heard.frames, heard.cells)
            if self._overhear is not None:
                self._overhear(heard.cells)
            candidates = deque(heard.candidates)
            # health speaks at the end of each second, and must keep its place among the rest
            while len(part):
                second = part[: self.samplerate - self._position % self.samplerate]
                part = part[len(second) :]
                self._position += len(second)
                judged = self._chain.judged_at(self._position)
                while candidates and candidates[0][0].frame < judged:
                    self._pass(candidates[0][0].frame, events)
                    end = min(judged, self._grid.open_until)
                    self._judge(_before(end, candidates), events)
                self._pass(judged, events)
                events += [self._unwell(finding) for finding in self.health.push(second)]

    def _lose(self, count: int, kind: str, events: list[Event]) -> None:
        self._position += count
        self._chain.gap(count)
        events += [self._unwell(finding) for finding in self.health.lose(count, kind)]
        if kind == "outage":  # no candidate reaches across it, so clocks can go on without waiting for sound
            self._pass(self._chain.frames_until(self._position), events, ready=self._position)

    def _judge(self, of_tick: Sequence[tuple[Candidate, CrackScore]], events: list[Event]) -> None:
        """of_tick: candidates of the tick that is open."""
        asked = [
            HeardCandidate(
                self._chain.centre(candidate.frame) / self.samplerate,
                score.crack_llr,
                score.second_vs_first_llr,
                candidate.strength,
                score.sound,
            )
            for candidate, score in of_tick
        ]
        for (candidate, _), judged in zip(of_tick, self._tracker.judge(asked), strict=True):
            scored, kind, _ = judged
            if self._watch is not None:
                self._watch(judged)
            self._grid.add(candidate.frame, scored)
            if scored.probability >= CRACK_FROM:
                fields = {"kind": kind, "probability": scored.probability, "snr_db": self._chain.snr_db(candidate)}
                events.append(self._writer.write("crack", scored.time, self._chain.said_at(candidate.frame), fields))

    def _pass(self, judged: int, events: list[Event], *, ready: int | None = None) -> None:
        """All frames before ``judged`` have been. ready: sample at which that was known, where it is not by sound."""
        for tick in self._grid.close(judged):
            events += self._told(self._tick(tick, self._chain.passed_at(tick.border) if ready is None else ready))

    def _tick(self, tick: Tick, ready: int) -> list[Event]:
        now, course = tick.end_s, self._course
        self._tracker.charge = self.state.known_charge
        said = self._tracker.push(tick.candidates, tick=tick.number, observed_s=tick.observed_s)
        if self._watch is not None:
            self._watch(Evidence(now, ready / self.samplerate, self._tracker.begun_log_odds))
        events = course.phases(said, begun=self._tracker.begun, now=now, ready=ready)
        awaited, since_s = course.awaited()
        for detection in self._charge_drop.push(tick.cells, awaiting=awaited, since_s=since_s)[:1]:
            events += course.handled(detection, ready=ready)
        return events + course.advance(now, ready=ready)

    def _told(self, events: list[Event]) -> list[Event]:
        """The events once more; the tracker learns of marks and the drop from them."""
        for event in events:
            if event.type == "mark" and "undo" in event.fields:
                self._tracker.restore(_found_before(self.state))
            _tell_tracker(self._tracker, event)
        return events

    def _unwell(self, finding: HealthFinding) -> Event:
        fields = {"kind": finding.kind, "count": finding.count, "message": finding.message}
        end = min((finding.second + 1) * self.samplerate, self._position)
        return self._writer.write("health", float(finding.second), end, fields)


def _before(frame: int, candidates: deque[tuple[Candidate, CrackScore]]) -> list[tuple[Candidate, CrackScore]]:
    """Takes those of earlier frames."""
    taken = []
    while candidates and candidates[0][0].frame < frame:
        taken.append(candidates.popleft())
    return taken


def _runs(samples: Samples) -> Iterator[tuple[Samples, bool]]:
    """Cut where finite samples begin and end; whether they are finite."""
    finite = np.isfinite(samples)
    if finite.all():
        yield samples, True
        return
    borders = np.flatnonzero(np.diff(finite)) + 1
    for run, valid in zip(np.split(samples, borders), np.split(finite, borders), strict=True):
        yield run, bool(valid.all())


def _tell_tracker(tracker: PhaseTracker, event: Event) -> None:
    what = event.fields["what"] if event.type == "mark" else event.type
    undo = event.fields.get("undo")
    if undo is not None and undo != "heard":
        return  # a slip of the finger teaches nothing about the machine
    if event.type == "drop":
        tracker.drop()
    elif event.type == "mark" and what == "first_crack.start":
        tracker.begin(event.at)
    elif what == "drop.not_yet":
        tracker.undrop()
    elif what == "first_crack.not_yet":
        tracker.not_yet()
    elif what == "second_crack.not_yet":
        tracker.no_second_yet()


def _found_before(state: RoastState) -> FoundBefore:
    """What a tracker must know of the roast to go on with it."""
    first, peak = state.first_crack, state.series.peak
    return FoundBefore(
        until=state.until,
        first_crack=_phase_change("first_crack.start", first),
        first_crack_end=_phase_change("first_crack.end", state.first_crack_end),
        second_crack=_phase_change("second_crack.start", state.second_crack),
        announced_at=None if first is None else first.announced_at,
        marked=None if first is None else first.marked,
        peak=None if peak is None else Peak(*peak[1:]),
        dropped=state.drop is not None,
    )


def _phase_change(
    what: Literal["first_crack.start", "first_crack.end", "second_crack.start"], said: Statement | None
) -> PhaseChange | None:
    if said is None or said.heard is None:
        return None
    earliest, latest = said.earliest or said.heard, said.latest or said.heard
    return PhaseChange(what, said.heard, earliest, latest, said.confidence or 1.0)
