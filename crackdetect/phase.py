"""Decides the phases of a roast from marked points: every candidate with its score, and the silence between.

**Background.** Before first crack the machine's own clatter is learnt: for each of 13 bins of score, the rate of
candidates heard more than 12 s ago, with a memory of 150 s and a weak prior from training. So a machine that
ticks, with whatever score its ticks get, makes ticks of that score worth little.

**Start of first crack.** A hidden Markov filter over quiet, clumps, bursts and a climbing chorus (``start_filter.py``)
says the odds that it has begun; it is announced when they pass a threshold.

**Dating.** At the announcement, and again while the ramp goes on, the likelihood of the same points under ramps
(start, length, peak) is summed over lengths and peaks: a posterior over the start, with its 5 % and 95 % points. A
step fitted to a ramp would be 8 to 14 s late.

**Density.** The posterior of the rate over the last 15 s, given the scores: prod(1 + lambda r_i) exp(-lambda P_d T)
with r_i = f1/lambda0, on a grid even in sqrt(lambda) (Jeffreys' prior of a Poisson rate). The rate is then freed of
dead time: two cracks within the hold-off are one candidate.

Time is in seconds from the first sample, on a grid of ticks of 0.25 s; every tick carries how much of it was
heard, so a gap is neither silence nor evidence.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from crackdetect.dead_time import dead_time_correct
from crackdetect.errors import ModelError
from crackdetect.start_filter import StartFilter, StartSettings

TICK_S = 0.25
#: Edges of the bins of score (nats) and of kind score.
SCORE_EDGES = (-3.0, -2.0, -1.0, -0.25, 0.5, 1.25, 2.0, 2.75, 3.5, 4.25, 5.0, 6.0)
KIND_EDGES = (-4.0, -2.0, -1.0, 0.0, 1.0, 2.0, 4.0)
SCORE_BINS = len(SCORE_EDGES) + 1
KIND_BINS = len(KIND_EDGES) + 1

Doubles = npt.NDArray[np.float64]
#: Score bins in which a usual machine has few candidates of its own.
_SURE = np.arange(SCORE_BINS) >= int(np.searchsorted(SCORE_EDGES, 2.0, side="right"))


@dataclass(frozen=True, slots=True)
class PhaseSettings:
    """The numbers of the decision, each chosen or computed as the module's text says. Seconds, cracks a minute.

    threshold: of the log odds that first crack has begun, nats; more is surer and later. again_after_s: least time from
    a person's "not yet" to another announcement.
    """

    threshold: float = 6.0
    ready_s: float = 20.0
    again_after_s: float = 5.0
    lag_s: float = 12.0
    memory_s: float = 150.0
    prior_s: float = 30.0
    strays_per_minute: float = 1.5
    most_strays_per_minute: float = 8.0
    least_rate_per_minute: float = 6.0
    doubt: float = 2.0
    clump_share: float = 0.2
    clump_s: float = 0.3
    density_window_s: float = 15.0
    refine_every_s: float = 10.0
    refine_for_s: float = 40.0
    end_window_s: float = 20.0
    end_share: float = 0.15
    end_confidence: float = 0.9
    end_not_before_s: float = 25.0
    first_at_most_per_minute: float = 150.0
    second_threshold: float = 5.0
    second_not_before_s: float = 30.0
    second_lag_s: float = 12.0
    kind_prior_marks: float = 30.0
    start: StartSettings = StartSettings()
    second: StartSettings = StartSettings(
        chorus_per_minute=(100.0, 200.0, 300.0, 450.0),
        climb_s=(3.0, 3.0, 10.0),
        burst_per_second=6.0,
        burst_every_min=2.0,
    )


@dataclass(frozen=True, slots=True)
class ScoreModel:
    """How scores are distributed, learnt in training (see ``train/fit.py``).

    crack: share of true cracks whose candidate falls into each score bin (sums to the probability that a crack
    is a candidate at all). other_per_minute: rate of candidates that are not cracks in each bin on a usual machine,
    strays apart. burst: share of each score bin among the candidates of household bursts. first_kind, second_kind,
    burst_kind: share of first and of second cracks and of household bursts in each kind bin. hold_off_s: dead time.
    """

    crack: Doubles
    other_per_minute: Doubles
    first_kind: Doubles
    second_kind: Doubles
    burst: Doubles
    burst_kind: Doubles
    hold_off_s: float = 0.012

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
    """A judged candidate. time: seconds. score, kind_score: nats, see :class:`crackdetect.classify.Verdict`."""

    time: float
    score: float
    kind_score: float


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

    #: seconds of marks that are kept; nothing looks further back
    KEEP_S = 200.0

    def __init__(self, scores: ScoreModel, *, settings: PhaseSettings | None = None) -> None:
        self.scores = scores
        self.settings = settings or PhaseSettings()
        s = self.settings
        self._detected = float(scores.crack.sum())
        self._likely = float(scores.crack[np.searchsorted(SCORE_EDGES, 0.0) :].sum())  # score above 0
        self._shape = scores.crack / scores.crack.sum()
        self._start = StartFilter(crack=scores.crack, burst=scores.burst, tick_s=TICK_S, settings=s.start)
        self._second_start = StartFilter(
            crack=self._likely * scores.second_kind, burst=scores.burst_kind, tick_s=TICK_S, settings=s.second
        )
        self._decay = float(np.exp(-TICK_S / s.memory_s))
        self._lag = round(s.lag_s / TICK_S)
        self._second_lag = round(s.second_lag_s / TICK_S)
        self._rates = np.linspace(0.0, np.sqrt(900.0 / 60), 49) ** 2  # cracks a second
        lengths = np.array([5.0, 10.0, 20.0, 35.0, 60.0])
        peaks = np.array([25.0, 50.0, 90.0, 150.0]) / 60
        self._lengths, self._peaks = (a.ravel() for a in np.meshgrid(lengths, peaks, indexing="ij"))
        prior = np.outer([0.1, 0.25, 0.3, 0.2, 0.15], [0.2, 0.3, 0.3, 0.2]).ravel()
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
        self._clutter = self.scores.other_per_minute / 60
        self._rate = s.least_rate_per_minute / 60
        self._start.reset()
        self._excitement = 0.0
        self._last_mark = 0.0
        self._now = 0.0
        self._marks: deque[tuple[float, float, float]] = deque()  # time, f1/lambda0 with and without clumping
        self._ticks: deque[tuple[float, float]] = deque()  # end of the tick, observed seconds
        self.first_crack: Turn | None = None
        self._announced_at = 0.0
        self._refine_at = 0.0
        self.peak: Density | None = None
        self.first_crack_end: Turn | None = None
        self.second_crack: Turn | None = None
        self._second_start.reset()
        self._second_rose_at = 0.0
        self._second_delay: deque[Doubles] = deque()
        self._kind_counts = self.scores.first_kind * s.kind_prior_marks
        self._over = False
        self._marked: float | None = None
        self._not_before = 0.0  # until here the person has said that first crack had not begun

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
            self._announced_at = time
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
        self._second_rose_at = self._announced_at = self._now

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
        bins: list[int] = []
        for mark in marks:
            ratio, plain_ratio, score_bin = self._weigh(mark)
            counts[score_bin] += 1
            bins.append(score_bin)
            if mark.score > 0:
                kind_bin = int(np.searchsorted(KIND_EDGES, mark.kind_score))
                kinds[kind_bin] += 1
            if plain_ratio > 0.01:
                self._marks.append((mark.time, ratio, plain_ratio))
        self._ticks.append((self._now, observed_s))
        self._forget()
        if self.first_crack is None:
            odds = self._start.push(bins, background=self._background, observed_s=observed_s)
            if odds < 0 and self._marked is None:  # what may be the chorus is not learnt as background
                self._withheld.clear()
                self._learn(counts, observed_s)
            else:
                self._withheld.append((counts, observed_s))
                self._learn(np.zeros(SCORE_BINS), 0.0)
            ready = self._now >= s.ready_s and self._now >= self._not_before + s.again_after_s
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
                self._rate = max(density.per_minute, s.least_rate_per_minute) / 60
                said.insert(0, density)
                if (
                    self._begun is not None
                    and not self._over
                    and self.second_crack is None
                    and (self.peak is None or density.per_minute > self.peak.per_minute)
                ):
                    self.peak = density
            if (end := self._end()) is not None:
                said.append(end)
        return said

    def judge(self, score: float, kind_score: float) -> tuple[float, Literal["first", "second"]]:
        """Probability that a candidate is a crack on this machine, at the present rate of cracks; and which kind.

        The odds are rate x f1(bin) against the rate of the machine's own clatter in that bin. The rate is the density
        last said, at least 6 a minute; clatter counts double, for cracks bring echoes and doubles along. Second crack
        is unlikely (e**-3 to one) until it has been announced.
        """
        score_bin = int(np.searchsorted(SCORE_EDGES, score))
        expected = self._rate * float(self.scores.crack[score_bin])
        probability = expected / (expected + self.settings.doubt * float(self._clutter[score_bin]))
        doubt = 0.0 if self.second_crack is not None else 3.0
        return probability, "second" if kind_score > doubt else "first"

    def _weigh(self, mark: Mark) -> tuple[float, float, int]:
        """f1/lambda0 of a mark (seconds) against clumping strays and clatter, and against clatter alone; its bin."""
        s = self.settings
        self._excitement *= float(np.exp(-(mark.time - self._last_mark) / s.clump_s))
        self._last_mark = mark.time
        score_bin = int(np.searchsorted(SCORE_EDGES, mark.score))
        background = self._background[score_bin] + self._excitement * self._shape[score_bin]
        crack = float(self.scores.crack[score_bin])
        weight = 1 / (1 + float(np.exp(-(mark.score - 2.0))))
        self._excitement += s.clump_share / s.clump_s * weight
        return float(crack / background), float(crack / self._clutter[score_bin]), score_bin

    def _learn(self, counts: Doubles, observed_s: float) -> None:
        """Takes what is older than the lag into the background."""
        self._delay.append((counts, observed_s))
        if len(self._delay) > self._lag:
            old_counts, old_time = self._delay.popleft()
            s = self.settings
            self._count = self._prior_count + (self._count - self._prior_count) * self._decay + old_counts
            self._time = s.prior_s + (self._time - s.prior_s) * self._decay + old_time
            self._background = self._count / self._time
            # strays are cracks: as many, in the shape of cracks, as the surer bins but the fullest have room for
            common = (self.scores.crack > 0.03) & _SURE
            order = np.argsort(self._background[common] / self.scores.crack[common])
            quieter = order[: max(1, len(order) - 1)]
            room = float(self._background[common][quieter].sum() / self.scores.crack[common][quieter].sum())
            strays = min(room, s.most_strays_per_minute / 60)
            self._clutter = np.maximum(self._background - strays * self.scores.crack, 0.05 * self._background)

    def _forget(self) -> None:
        limit = self._now - self.KEEP_S
        while self._marks and self._marks[0][0] < limit:
            self._marks.popleft()
        while self._ticks and self._ticks[0][0] < limit:
            self._ticks.popleft()

    def _since(self, start: float) -> tuple[Doubles, Doubles, float]:
        """Times and ratios of the marks after ``start``, and the observed seconds since then."""
        chosen = [(time, ratio) for time, ratio, _ in self._marks if time > start]
        times, ratios = np.array(chosen).reshape(-1, 2).T
        observed = 0.0
        for end, seconds in reversed(self._ticks):
            if end <= start + 1e-9:
                break
            observed += seconds
        return times, ratios, observed

    # -- start of first crack --------------------------------------------------------------------------------

    def _announce(self) -> Turn:
        s = self.settings
        self._announced_at = self._now
        self._refine_at = self._now + s.refine_every_s
        self.first_crack = self._date("first_crack.start")
        return self.first_crack

    def _date(self, what: Literal["first_crack.start", "first_crack.refined"]) -> Turn:
        """Posterior of the start over ramps; 1 s steps, interpolated."""
        now = self._now
        span = min(150.0, now - self._not_before)
        starts = np.arange(now - span, now, 1.0)
        times, ratios, _ = self._since(now - span - 1.0)
        ticks = np.array([(end - TICK_S / 2, seconds) for end, seconds in self._ticks if end > now - span])
        log_likelihood = np.empty((len(starts), len(self._lengths)))
        keep = ratios > 0.02
        times, ratios = times[keep], ratios[keep]
        # whole seconds are fine enough for the integral of the rate over the time heard
        tick_times, tick_seconds = ticks[:, 0], ticks[:, 1]
        since_mark = np.maximum(times[None, :] - starts[:, None], 0)
        since_tick = np.maximum(tick_times[None, :] - starts[:, None], 0)
        for i, (length, peak) in enumerate(zip(self._lengths, self._peaks, strict=True)):
            rate = np.minimum(since_mark * (peak / length), peak)
            passed = np.minimum(since_tick * (peak / length), peak) @ tick_seconds
            log_likelihood[:, i] = np.log1p(rate * ratios).sum(axis=1) - self._detected * passed
        log_likelihood += self._log_prior
        total = log_likelihood.max()
        posterior = np.exp(log_likelihood - total).sum(axis=1)
        earliest, middle, latest = _quantiles(starts - 0.5, posterior, 1.0, (0.05, 0.5, 0.95))
        confidence = 1 / (1 + np.exp(-self._start.log_odds))
        latest = min(latest, now)
        middle = min(max(middle, 0.0), latest)
        return Turn(what, middle, min(max(earliest, 0.0), middle), latest, round(float(confidence), 4))

    # -- density, end ----------------------------------------------------------------------------------------

    def _rate_posterior(self, window_s: float) -> tuple[Doubles, float] | None:
        """Posterior over ``self._rates`` (cracks a second) in the last ``window_s``; None when too little was heard."""
        observed = self._since(self._now - window_s)[2]
        if observed < 2.0:
            return None
        # a crack in a clump counts as much as any other: clumping is a reason to doubt a start, not a rate
        ratios = np.array([plain for time, _, plain in self._marks if time > self._now - window_s])
        ratios = ratios[ratios > 0.02]
        log_posterior = np.log1p(self._rates[:, None] * ratios).sum(axis=1) - self._rates * (self._detected * observed)
        posterior = np.exp(log_posterior - log_posterior.max())
        return posterior / posterior.sum(), observed

    def _density(self, window_s: float) -> Density | None:
        found = self._rate_posterior(window_s)
        if found is None:
            return None
        posterior, _ = found
        mean = float(posterior @ self._rates)
        root = np.sqrt(self._rates)
        step = float(root[1])
        low, high = _quantiles(root - step / 2, posterior, step, (0.05, 0.95))
        hold_off = self.scores.hold_off_s
        freed = [round(dead_time_correct(60 * rate, hold_off), 2) for rate in (mean, max(low, 0.0) ** 2, high**2)]
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
            or self._now < self._announced_at + s.end_not_before_s
        ):
            return None
        found = self._rate_posterior(s.end_window_s)
        if found is None or found[1] < s.end_window_s / 2:
            return None
        posterior, _ = found
        below = float(posterior[self._rates * 60 < s.end_share * self.peak.per_minute].sum())
        if below < s.end_confidence:
            return None
        self.first_crack_end = self._date_end(below)
        return self.first_crack_end

    def _date_end(self, confidence: float) -> Turn:
        """The end by the same ramps run backwards in time; its date is where 10 % of the peak is reached."""
        assert self.peak is not None
        assert self._begun is not None
        now = self._now
        span = min(120.0, now - self._begun)
        ends = np.arange(now - span, now, 1.0)
        times, ratios, _ = self._since(now - span)
        ticks = np.array([(end - TICK_S / 2, seconds) for end, seconds in self._ticks if end > now - span])
        keep = ratios > 0.02
        times, ratios = times[keep], ratios[keep]
        until_mark = np.maximum(ends[:, None] - times[None, :], 0)
        until_tick = np.maximum(ends[:, None] - ticks[None, :, 0], 0)
        lengths = np.unique(self._lengths)
        peak = self.peak.per_minute / 60
        posterior = np.zeros(len(ends) + 10)
        logs = np.empty((len(ends), len(lengths)))
        for i, length in enumerate(lengths):
            rate = np.minimum(until_mark * (peak / length), peak)
            passed = np.minimum(until_tick * (peak / length), peak) @ ticks[:, 1]
            logs[:, i] = np.log1p(rate * ratios).sum(axis=1) - self._detected * passed
        weights = np.exp(logs - logs.max())
        for i, length in enumerate(lengths):  # the last tenth of the fall lies below 10 % of the peak
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
        """Second crack, by the same filter as the start of first crack, on the kinds of the likely cracks.

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
            or self._now < self._announced_at + s.second_not_before_s
        ):
            return None
        background = s.first_at_most_per_minute / 60 * self._likely * self._kind_counts / self._kind_counts.sum()
        bins = np.repeat(np.arange(KIND_BINS), kinds.astype(int)).tolist()
        odds = self._second_start.push(bins, background=background, observed_s=observed_s)
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


def _quantiles(left: Doubles, weights: Doubles, step: float, wanted: Sequence[float]) -> list[float]:
    """Quantiles of a histogram whose cells begin at ``left`` and are ``step`` wide."""
    cumulative = np.concatenate([[0.0], np.cumsum(weights)]) / weights.sum()
    edges = np.concatenate([left, [left[-1] + step]])
    return [float(np.interp(q, cumulative, edges)) for q in wanted]
