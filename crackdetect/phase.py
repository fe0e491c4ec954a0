"""Decides the phases of a roast from marked points: every candidate with its score, and the silence between.

**Background.** Before first crack the machine's own clatter is learnt: for each of 13 bins of score, the rate of
candidates heard more than 12 s ago, with a memory of 150 s and a weak prior from training. So a machine that
ticks, with whatever score its ticks get, makes ticks of that score worth little.

**Start of first crack.** A hidden Markov filter over quiet, clumps, bursts and a climbing chorus (``start_filter.py``)
says the odds that it has begun; it is announced when they pass a threshold.

**Dating.** At the announcement, and again while the ramp goes on, the likelihood of the same points under ramps
(start, length, peak) is summed over lengths and peaks: a posterior over the start, with its 5 % and 95 % points. A
step fitted to a ramp would be 8 to 14 s late, and a straight ramp is some 2 s late, for faint cracks are missed; these
ramps begin a little slower. The likelihood is trusted by a part only, for candidates are not independent, and few
roasts are thought to be announced long after the start.

**Cracks.** Whether a candidate is a crack on this machine is said by ``judge.py``, with calibrated probabilities p.

**Density.** The number of cracks in the last 15 s is the sum of their p, with variance sum p(1 - p); the rate has the
gamma posterior of Jeffreys' prior, (N + 1/2) / (c T), widened to the variance of both and to how much c, the sum of p
over a true crack, differs between machines (both learnt with the judge). The rate is then freed of dead time: two
cracks within the hold-off are one candidate.

Time is in seconds from the first sample, on a grid of ticks of 0.25 s; every tick carries how much of it was
heard, so a gap is neither silence nor evidence.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt
import scipy.special

from crackdetect.dead_time import dead_time_correct
from crackdetect.errors import ModelError
from crackdetect.judge import Judge, JudgeModel
from crackdetect.peak import Peak, peak_from
from crackdetect.so_far import Dated, SoFar
from crackdetect.start_filter import StartFilter, StartSettings, start_hazard

TICK_S = 0.25
#: Edges of the bins of score (nats) and of kind score.
SCORE_EDGES = (-3.0, -2.0, -1.0, -0.25, 0.5, 1.25, 2.0, 2.75, 3.5, 4.25, 5.0, 6.0)
KIND_EDGES = (-4.0, -2.0, -1.0, 0.0, 1.0, 2.0, 4.0)
SCORE_BINS = len(SCORE_EDGES) + 1
KIND_BINS = len(KIND_EDGES) + 1
#: Two cracks nearer than this are one candidate, seconds.
HOLD_OFF_S = 0.012
#: Cracks a hold-off, at most, that a density may say were counted; at 0.5 the true rate would be infinite.
MOST_COUNTED = 0.45

Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PhaseSettings:
    """The numbers of the decision, each chosen or computed as the module's text says. Seconds, cracks a minute.

    threshold: of the log odds that first crack has begun, nats; more is surer and later.
    trust: share of a candidate's weight that counts for the announcement, for neighbouring candidates are not wholly
    independent witnesses; date_trust: the same of the log likelihood of a date, the end's too.
    date_span_s: no start is looked for further back than this, KEEP_S at most. Few are announced more than
    delay_usual_s of heard time after it, and e times fewer with every delay_fade_s more.
    second_from: candidates that are likelier cracks than this may be second crack.
    again_after_s: least time from a person's "not yet" to another announcement.
    """

    threshold: float = 8.0
    ready_s: float = 20.0
    again_after_s: float = 5.0
    lag_s: float = 12.0
    memory_s: float = 150.0
    prior_s: float = 30.0
    trust: float = 0.7
    date_trust: float = 0.6
    date_span_s: float = 200.0
    delay_usual_s: float = 30.0
    delay_fade_s: float = 40.0
    strays_per_minute: float = 1.5
    clump_share: float = 0.2
    clump_s: float = 0.3
    density_window_s: float = 15.0
    refine_every_s: float = 10.0
    refine_for_s: float = 40.0
    end_window_s: float = 20.0
    end_share: float = 0.2
    end_confidence: float = 0.9
    end_not_before_s: float = 25.0
    first_at_most_per_minute: float = 150.0
    second_threshold: float = 5.0
    second_from: float = 0.3
    second_not_before_s: float = 30.0
    second_lag_s: float = 12.0
    kind_prior_marks: float = 30.0
    start: StartSettings = StartSettings()
    second: StartSettings = StartSettings(
        chorus_per_minute=(100.0, 200.0, 300.0, 450.0),
        climb_s=(3.0, 3.0, 10.0),
        burst_per_second=(6.0, 15.0),
        burst_every_min=2.0,
    )


@dataclass(frozen=True, slots=True)
class ScoreModel:
    """How scores are distributed, learnt in training (see ``train/fit.py``).

    crack: share of true cracks whose candidate falls into each score bin (sums to the probability that a crack
    is a candidate at all). other_per_minute: rate of candidates that are not cracks in each bin on a usual machine,
    strays apart. burst: share of each score bin in what household bursts have beyond the seconds around them, poor
    candidates too. first_kind, second_kind, burst_kind: share of first and of second cracks and of the candidates of
    household bursts above 0 in each kind bin. hold_off_s: dead time.
    """

    crack: Doubles
    other_per_minute: Doubles
    first_kind: Doubles
    second_kind: Doubles
    burst: Doubles
    burst_kind: Doubles
    hold_off_s: float = HOLD_OFF_S

    def __post_init__(self) -> None:
        sizes = (SCORE_BINS, SCORE_BINS, KIND_BINS, KIND_BINS, SCORE_BINS, KIND_BINS)
        arrays = (self.crack, self.other_per_minute, self.first_kind, self.second_kind, self.burst, self.burst_kind)
        for array, size in zip(arrays, sizes, strict=True):
            if array.shape != (size,) or not np.isfinite(array).all() or (array <= 0).any():
                raise ModelError("the model's score statistics do not fit this version; train it again")
        if not 0.2 <= self.crack.sum() <= 1.0 + 1e-9:
            raise ModelError("the model's crack shares do not sum to a probability; train it again")

    @classmethod
    def from_marks(cls, marks: dict[str, list[float]]) -> ScoreModel:
        try:
            crack, other, first_kind, second_kind, burst, burst_kind = (
                np.array(marks[name], np.float64)
                for name in ("crack", "other_per_minute", "first_kind", "second_kind", "burst", "burst_kind")
            )
        except (KeyError, ValueError, TypeError):
            raise ModelError("the model's score statistics are incomplete; fetch or train it again") from None
        return cls(crack, other, first_kind, second_kind, burst, burst_kind)


@dataclass(frozen=True, slots=True)
class Mark:
    """A judged candidate. time: seconds. score, kind_score: nats, see :class:`crackdetect.classify.Verdict`.

    probability, weight: that it is a crack, 0 to 1, and f1 / lambda0 (seconds), see :class:`crackdetect.judge.Judge`.
    """

    time: float
    score: float
    kind_score: float
    probability: float
    weight: float


class AskedCandidate(NamedTuple):
    """What ``Phase.judge`` was asked: seconds; scores and strength over the threshold in nats."""

    time: float
    score: float
    kind_score: float
    strength: float


class AskedTick(NamedTuple):
    """What ``Phase.push`` was asked; marks: how many, the oldest that were judged and not yet pushed."""

    marks: int
    tick: int
    observed_s: float


Asked = AskedCandidate | AskedTick


@dataclass(frozen=True, slots=True)
class Density:
    """Cracks a minute over the last ``density_window_s``, with its 90 % interval."""

    per_minute: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Turn:
    """A phase has begun or ended: when, its 90 % interval (seconds), and the probability that it is so.

    what: ``first_crack.refined`` betters the date of ``first_crack.start`` without being a new statement.
    """

    what: Literal["first_crack.start", "first_crack.refined", "first_crack.end", "second_crack.start"]
    time: float
    earliest: float
    latest: float
    confidence: float


class Phase:
    """Marks and observed time in, :class:`Density` and :class:`Turn` out; one call of ``push`` a tick."""

    #: seconds of marks that are kept; nothing looks further back, and dates (``date_span_s``) look back most
    KEEP_S = 205.0

    def __init__(self, scores: ScoreModel, judge: JudgeModel, *, settings: PhaseSettings | None = None) -> None:
        self.scores = scores
        self._judge = Judge(judge, edges=SCORE_EDGES)
        self._counted, self._counted_cv = judge.counted, judge.counted_cv
        self.settings = settings or PhaseSettings()
        s = self.settings
        self._detected = float(scores.crack.sum())
        self._likely = float(scores.crack[np.searchsorted(SCORE_EDGES, 0.0) :].sum())  # score above 0
        self._start = StartFilter(crack=scores.crack, burst=scores.burst, tick_s=TICK_S, settings=s.start)
        self._second_start = StartFilter(
            crack=self._likely * scores.second_kind, burst=scores.burst_kind, tick_s=TICK_S, settings=s.second
        )
        self._decay = float(np.exp(-TICK_S / s.memory_s))
        self._lag = round(s.lag_s / TICK_S)
        self._second_lag = round(s.second_lag_s / TICK_S)
        self._lengths = np.array([2.0, 5.0, 10.0, 20.0, 35.0, 60.0])
        self._peaks = np.array([25.0, 50.0, 90.0, 150.0]) / 60
        prior = np.outer([0.15, 0.1, 0.15, 0.2, 0.22, 0.18], [0.2, 0.3, 0.3, 0.2]).ravel()
        self._log_prior = np.log(prior / prior.sum())
        self.reset()

    def reset(self) -> None:
        s = self.settings
        prior_rate = (self.scores.other_per_minute + s.strays_per_minute * self.scores.crack) / 60
        self._prior_count = prior_rate * s.prior_s
        self._count = self._prior_count
        self._time = s.prior_s
        self._delay: deque[tuple[Doubles, float]] = deque()
        self._withheld: deque[tuple[Doubles, float]] = deque(maxlen=round(self.KEEP_S / TICK_S))
        self._background = prior_rate
        self._judge.reset()
        self._judge.know(prior_rate, heard_s=0.0)
        self._start.reset()
        self._excitement = 0.0
        self._last_mark = 0.0
        self._now = 0.0
        self._marks: deque[tuple[float, float, float]] = deque()  # time, weight among clumps, probability
        self._ticks: deque[tuple[float, float]] = deque()  # end of the tick, observed seconds
        self.first_crack: Turn | None = None
        self._announced_at = 0.0
        self._waiting_since = 0.0  # for the end and for second crack
        self._refine_at = 0.0
        self.peak: Peak | None = None
        self.first_crack_end: Turn | None = None
        self.second_crack: Turn | None = None
        self._second_start.reset()
        self._second_rose_at = 0.0
        self._second_delay: deque[Doubles] = deque()
        self._kind_counts = self.scores.first_kind * s.kind_prior_marks
        self._over = False
        self._marked: float | None = None
        self._ready_at = s.ready_s
        self._not_before = 0.0  # until here the person has said that first crack had not begun
        #: Seconds, or None while it is not known: soon after charge first crack is unlikely. The pipeline keeps it.
        self.charge: float | None = None

    def go_on(self, so_far: SoFar) -> None:
        """In the middle of a roast, in a new process: what was found holds, the background is learnt anew."""
        self._now = so_far.until
        self._ready_at = so_far.until + self.settings.ready_s
        self.first_crack = _turn("first_crack.start", so_far.first_crack)
        self.first_crack_end = _turn("first_crack.end", so_far.first_crack_end)
        self.second_crack = _turn("second_crack.start", so_far.second_crack)
        self._marked = so_far.marked.get("first_crack.start")
        begun = so_far.begun
        if begun is not None:
            self._waiting_since = begun if so_far.announced is None else so_far.announced
        self.peak = so_far.peak
        self._over = so_far.drop is not None

    # -- what the person says -------------------------------------------------------------------------------

    def drop(self) -> None:
        """The beans have left: nothing more is to be announced in this roast."""
        self._over = True

    def undrop(self) -> None:
        """They have not left after all."""
        self._over = False

    def begin(self, time: float) -> None:
        """The person says that first crack began at ``time``: from here on its end and second crack are listened for.

        An announcement of its own still comes when the evidence suffices, for the record.
        """
        if self._begun is None:
            self._waiting_since = time
        self._marked = time

    def not_yet(self) -> None:
        """The person says that first crack has not begun: what was learnt stays, what fooled the filter is learnt.

        The candidates since the filter came to believe in a chorus go into the background, as this machine's clatter.
        """
        self.first_crack = self._marked = None
        self.peak = self.first_crack_end = None
        self._refine_at = 0.0
        self._start.reset()
        self._not_before = self._now
        self.no_second_yet()
        while self._withheld:
            self._learn(*self._withheld.popleft())

    def no_second_yet(self) -> None:
        """The person says that second crack has not begun: it is listened for anew, after the usual wait."""
        self.second_crack = None
        self._second_start.reset()
        self._second_rose_at = self._waiting_since = self._now

    @property
    def _begun(self) -> float | None:
        """Start of first crack, as the person marked it or as it was heard; None before."""
        if self._marked is not None:
            return self._marked
        return None if self.first_crack is None else self.first_crack.time

    # -- one tick -------------------------------------------------------------------------------------------

    def push(self, marks: Sequence[Mark], *, tick: int, observed_s: float) -> list[Density | Turn]:
        """marks: those of the tick, in order. tick: its number; it ends at (tick + 1) x 0.25 s.

        observed_s: how much of it was heard, 0 to 0.25.
        """
        s = self.settings
        self._now = (tick + 1) * TICK_S
        said: list[Density | Turn] = []
        counts = np.zeros(SCORE_BINS)
        kinds = np.zeros(KIND_BINS)
        evidence: list[tuple[int, float]] = []
        for mark in marks:
            score_bin = bisect_left(SCORE_EDGES, mark.score)
            counts[score_bin] += 1
            if mark.weight > 0:
                evidence.append((score_bin, float(self.scores.crack[score_bin]) / (s.trust * mark.weight)))
            if mark.score > 0 and mark.probability > s.second_from:
                kind_bin = bisect_left(KIND_EDGES, mark.kind_score)
                kinds[kind_bin] += 1
            weight = self._weigh(mark)
            if weight > 0.02 or mark.probability > 0.005:
                self._marks.append((mark.time, weight, mark.probability))
        self._ticks.append((self._now, observed_s))
        self._forget()
        if self.first_crack is None:
            since = None if self.charge is None else self._now - self.charge
            hazard = 1.0 if since is None else start_hazard(since, usual_s=60 * s.start.start_every_min)
            odds = self._start.push(evidence, observed_s=observed_s, hazard=hazard)
            if odds < 0 and self._marked is None:  # what may be the chorus is not learnt as background
                self._withheld.clear()
                self._learn(counts, observed_s)
            else:
                self._withheld.append((counts, observed_s))
                self._learn(np.zeros(SCORE_BINS), 0.0)
            ready = self._now >= self._ready_at and self._now >= self._not_before + s.again_after_s
            if odds >= s.threshold and ready and not self._over:
                said.append(self._announce())
        else:
            self._withheld.append((counts, observed_s))
            if self._refine_at and self._now >= self._refine_at and not self._over:
                self.first_crack = self._date("first_crack.refined")
                said.append(self.first_crack)
                following = self._refine_at + s.refine_every_s
                self._refine_at = following if following <= self._announced_at + s.refine_for_s else 0.0
        if (second := self._second(kinds, observed_s)) is not None:
            said.append(second)
        if (tick + 1) % round(1 / TICK_S) == 0:
            density = self._density(s.density_window_s)
            if density is not None:
                said.insert(0, density)
                if self._begun is not None and not self._over and self.second_crack is None:
                    peak = peak_from(density.per_minute, density.low, density.high)
                    self.peak = peak if self.peak is None else max(self.peak, peak)
            if (end := self._end()) is not None:
                said.append(end)
        return said

    def judge(
        self, time: float, score: float, kind_score: float, strength: float
    ) -> tuple[Mark, Literal["first", "second"]]:
        """The candidate as a mark, judged on this machine and now; and which kind of crack. Once each, in order.

        strength: over its threshold, nats. Second crack is unlikely (e**-3 to one) until it has been announced.
        """
        odds = self._start.log_odds if self._begun is None else max(self._start.log_odds, self.settings.threshold)
        probability, weight = self._judge.push(time, score, kind_score, strength, log_odds=odds)
        doubt = 0.0 if self.second_crack is not None else 3.0
        return Mark(time, score, kind_score, probability, weight), "second" if kind_score > doubt else "first"

    def keep_judged(self) -> list[tuple[float, Doubles]]:
        """For training: a list that fills with the time (s) and the numbers of each candidate that is judged."""
        self._judge.kept = []
        return self._judge.kept

    def _weigh(self, mark: Mark) -> float:
        """Weight of a mark (seconds) against clumping strays as well as against the machine."""
        s = self.settings
        self._excitement *= float(np.exp(-(mark.time - self._last_mark) / s.clump_s))
        self._last_mark = mark.time
        weight = 1 / (1 / mark.weight + self._excitement / self._detected) if mark.weight > 0 else 0.0
        self._excitement += s.clump_share / s.clump_s / (1 + float(np.exp(-(mark.score - 2.0))))
        return weight

    def _learn(self, counts: Doubles, observed_s: float) -> None:
        """Takes what is older than the lag into the background."""
        self._delay.append((counts, observed_s))
        if len(self._delay) > self._lag:
            old_counts, old_time = self._delay.popleft()
            s = self.settings
            decay = self._decay if old_time > 0 else 1.0  # what is not learnt from is not forgotten for either
            self._count = self._prior_count + (self._count - self._prior_count) * decay + old_counts
            self._time = s.prior_s + (self._time - s.prior_s) * decay + old_time
            self._background = self._count / self._time
            self._judge.know(self._background, heard_s=self._time - s.prior_s)

    def _forget(self) -> None:
        limit = self._now - self.KEEP_S
        while self._marks and self._marks[0][0] < limit:
            self._marks.popleft()
        while self._ticks and self._ticks[0][0] < limit:
            self._ticks.popleft()

    def _since(self, start: float) -> tuple[Doubles, Doubles]:
        """Times and ratios of the marks after ``start``."""
        chosen = [(time, ratio) for time, ratio, _ in self._marks if time > start and ratio > 0.02]
        times, ratios = np.array(chosen).reshape(-1, 2).T
        return times, ratios

    def _heard_since(self, start: float) -> float:
        """Observed seconds since then."""
        observed = 0.0
        for end, seconds in reversed(self._ticks):
            if end <= start + 1e-9:
                break
            observed += seconds
        return observed

    # -- start of first crack --------------------------------------------------------------------------------

    def _announce(self) -> Turn:
        s = self.settings
        self._announced_at = self._waiting_since = self._now
        self._refine_at = self._now + s.refine_every_s
        self.first_crack = self._date("first_crack.start")
        return self.first_crack

    def _date(self, what: Literal["first_crack.start", "first_crack.refined"]) -> Turn:
        """Posterior of the start over ramps; 1 s steps, interpolated."""
        s = self.settings
        now = self._now
        span = min(s.date_span_s, now - self._not_before)
        starts = np.arange(now - span, now, 1.0)
        times, ratios = self._since(now - span - 1.0)
        ticks = np.array([(end - TICK_S / 2, seconds) for end, seconds in self._ticks if end > now - span])
        # whole seconds, back from now, are fine enough for the integral of the rate over the time heard
        heard = np.bincount(((now - ticks[:, 0]) // 1).astype(int), weights=ticks[:, 1])
        middles = now - 0.5 - np.arange(len(heard))
        since_mark = np.maximum(times[None, :] - starts[:, None], 0)
        since_heard = np.maximum(middles[None, :] - starts[:, None], 0)
        ramps = []
        for length in self._lengths:
            up = _ramp(since_mark / length)
            passed = _ramp(since_heard / length) @ heard
            ramps += [
                np.log1p(up * (peak * ratios)).sum(axis=1) - self._detected * peak * passed for peak in self._peaks
            ]
        before = middles <= self._announced_at
        delays = (since_heard[:, before] > 0) @ heard[before]  # heard seconds: a gap delays nothing
        late = np.maximum(delays - s.delay_usual_s, 0) / s.delay_fade_s
        log_likelihood = s.date_trust * np.stack(ramps, axis=1) + self._log_prior - late[:, None]
        total = log_likelihood.max()
        posterior = np.exp(log_likelihood - total).sum(axis=1)
        earliest, middle, latest = _quantiles(starts - 0.5, posterior, 1.0, (0.05, 0.5, 0.95))
        confidence = 1 / (1 + np.exp(-self._start.log_odds))
        latest = min(latest, now)
        middle = min(max(middle, 0.0), latest)
        return Turn(what, middle, min(max(earliest, 0.0), middle), latest, round(float(confidence), 4))

    # -- density, end ----------------------------------------------------------------------------------------

    def _rate_posterior(self, window_s: float) -> tuple[float, float] | None:
        """Shape and scale (cracks a second) of the gamma posterior of the rate in the last ``window_s``.

        None when too little of it was heard.
        """
        start = self._now - window_s
        observed = self._heard_since(start)
        if observed < 2.0:
            return None
        number = variance = 0.0
        for time, _, probability in reversed(self._marks):
            if time <= start:
                break
            number += probability
            variance += probability * (1 - probability)
        # the Poisson's uncertainty for a given count, the count's own, and that of this machine's count
        mean = number + 0.5
        shape = 1 / ((mean + variance) / mean**2 + self._counted_cv**2)
        return shape, mean / shape / (self._counted * observed)

    def _density(self, window_s: float) -> Density | None:
        found = self._rate_posterior(window_s)
        if found is None:
            return None
        shape, scale = found
        low, high = scipy.special.gammaincinv(shape, (0.05, 0.95)).tolist()
        hold_off = self.scores.hold_off_s
        # in a window of which little was heard the interval reaches beyond what can be counted at all
        most = 60 * MOST_COUNTED / hold_off
        freed = [round(dead_time_correct(min(60 * scale * v, most), hold_off), 2) for v in (shape, low, high)]
        return Density(per_minute=freed[0], low=min(freed[1], freed[0]), high=max(freed[2], freed[0]))

    def _end(self) -> Turn | None:
        """First crack is over when the rate has fallen below a share of its peak, surely enough."""
        s = self.settings
        if (
            self._begun is None
            or self.peak is None
            or self.first_crack_end is not None
            or self.second_crack is not None
            or self._over
            or self._now < self._waiting_since + s.end_not_before_s
        ):
            return None
        found = self._rate_posterior(s.end_window_s)
        if found is None or self._heard_since(self._now - s.end_window_s) < s.end_window_s / 2:
            return None
        shape, scale = found
        below = float(scipy.special.gammainc(shape, s.end_share * self.peak.per_minute / 60 / scale))
        if below < s.end_confidence:
            return None
        self.first_crack_end = self._date_end(below)
        return self.first_crack_end

    def _date_end(self, confidence: float) -> Turn:
        """The end by straight ramps run backwards in time; its date is where 10 % of the peak is reached."""
        assert self.peak is not None
        assert self._begun is not None
        now = self._now
        span = min(120.0, now - self._begun)
        ends = np.arange(now - span, now, 1.0)
        times, ratios = self._since(now - span)
        ticks = np.array([(end - TICK_S / 2, seconds) for end, seconds in self._ticks if end > now - span])
        until_mark = np.maximum(ends[:, None] - times[None, :], 0)
        until_tick = np.maximum(ends[:, None] - ticks[None, :, 0], 0)
        peak = self.peak.per_minute / 60
        posterior = np.zeros(len(ends) + 10)
        logs = np.empty((len(ends), len(self._lengths)))
        for i, length in enumerate(self._lengths):
            rate = np.minimum(until_mark * (peak / length), peak)
            passed = np.minimum(until_tick * (peak / length), peak) @ ticks[:, 1]
            logs[:, i] = np.log1p(rate * ratios).sum(axis=1) - self._detected * passed
        weights = np.exp(self.settings.date_trust * (logs - logs.max()))
        for i, length in enumerate(self._lengths):  # the last tenth of the fall lies below 10 % of the peak
            shift = round(0.1 * length)
            posterior[10 - shift : 10 - shift + len(ends)] += weights[:, i]
        grid = np.concatenate([ends[0] - np.arange(10, 0, -1), ends])
        earliest, middle, latest = _quantiles(grid - 0.5, posterior, 1.0, (0.05, 0.5, 0.95))
        return Turn(
            "first_crack.end",
            middle,
            min(earliest, middle),
            min(max(latest, middle), now),
            round(confidence, 4),
        )

    # -- second crack ----------------------------------------------------------------------------------------

    def _second(self, kinds: Doubles, observed_s: float) -> Turn | None:
        """Second crack, by the same filter as the start of first crack, on the kinds of the likely cracks: many
        candidates of bursts and clatter score above 0, and are bright; the judge knows them.

        The background is the densest first crack there is, with the kinds that this roast's first crack had up to some
        seconds ago: a dense first crack is no evidence; brighter cracks, or far more of them, are.
        """
        s = self.settings
        self._second_delay.append(kinds)
        if len(self._second_delay) > self._second_lag:
            old = self._second_delay.popleft()
            if self.second_crack is None and self._begun is not None:
                self._kind_counts = self._kind_counts + old
        if (
            self._begun is None
            or self.second_crack is not None
            or self._over
            or self._now < self._waiting_since + s.second_not_before_s
        ):
            return None
        background = s.first_at_most_per_minute / 60 * self._likely * self._kind_counts / self._kind_counts.sum()
        bins = np.repeat(np.arange(KIND_BINS), kinds.astype(int)).tolist()
        odds = self._second_start.push([(b, float(background[b])) for b in bins], observed_s=observed_s)
        if odds < 0:
            self._second_rose_at = self._now
        if odds < s.second_threshold:
            return None
        time = self._second_rose_at
        margin = max(2.0, 0.5 * (self._now - time))
        confidence = 1 / (1 + np.exp(-odds))
        self.second_crack = Turn(
            "second_crack.start",
            time,
            max(0.0, time - margin),
            min(self._now, time + margin),
            round(float(confidence), 4),
        )
        return self.second_crack


def _turn(
    what: Literal["first_crack.start", "first_crack.end", "second_crack.start"], dated: Dated | None
) -> Turn | None:
    return None if dated is None else Turn(what, dated.time, dated.earliest, dated.latest, dated.confidence)


def _ramp(share: Doubles) -> Doubles:
    """Its rate over that of its top, share: time since its start over its length; the power 5/4, made from roots."""
    up = np.minimum(share, 1)
    return up * np.sqrt(np.sqrt(up))


def _quantiles(left: Doubles, weights: Doubles, step: float, wanted: Sequence[float]) -> list[float]:
    """Quantiles of a histogram whose cells begin at ``left`` and are ``step`` wide."""
    cumulative = np.concatenate([[0.0], np.cumsum(weights)]) / weights.sum()
    edges = np.concatenate([left, [left[-1] + step]])
    return [float(np.interp(q, cumulative, edges)) for q in wanted]
