"""All stages composed: blocks of samples in, events out. Live and offline, this is the one path.

``for block in source: for event in pipeline.push(block): sink.send(event)``, then ``pipeline.finish()``.

Any cut of the same samples into blocks gives equal events. Inside, time is a sample index; it becomes seconds
where an event is made.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import replace
from typing import Any, Literal

import numpy as np

from crackdetect import __version__
from crackdetect.blocks import Block, Samples
from crackdetect.classify import Classifier, Model, Verdict
from crackdetect.config import About, Sensitivity, Settings
from crackdetect.errors import SettingError
from crackdetect.events import Event
from crackdetect.features import Features
from crackdetect.handling import Awaited, Handling
from crackdetect.health import Ailment, Health
from crackdetect.level import LevelMeter
from crackdetect.onset import AFTER, CELL, Candidate, Cell, Onset
from crackdetect.phase import (
    TICK_S,
    Asked,
    AskedCandidate,
    AskedTick,
    Density,
    Mark,
    Phase,
    PhaseSettings,
    ScoreModel,
    Turn,
)
from crackdetect.so_far import SoFar
from crackdetect.spectrum import BandSplitter, Frames

SourceKind = Literal["microphone", "file", "stdin"]
#: What a person can mark by hand: what is now, and what has not happened yet, whoever said so before.
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
)
#: Least probability of a ``crack`` event.
CRACK_FROM = 0.5
#: Seconds past the target at which it is said to be over.
OVER_S = 30.0
#: A heard drop is not dated earlier than this after first crack began, nor a heard end of cooling after the drop: beans
#: are developed and cooled for longer (common practice, no source), and the chorus and the drop itself are steps too.
LEAST_DEVELOPMENT_S, LEAST_COOLING_S = 15.0, 20.0
_TICKS_A_SECOND = round(1 / TICK_S)
#: Bytes, more than a second of sound takes on its way. Taken and given back untouched, they tell glibc to keep what is
#: freed for the next second instead of asking the system anew, a fifth of the time (mallopt(3), dynamic thresholds).
_KEEP_FREED = 16 << 20
#: Nats by which each sensitivity moves the threshold of the decision; measured with ``crackdetect evaluate``.
THRESHOLD_SHIFT: dict[Sensitivity, float] = {"earlier": -2.5, "usual": 0.0, "surer": 2.0}


class Pipeline:
    """The whole of the hearing.

    samplerate: Hz of the blocks, 8,000 to 192,000. model: the classifier, see ``model_files.load``.
    settings: what is known or wanted before the roast. roast: its identity, repeated in every event.
    source: where the sound comes from. about: what the person said of it, only repeated.
    phase_settings: numbers of the decision, before ``settings.sensitivity`` moves its threshold. so_far: of the roast
    that is gone on with; the first sample pushed is then that at ``so_far.until``.
    Raises SettingError on values out of range.
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
        phase_settings: PhaseSettings | None = None,
        so_far: SoFar | None = None,
    ) -> None:
        if so_far is not None and so_far.samplerate != samplerate:
            raise SettingError(f"this roast was heard at {so_far.samplerate} Hz; it cannot go on at {samplerate} Hz")
        np.empty(_KEEP_FREED, np.uint8)  # and given back at once
        self.samplerate = samplerate
        self._so_far = so_far
        self.model = model
        self.settings = settings or Settings()
        self.roast = roast
        self.source = source
        self.about = about or About()
        self._splitter = BandSplitter(samplerate=samplerate)
        self._onset = Onset(bands=self._splitter.bands)
        self._features = Features()
        self._classifier = Classifier(model)
        self._level = LevelMeter(samplerate=samplerate)
        decision = phase_settings or PhaseSettings()
        shift = THRESHOLD_SHIFT[self.settings.sensitivity]
        decision = replace(decision, threshold=decision.threshold + shift)
        self._phase = Phase(ScoreModel.from_marks(model.marks), model.judge, settings=decision)
        self._asked: list[Asked] | None = None
        self._handling = Handling(cell_s=CELL * self._splitter.hop / samplerate)
        self.health = Health(samplerate=samplerate)
        self._reset_own()

    def reset(self) -> None:
        """As new: the next block is the first of another roast."""
        for stage in (
            self._splitter,
            self._onset,
            self._features,
            self._classifier,
            self._level,
            self._phase,
            self._handling,
            self.health,
        ):
            stage.reset()
        self._reset_own()

    def _reset_own(self) -> None:
        self._seq = 0
        self._position = 0  # samples taken in, lost ones among them
        self._tick = 0
        self._marks: deque[tuple[int, Mark]] = deque()  # (frame, mark) of ticks to come
        self._heard: deque[tuple[int, Any]] = deque()
        self._cells: deque[Cell] = deque()  # of ticks to come
        self._resumed_at = 0  # sample at which the first frame after the last gap was complete
        self._charge: float | None = None
        self._drop: float | None = None
        self._cooled: float | None = None
        self._given_told: set[str] = set()  # times given beforehand that have come
        self._taken_back_at = {"charge": 0.0, "drop": 0.0}  # a heard one must have happened since
        self._marked: dict[str, float] = {}  # seconds of what the person marked and did not take back
        self._cracks = 0
        self._announced: float | None = None
        self._start_told = False  # first_crack.start is said once a roast
        self._renewed: Turn | None = None  # an announcement after the first was taken back, not told yet
        self._stages_told: set[str] = set()
        self._finished = False
        if self._so_far is not None:
            self._restore(self._so_far)

    def _restore(self, so_far: SoFar) -> None:
        """Everything as the events say; what was learnt of the noise and the machine is learnt anew."""
        self._seq = so_far.next_seq
        self._position = self._sample(so_far.until)
        self._tick = int(so_far.until / TICK_S)
        while self._tick and self._splitter.end(self._tick_end(self._tick - 1) + AFTER - 1) > self._position:
            self._tick -= 1  # its end was heard, but not yet told
        self._splitter.gap(self._position)
        self._level.gap(self._position)
        self.health.go_on(self._position, totals=so_far.health)
        self._charge, self._drop, self._cooled = so_far.charge, so_far.drop, so_far.cooled
        self._given_told = set(so_far.given_told)
        self._marked = dict(so_far.marked)
        self._cracks = so_far.cracks
        self._announced = so_far.announced
        self._start_told = so_far.start_told
        self._stages_told = set(so_far.stages_told)
        self._phase.go_on(so_far)

    # -- in ------------------------------------------------------------------------------------------------

    def start(self) -> list[Event]:
        """``roast.start``, once; ``push`` sends it by itself."""
        if self._seq:
            return []
        return [
            self._event(
                "roast.start",
                0,
                0,
                {
                    "source": self.source,
                    "samplerate": self.samplerate,
                    "model": {"name": self.model.name, "hash": self.model.digest},
                    "version": __version__,
                    "settings": self.settings.as_fields(),
                    "about": self.about.as_fields(),
                },
            )
        ]

    def push(self, block: Block) -> list[Event]:
        if self._finished:
            raise SettingError("this roast has been finished; reset the pipeline before the next one")
        events = self.start()
        if block.lost:
            self._lose(block.lost, block.lost_to, events)
        if block.overflow:
            self.health.note("overflow")
        samples = block.samples
        if len(samples) == 0:
            return events
        if np.isfinite(samples).all():
            self._hear(samples, events)
            return events
        finite = np.isfinite(samples)
        borders = np.flatnonzero(np.diff(finite)) + 1
        for run, valid in zip(
            np.split(samples, borders), (bool(part[0]) for part in np.split(finite, borders)), strict=True
        ):
            if valid:
                self._hear(run, events)
            else:
                self._lose(len(run), "invalid_samples", events)
        return events

    def mark(self, what: str) -> list[Event]:
        """The person's own statement, now; it outranks what was heard. what: one of MARKS, else SettingError."""
        if what not in MARKS:
            raise SettingError(f"mark {what!r} is unknown; choose one of {', '.join(MARKS)}")
        events = self.start()
        now = self._position
        seconds = now / self.samplerate
        events.append(self._event("mark", now, now, {"what": what}))
        event, taken_back, _ = what.partition(".not_yet")
        if taken_back:
            self._take_back(event)
        elif what == "charge":
            self._charge = seconds
        elif what == "drop":
            self._drop, self._cooled = seconds, None
            self._phase.drop()
        elif what == "cooled":
            self._cooled = seconds
        else:
            self._marked[what] = seconds
            if what == "first_crack.start":
                self._phase.begin(seconds)
        if what in ("charge", "drop"):
            events.append(self._event(what, now, now, {"how": "key"}))
        elif what == "cooled":
            events.append(self._event("cooled", now, now, {}))
        target = self.settings.target
        moves_ratio = target is not None and target.ratio is not None and event == "charge"
        if moves_ratio or what in ("first_crack.start", "first_crack.not_yet"):
            self._stages_told.clear()  # the target lies elsewhere now
        return events

    def _take_back(self, event: str) -> None:
        """The person says that this has not happened: neither their own mark nor what was heard or given holds."""
        if event in self._taken_back_at:
            now = self._taken_back_at[event] = self._position / self.samplerate
            given = self.settings.given(event)
            if given is not None and given <= now:
                self._given_told.add(event)  # also where a mark stood in its place: it does not hold either
        if event == "charge":
            self._charge = None
        elif event == "drop":
            self._drop, self._cooled = None, None
            self._phase.undrop()
        elif event == "first_crack":
            self._marked.clear()  # nothing of what follows it has happened either
            self._phase.not_yet()
            self._announced = self._renewed = None
        else:
            self._marked.pop("second_crack.start", None)
            self._phase.no_second_yet()

    def notice(self, kind: str, *, message: str, count: int = 1) -> list[Event]:
        """``health`` that the outside noticed (``device_lost``, ``disk_full``), told at the current sample."""
        events = self.start()
        self.health.totals[kind] += count
        fields = {"kind": kind, "count": count, "message": message}
        events.append(self._event("health", self._position, self._position, fields))
        return events

    def finish(self) -> list[Event]:
        """The end of the sound: what is left to say, and the summary. Further calls say nothing."""
        if self._finished:
            return []
        events = self.start()
        events += [self._ailment(ailment) for ailment in self.health.finish()]
        self._known_times(self._position / self.samplerate, self._position, events)
        self._finished = True
        end = self._position
        events.append(self._event("summary", end, end, self._summary()))
        return events

    def keep_asked(self) -> list[Asked]:
        """For training: a list that fills with what the phases are asked, so that others can be asked the same."""
        self._asked = []
        return self._asked

    @property
    def position(self) -> int:
        """Samples taken in so far, lost ones among them."""
        return self._position

    @property
    def duration_s(self) -> float:
        """Seconds taken in so far."""
        return self._position / self.samplerate

    # -- the path ------------------------------------------------------------------------------------------

    def _hear(self, samples: Samples, events: list[Event]) -> None:
        # limits keep a file of absurd floats from overflowing the energies
        if float(samples.max()) > 64 or float(samples.min()) < -64:
            samples = np.clip(samples, -64, 64)
        # in parts that end with a second, for health speaks there and must keep its place among the rest
        while len(samples):
            part = samples[: self.samplerate - self._position % self.samplerate]
            samples = samples[len(part) :]
            self._position += len(part)
            self._level.push(part)
            self._follow(self._splitter.push(part), events)
            events += [self._ailment(ailment) for ailment in self.health.push(part)]

    def _follow(self, frames: Frames, events: list[Event]) -> None:
        if len(frames) == 0:
            return
        if frames.first != self._onset.next_frame:
            self._resumed_at = self._splitter.end(frames.first)
        candidates = self._onset.push(frames)
        self._heard.extend(self._onset.heard)
        self._onset.heard.clear()
        self._cells.extend(self._onset.cells)
        self._onset.cells.clear()
        verdicts = self._classifier.push(self._features.push(candidates))
        for candidate, verdict in zip(candidates, verdicts, strict=True):
            self._run_ticks(candidate.frame, events)
            self._judge(candidate, verdict, events)
        self._run_ticks(self._onset.next_frame - AFTER, events)

    def _lose(self, count: int, kind: str, events: list[Event]) -> None:
        self._position += count
        self._splitter.gap(count)
        self._level.gap(count)
        events += [self._ailment(ailment) for ailment in self.health.lose(count, kind)]
        if kind == "outage":  # no candidate reaches across it, so clocks can go on without waiting for sound
            self._run_ticks(self._position // self._splitter.hop - AFTER, events, ready=self._position)

    def _judge(self, candidate: Candidate, verdict: Verdict, events: list[Event]) -> None:
        centre = self._splitter.centre(candidate.frame)
        seconds = centre / self.samplerate
        asked = AskedCandidate(seconds, verdict.score, verdict.kind_score, candidate.strength)
        mark, kind = self._phase.judge(*asked)
        if self._asked is not None:
            self._asked.append(asked)
        self._marks.append((candidate.frame, mark))
        if mark.probability < CRACK_FROM:
            return
        self._cracks += 1
        fields = {
            "kind": kind,
            "probability": round(mark.probability, 4),
            "snr_db": round(self._level.snr_db(centre, candidate.in_band_floor), 1),
        }
        events.append(self._event("crack", centre, self._splitter.end(candidate.frame + AFTER), fields))

    def _tick_end(self, tick: int) -> int:
        """First frame after a tick."""
        return -(-(tick + 1) * self.samplerate // (_TICKS_A_SECOND * self._splitter.hop))

    def _run_ticks(self, until_frame: int, events: list[Event], *, ready: int | None = None) -> None:
        """Closes the ticks that end at or before ``until_frame``. ready: sample at which that became possible."""
        while (border := self._tick_end(self._tick)) <= until_frame:
            marks = []
            while self._marks and self._marks[0][0] < border:
                marks.append(self._marks.popleft()[1])
            heard = self._count_heard(border) * self._splitter.hop / self.samplerate
            sound = max(self._splitter.end(border + AFTER - 1), self._resumed_at) if ready is None else ready
            tick = self._tick
            self._tick += 1
            now = self._tick * TICK_S
            if self._asked is not None:
                self._asked.append(AskedTick(len(marks), tick, min(heard, TICK_S)))
            self._phase.charge = self._known_charge
            for said in self._phase.push(marks, tick=tick, observed_s=min(heard, TICK_S)):
                self._say(said, sound, events)
            self._handle(border, sound, events)
            self._known_times(now, sound, events)
            self._develop(now, sound, events)

    def _count_heard(self, border: int) -> int:
        """Frames before ``border`` in which anything could be heard; they are counted once."""
        count = 0
        while self._heard and self._heard[0][0] < border:
            first, flags = self._heard.popleft()
            here = flags[: border - first]
            count += int(np.count_nonzero(here))
            if len(here) < len(flags):
                self._heard.appendleft((border, flags[border - first :]))
        return count

    # -- out -----------------------------------------------------------------------------------------------

    def _event(self, kind: str, at: int, announced: int, fields: dict[str, Any]) -> Event:
        seconds = at / self.samplerate
        roast_time = None if self._charge is None or seconds < self._charge else seconds - self._charge
        event = Event(kind, seconds, announced / self.samplerate, roast_time, self._seq, self.roast, fields)
        self._seq += 1
        return event

    def _ailment(self, ailment: Ailment) -> Event:
        fields = {"kind": ailment.kind, "count": ailment.count, "message": ailment.message}
        end = min((ailment.second + 1) * self.samplerate, self._position)
        return self._event("health", ailment.second * self.samplerate, end, fields)

    def _sample(self, seconds: float) -> int:
        return round(seconds * self.samplerate)

    def _say(self, said: Density | Turn, ready: int, events: list[Event]) -> None:
        if isinstance(said, Density):
            at = self._sample(self._tick * TICK_S)
            fields = {"per_minute": said.per_minute, "low": said.low, "high": said.high}
            events.append(self._event("density", at, ready, fields))
            return
        if said.what == "first_crack.refined":
            return  # the development events and the summary carry it
        if said.what == "first_crack.start":
            self._announced = ready / self.samplerate
            if self._start_told:
                self._renewed = said
                return  # the next development event, at this very tick, tells it
            self._start_told = True
        fields = {
            "earliest": round(said.earliest, 2),
            "latest": round(said.latest, 2),
            "confidence": said.confidence,
        }
        events.append(self._event(said.what, self._sample(said.time), ready, fields))

    def _handle(self, border: int, ready: int, events: list[Event]) -> None:
        """Charge, drop and the end of cooling, as they are heard in the cells before ``border``."""
        cells = []
        while self._cells and (self._cells[0].index + 1) * CELL <= border:
            cells.append(self._cells.popleft())
        awaited, since = self._awaited()
        for heard in self._handling.push(cells, awaiting=awaited, since_s=since)[:1]:
            if heard.what == "charge":
                self._charge = heard.time
            elif heard.what == "drop":
                self._drop = heard.time
                self._phase.drop()
            else:
                self._cooled = heard.time
            fields = {"how": "heard", "confidence": heard.confidence}
            events.append(self._event(heard.what, self._sample(heard.time), ready, fields))

    def _awaited(self) -> tuple[Awaited | None, float]:
        """What may be heard next, and since when (s). What the person gave beforehand is not listened for."""
        wishes, first_crack = self.settings, self._first_crack
        if self._drop is not None:
            awaited = self._cooled is None and wishes.cool_s is None
            return ("cooled", self._drop + LEAST_COOLING_S) if awaited else (None, 0.0)
        what: Awaited = "charge" if first_crack is None else "drop"
        given = wishes.given(what)
        # one that was given, and came, and does not hold any more has been taken back
        open_to_hearing = given is None or what in self._given_told
        if not open_to_hearing or (what == "charge" and self._charge is not None):
            return None, 0.0
        since = self._taken_back_at[what]
        return what, since if first_crack is None else max(since, first_crack + LEAST_DEVELOPMENT_S)

    @property
    def _known_charge(self) -> float | None:
        """Charge in seconds, also where it was given and is yet to come."""
        given = None if "charge" in self._given_told else self.settings.charge_at
        return given if self._charge is None else self._charge

    def _known_times(self, now: float, ready: int, events: list[Event]) -> None:
        """Charge and drop that the person gave beforehand, and the end of the cooling time."""
        charge, drop, cool_s = self.settings.charge_at, self.settings.drop_at, self.settings.cool_s
        if charge is not None and "charge" not in self._given_told and self._charge is None and now >= charge:
            self._given_told.add("charge")
            self._charge = charge
            events.append(self._event("charge", self._sample(charge), ready, {"how": "given"}))
        if drop is not None and "drop" not in self._given_told and self._drop is None and now >= drop:
            self._given_told.add("drop")
            self._drop = drop
            self._phase.drop()
            events.append(self._event("drop", self._sample(drop), ready, {"how": "given"}))
        if cool_s is not None and self._drop is not None and self._cooled is None and now >= self._drop + cool_s:
            self._cooled = self._drop + cool_s
            events.append(self._event("cooled", self._sample(self._cooled), ready, {}))

    @property
    def _first_crack(self) -> float | None:
        """Start of first crack, seconds: the person's mark before what was heard."""
        marked = self._marked.get("first_crack.start")
        if marked is not None:
            return marked
        return None if self._phase.first_crack is None else self._phase.first_crack.time

    def _develop(self, now: float, ready: int, events: list[Event]) -> None:
        first_crack = self._first_crack
        if first_crack is None or self._drop is not None:
            return
        elapsed = now - first_crack
        if elapsed < 0:  # marked within the tick that is judged now
            return
        target = self.settings.target
        # a first crack before the charge is that of no roast: it has no ratio
        charge = None if self._charge is None or self._charge > first_crack else self._charge
        since_charge = None if charge is None else first_crack - charge
        goal = None if target is None else target.drop_after(since_charge)
        renewed, self._renewed = self._renewed, None
        if self._tick % _TICKS_A_SECOND == 0 or renewed is not None:
            turn = self._phase.first_crack
            marked = "first_crack.start" in self._marked or turn is None
            fields = {
                "elapsed": round(elapsed, 3),
                "ratio": None if charge is None or now <= charge else round(elapsed / (now - charge), 5),
                "remaining": None if goal is None else round(goal - elapsed, 3),
                "first_crack": round(first_crack, 3),
                "first_crack_earliest": None if marked or turn is None else round(turn.earliest, 2),
                "first_crack_latest": None if marked or turn is None else round(turn.latest, 2),
            }
            if renewed is not None and not marked:
                fields |= {"renewed": True, "confidence": renewed.confidence}
            events.append(self._event("development", self._sample(now), ready, fields))
        if goal is not None:
            self._tell_target(first_crack + goal, now, ready, events)

    def _tell_target(self, goal_at: float, now: float, ready: int, events: list[Event]) -> None:
        stages = [(f"near {lead:g}", "near", goal_at - lead) for lead in sorted(self.settings.near_s, reverse=True)]
        stages += [("reached", "reached", goal_at), ("over", "over", goal_at + OVER_S)]
        due = [stage for stage in stages if stage[2] <= now and stage[0] not in self._stages_told]
        for key, stage, at in due:
            self._stages_told.add(key)
            # a warning that the next stage has overtaken says nothing any more
            if stage == "near" and due[-1][0] != key:
                continue
            fields = {"stage": stage, "remaining": round(goal_at - now, 3)}
            events.append(self._event("target", self._sample(max(at, 0.0)), ready, fields))

    def _summary(self) -> dict[str, Any]:
        turn, peak = self._phase.first_crack, self._phase.peak
        first_crack = self._first_crack
        marked = "first_crack.start" in self._marked
        total = None if self._drop is None or self._charge is None else self._drop - self._charge
        if total is not None and total <= 0:
            total = None  # a charge at or after the drop is another roast's
        development = None if self._drop is None or first_crack is None else self._drop - first_crack
        ratio = None if total is None or development is None or development > total else development / total
        end, second = (
            self._marked.get(mark, None if heard is None else heard.time)
            for mark, heard in (
                ("first_crack.end", self._phase.first_crack_end),
                ("second_crack.start", self._phase.second_crack),
            )
        )
        interval = None if turn is None or marked else turn
        return {
            "first_crack": _rounded(first_crack),
            "first_crack_earliest": None if interval is None else _rounded(interval.earliest),
            "first_crack_latest": None if interval is None else _rounded(interval.latest),
            "first_crack_announced": _rounded(self._announced),
            "drop": _rounded(self._drop),
            "total": _rounded(total),
            "development": _rounded(development),
            "ratio": None if ratio is None or not math.isfinite(ratio) else round(ratio, 5),
            "cracks": self._cracks,
            "peak_per_minute": None if peak is None else peak.per_minute,
            "peak_low": None if peak is None else peak.low,
            "peak_high": None if peak is None else peak.high,
            "first_crack_end": _rounded(end),
            "second_crack": _rounded(second),
            "health": dict(sorted(self.health.totals.items())),
        }


def _rounded(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 3)
