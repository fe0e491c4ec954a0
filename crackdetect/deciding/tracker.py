"""Decides the phases of a roast from its candidates, and from the silence between.

What is decided where: whether a candidate is a crack on this machine and now, :mod:`deciding.context`; what the machine
utters by itself, :mod:`deciding.background`; whether first crack has begun, :mod:`deciding.first_crack`; since when,
and its end, :mod:`deciding.dating`; how dense the cracks are, :mod:`deciding.density`; whether second crack has begun,
:mod:`deciding.second_crack`. Here they are put together, tick by tick, with what the person says.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.config import UsualStart
from crackdetect.deciding.background import Background, BackgroundSettings
from crackdetect.deciding.context import ContextClassifier, ContextModel, HeardCandidate
from crackdetect.deciding.dating import Dated, DatingSettings, StrayClumps, date_end, date_start
from crackdetect.deciding.density import CrackRate, Density, Peak, crack_rate, shrunken_peak
from crackdetect.deciding.first_crack import ANY_MACHINE, FirstCrackHMM, HMMSettings, start_hazard
from crackdetect.deciding.own_machine import AskedCandidate, OwnMachine, OwnMachineModel
from crackdetect.deciding.recent import TICK_S, Recent
from crackdetect.deciding.score_model import KIND_BINS, SCORE_BINS, ScoreModel, kind_bin, score_bin
from crackdetect.deciding.second_crack import SecondCrack, SecondCrackSettings

_TICKS_A_SECOND = round(1 / TICK_S)
#: So many nats below even odds the evidence is none.
_QUIET_BELOW = 8.0
#: And so many below the threshold it is half.
_HALF_BELOW = 3.0


@dataclass(frozen=True, slots=True)
class TrackerSettings:
    """The numbers of the decision, each chosen on roasts of the training seeds or computed. Seconds, cracks a minute.

    threshold: of the log odds that first crack has begun, nats; more is surer and later. own_quiet_below: below these
    log odds of the hidden Markov model, what is heard is the machine's own. ready_s: of listening come before an
    announcement. again_after_s: least time from a person's "not yet" to another announcement. trust: share of a
    candidate's weight that counts for the announcement, for neighbours are not wholly independent witnesses.
    clump_share, clump_s: see :class:`deciding.dating.StrayClumps`. density_window_s: a density is that of so long.
    refine_every_s, refine_for_s: the date of the start is bettered so often and so long after the announcement.
    end_*: first crack is over when the rate of ``end_window_s`` is below ``end_share`` of its peak with
    ``end_confidence``, ``end_not_before_s`` after it was announced. usual_start: when first crack begins after charge.
    """

    threshold: float = 8.0
    own_quiet_below: float = 2.0
    ready_s: float = 20.0
    again_after_s: float = 5.0
    trust: float = 0.7
    clump_share: float = 0.2
    clump_s: float = 0.3
    density_window_s: float = 15.0
    refine_every_s: float = 10.0
    refine_for_s: float = 40.0
    end_window_s: float = 20.0
    end_share: float = 0.2
    end_confidence: float = 0.9
    end_not_before_s: float = 25.0
    usual_start: UsualStart = ANY_MACHINE
    start: HMMSettings = HMMSettings()
    background: BackgroundSettings = BackgroundSettings()
    dating: DatingSettings = DatingSettings()
    second: SecondCrackSettings = SecondCrackSettings()


class ScoredCandidate(NamedTuple):
    """A candidate that was judged.

    Attributes
    ----------
    time : float
        Seconds.
    crack_llr, second_vs_first_llr : float
        Nats, see :class:`hearing.classifier.CrackScore`.
    probability, weight : float
        Of a crack, 0 to 1, and f1 / lambda0, seconds, see :mod:`deciding.context`.
    date_weight : float
        The same as evidence for the date: on the machine at hand, where that is learnt.
    """

    time: float
    crack_llr: float
    second_vs_first_llr: float
    probability: float
    weight: float
    date_weight: float


class Judged(NamedTuple):
    """A candidate that was weighed.

    Attributes
    ----------
    candidate : ScoredCandidate
        With its probability and weight.
    kind : {"first", "second"}
        Of the crack, if it is one.
    numbers : numpy.ndarray of float64 or None
        That it was judged by, in the order of ``context.NAMES``; None for one that is hopeless.
    """

    candidate: ScoredCandidate
    kind: Literal["first", "second"]
    numbers: Doubles | None


class AskedTick(NamedTuple):
    """What ``PhaseTracker.push`` was asked; candidates: how many, the oldest that were judged and not yet pushed.

    hmm_log_odds, quiet: what :meth:`deciding.own_machine.OwnMachine.close_tick` is told.
    """

    candidates: int
    tick: int
    observed_s: float
    hmm_log_odds: float
    quiet: bool


Asked = AskedCandidate | AskedTick


@dataclass(frozen=True, slots=True)
class PhaseChange:
    """A phase has begun or ended: when, its 90 % interval (seconds), and the probability that it is so.

    what: ``first_crack.refined`` betters the date of ``first_crack.start`` without being a new statement.
    """

    what: Literal["first_crack.start", "first_crack.refined", "first_crack.end", "second_crack.start"]
    time: float
    earliest: float
    latest: float
    confidence: float


@dataclass(frozen=True, slots=True)
class FoundBefore:
    """What was found and said of a roast that another tracker goes on with.

    Parameters
    ----------
    until
        Seconds from the first sample up to which it was heard.
    first_crack, first_crack_end, second_crack
        As they were heard.
    announced_at
        Seconds at which the start of first crack was announced.
    marked
        Its start as the person marked it, seconds.
    peak
        The density that first crack has reached.
    dropped
        Whether the beans have left.
    """

    until: float
    first_crack: PhaseChange | None = None
    first_crack_end: PhaseChange | None = None
    second_crack: PhaseChange | None = None
    announced_at: float | None = None
    marked: float | None = None
    peak: Peak | None = None
    dropped: bool = False


class _Tick(NamedTuple):
    """A tick's candidates, counted.

    counts, kinds: in each score bin all, in each kind bin the likely cracks. evidence: bin and background of each.
    """

    counts: Doubles
    kinds: Doubles
    evidence: list[tuple[int, float]]
    observed_s: float


class PhaseTracker:
    """Candidates and observed time in, :class:`Density` and :class:`PhaseChange` out; one call of ``push`` a tick.

    own_machine: how to learn the machine at hand; without it the hidden Markov model decides alone. trace: is told what
    is asked, so that others can be asked the same (for training).
    """

    #: Seconds of candidates that are kept: nothing looks further back, and the date of the start looks back most.
    KEEP_S = 205.0

    def __init__(
        self,
        scores: ScoreModel,
        context: ContextModel,
        own_machine: OwnMachineModel | None = None,
        *,
        settings: TrackerSettings | None = None,
        trace: Callable[[Asked], object] | None = None,
    ) -> None:
        self.scores = scores
        self._crack_share = scores.crack.tolist()
        self.settings = s = settings or TrackerSettings()
        self._trace = trace
        counts = context if own_machine is None else own_machine
        self._counted, self._counted_cv = counts.counted, counts.counted_cv
        self._machine = None if own_machine is None else OwnMachine(own_machine)
        self._context = ContextClassifier(context)
        self._background = Background(scores, keep_s=self.KEEP_S, settings=s.background)
        self._start = FirstCrackHMM(crack=scores.crack, burst=scores.burst, tick_s=TICK_S, settings=s.start)
        self._second = SecondCrack(scores, settings=s.second)
        self._clumps = StrayClumps(detected=scores.detected, share=s.clump_share, length_s=s.clump_s)
        self._recent = Recent(keep_s=self.KEEP_S)
        self.reset()

    def reset(self) -> None:
        """As new."""
        for part in (self._context, self._background, self._start, self._second, self._clumps, self._recent):
            part.reset()
        if self._machine is not None:
            self._machine.reset()
        self._context.know(self._background.rates, heard_s=0.0)
        self.first_crack: PhaseChange | None = None
        self.first_crack_end: PhaseChange | None = None
        self.second_crack: PhaseChange | None = None
        self.peak: Peak | None = None
        #: Seconds, or None while it is not known: soon after charge first crack is unlikely, before it there is none.
        #: The pipeline keeps it.
        self.charge: float | None = None
        self._marked: float | None = None  # start of first crack by the person
        self._ln_hazard = 0.0
        self._over = False  # the beans have left
        self._now = 0.0
        self._ready_at = self.settings.ready_s
        self._resuming = False  # gone on with, and nothing heard yet
        self._not_before = 0.0  # until here the person has said that first crack had not begun
        self._announced_at = 0.0
        self._waiting_since = 0.0  # for the end and for second crack
        self._refine_at = 0.0

    def go_on(self, found: FoundBefore) -> None:
        """In the middle of a roast, in a new process: what was found holds, the background is learnt anew."""
        self._now = found.until
        self._ready_at = found.until + self.settings.ready_s
        self._resuming = True
        self.restore(found)

    def restore(self, found: FoundBefore) -> None:
        """The person has undone something: this is what holds now. What was learnt stays."""
        if found.first_crack is None:
            self._refine_at = 0.0
        self.first_crack = found.first_crack
        self.first_crack_end = found.first_crack_end
        self.second_crack = found.second_crack
        self._marked = found.marked
        if self._begun is not None:
            self._waiting_since = self._begun if found.announced_at is None else found.announced_at
        self.peak = found.peak
        self._over = found.dropped

    @property
    def begun_log_odds(self) -> float:
        """Log odds that first crack has begun, nats, as the evidence stands now."""
        if self._machine is None or not self._machine.known:
            return self._start.log_odds
        return self._machine.log_odds + self._ln_hazard

    @property
    def threshold(self) -> float:
        """Of those: enough to announce."""
        return self.settings.threshold

    @property
    def begun(self) -> float:
        """How far the evidence is that first crack has begun, see :func:`evidence`."""
        return 1.0 if self.first_crack is not None else evidence(self.begun_log_odds, threshold=self.threshold)

    @property
    def background(self) -> Doubles:
        """Candidates a second in each score bin that this machine utters by itself, float64 (SCORE_BINS,)."""
        return self._background.rates

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
        if self.first_crack_end is not None and self.first_crack_end.time <= time:
            self.first_crack_end = None  # of a chorus before it
        self._marked = time

    def not_yet(self) -> None:
        """The person says that first crack has not begun: what was learnt stays, what fooled the filter is learnt.

        The candidates since the filter came to believe in a chorus go into the background, as this machine's clatter.
        """
        self.first_crack = self._marked = None
        self.peak = self.first_crack_end = None
        self._refine_at = 0.0
        self._start.reset()
        if self._machine is not None:
            self._machine.listen_anew()
        self._not_before = self._now
        self.no_second_yet()
        self._background.learn_withheld()
        self._context.know(self._background.rates, heard_s=self._background.heard_s)

    def no_second_yet(self) -> None:
        """The person says that second crack has not begun: it is listened for anew, after the usual wait."""
        self.second_crack = None
        self._second.listen_anew(self._now)
        self._waiting_since = self._now

    @property
    def _begun(self) -> float | None:
        """Start of first crack, as the person marked it or as it was heard; None before."""
        if self._marked is not None:
            return self._marked
        return None if self.first_crack is None else self.first_crack.time

    # -- one candidate --------------------------------------------------------------------------------------

    def judge(self, candidates: Sequence[HeardCandidate]) -> list[Judged]:
        """Judges candidates of one tick, or some of them, on this machine and now; each once, in the order of time.

        Second crack is unlikely (e**-3 to one) until it has been announced.
        """
        odds = self._start.log_odds if self._begun is None else max(self._start.log_odds, self.settings.threshold)
        scores = self._context.push(candidates, log_odds=odds)
        asked = [AskedCandidate(*one, score.probability) for one, score in zip(candidates, scores, strict=True)]
        if self._trace is not None:
            for question in asked:
                self._trace(question)
        answers = [(score.probability, score.weight) for score in scores]  # as likely as a crack, and as a date
        if self._machine is not None:
            log_odds = self._machine.push(asked)
            if self._machine.known:
                share = self._machine.model.cracks_per_second
                answers = [(_probability(nats), math.exp(nats) / share) for nats in log_odds]
        doubt = 0.0 if self.second_crack is not None else 3.0
        judged = []
        for one, score, (probability, date_weight) in zip(candidates, scores, answers, strict=True):
            kinds = one.crack_llr, one.second_vs_first_llr
            candidate = ScoredCandidate(one.time, *kinds, probability, score.weight, date_weight)
            judged.append(Judged(candidate, "second" if one.second_vs_first_llr > doubt else "first", score.numbers))
        return judged

    # -- one tick -------------------------------------------------------------------------------------------

    def push(
        self, candidates: Sequence[ScoredCandidate], *, tick: int, observed_s: float
    ) -> list[Density | PhaseChange]:
        """candidates: those of the tick, in order. tick: its number; it ends at (tick + 1) x 0.25 s.

        observed_s: how much of it was heard, 0 to 0.25.
        """
        self._now = (tick + 1) * TICK_S
        self._resuming = self._resuming and observed_s == 0
        if self._resuming:
            self._ready_at = self._now + self.settings.ready_s
        counted = self._take(candidates, observed_s)
        changes = [self._follow_first_crack(counted), self._follow_second_crack(counted)]
        if self._trace is not None:
            self._trace(AskedTick(len(candidates), tick, observed_s, self._start.log_odds, self._quiet))
        density = None
        if (tick + 1) % _TICKS_A_SECOND == 0:
            density = self._density()
            changes.append(self._end())
        said: list[Density | PhaseChange] = [change for change in changes if change is not None]
        return said if density is None else [density, *said]

    def _take(self, candidates: Sequence[ScoredCandidate], observed_s: float) -> _Tick:
        """Counts the tick's candidates and remembers them."""
        s = self.settings
        counts, kinds = [0.0] * SCORE_BINS, [0.0] * KIND_BINS
        evidence: list[tuple[int, float]] = []
        for one in candidates:
            here = score_bin(one.crack_llr)
            counts[here] += 1
            if one.weight > 0:
                evidence.append((here, self._crack_share[here] / (s.trust * one.weight)))
            if one.crack_llr > 0 and one.probability > s.second.least_probability:
                kinds[kind_bin(one.second_vs_first_llr)] += 1
            weight = self._clumps.push(one.time, crack_llr=one.crack_llr, weight=one.date_weight)
            self._recent.add(one.time, weight=weight, probability=one.probability)
        self._recent.close_tick(self._now, observed_s=observed_s)
        return _Tick(np.array(counts), np.array(kinds), evidence, observed_s)

    def _follow_first_crack(self, tick: _Tick) -> PhaseChange | None:
        """Its start, or a better date of it."""
        s = self.settings
        if self.first_crack is not None:
            self._background.withhold(tick.counts, tick.observed_s, ripen=False)
            self._follow_machine(tick)
            return self._refined()
        since = None if self.charge is None else self._now - self.charge
        hazard = 1.0 if since is None else self._hazard(since)
        odds = self._start.push(tick.evidence, observed_s=tick.observed_s, hazard=hazard)
        if odds < 0 and self._marked is None:
            self._background.learn(tick.counts, tick.observed_s)
        else:
            self._background.withhold(tick.counts, tick.observed_s, ripen=True)
        self._context.know(self._background.rates, heard_s=self._background.heard_s)
        self._ln_hazard = math.log(hazard)
        self._follow_machine(tick)
        ready = self._now >= max(self._ready_at, self._not_before + s.again_after_s)
        empty = since is not None and since <= 0  # the beans are yet to come
        if self.begun_log_odds < self.threshold or not ready or empty or self._over:
            return None
        self._announced_at = self._waiting_since = self._now
        self._refine_at = self._now + s.refine_every_s
        self.first_crack = self._dated("first_crack.start")
        return self.first_crack

    def _hazard(self, since_charge_s: float) -> float:
        s = self.settings
        return start_hazard(since_charge_s, usual_s=60 * s.start.start_every_min, start=s.usual_start)

    @property
    def _quiet(self) -> bool:
        """Whether nothing speaks for first crack: what is heard is the machine's own."""
        return self._begun is None and self._start.log_odds < self.settings.own_quiet_below

    def _follow_machine(self, tick: _Tick) -> None:
        if self._machine is not None:
            self._machine.close_tick(
                self._now, observed_s=tick.observed_s, hmm_log_odds=self._start.log_odds, quiet=self._quiet
            )

    def _refined(self) -> PhaseChange | None:
        s = self.settings
        if not self._refine_at or self._now < self._refine_at or self._over:
            return None
        following = self._refine_at + s.refine_every_s
        self._refine_at = following if following <= self._announced_at + s.refine_for_s else 0.0
        self.first_crack = self._dated("first_crack.refined")
        return self.first_crack

    def _dated(self, what: Literal["first_crack.start", "first_crack.refined"]) -> PhaseChange:
        date = date_start(
            self._recent,
            now=self._now,
            not_before=self._not_before if self.charge is None else max(self._not_before, self.charge),
            announced_at=self._announced_at,
            detected=self.scores.detected,
            settings=self.settings.dating,
        )
        return _change(what, date, _probability(self.begun_log_odds))

    def _follow_second_crack(self, tick: _Tick) -> PhaseChange | None:
        self._second.learn(tick.kinds, of_first_crack=self.second_crack is None and self._begun is not None)
        if self._nothing_to_wait_for or self._now < self._waiting_since + self.settings.second.not_before_s:
            return None
        found = self._second.push(tick.kinds, now=self._now, observed_s=tick.observed_s)
        if found is not None:
            self.second_crack = _change("second_crack.start", found.date, _probability(found.log_odds))
        return self.second_crack

    @property
    def _nothing_to_wait_for(self) -> bool:
        """Before first crack, once second crack has begun, and after the drop."""
        return self._begun is None or self.second_crack is not None or self._over

    # -- density and end ------------------------------------------------------------------------------------

    def _rate(self, window_s: float) -> CrackRate | None:
        return crack_rate(
            self._recent, now=self._now, window_s=window_s, counted=self._counted, counted_cv=self._counted_cv
        )

    def _density(self) -> Density | None:
        rate = self._rate(self.settings.density_window_s)
        if rate is None:
            return None
        density = rate.density()
        if not self._nothing_to_wait_for:
            peak = shrunken_peak(*density)
            self.peak = peak if self.peak is None else max(self.peak, peak)
        return density

    def _end(self) -> PhaseChange | None:
        """First crack is over when the rate has fallen below a share of its peak, surely enough."""
        s, begun = self.settings, self._begun
        if begun is None or self.peak is None or self.first_crack_end is not None or self._nothing_to_wait_for:
            return None
        window_s = s.end_window_s
        # a start that was just marked may still lie ahead of what was judged
        if self._now < max(self._waiting_since, begun) + s.end_not_before_s:
            return None
        rate = self._rate(window_s)
        if rate is None or self._recent.heard_since(self._now - window_s) < window_s / 2:
            return None
        surely = rate.probability_below(s.end_share * self.peak.per_minute / 60)
        if surely < s.end_confidence:
            return None
        date = date_end(
            self._recent,
            now=self._now,
            begun=begun,
            peak_per_minute=self.peak.per_minute,
            detected=self.scores.detected,
            settings=s.dating,
        )
        self.first_crack_end = _change("first_crack.end", date, surely)
        return self.first_crack_end


def _change(
    what: Literal["first_crack.start", "first_crack.refined", "first_crack.end", "second_crack.start"],
    date: Dated,
    confidence: float,
) -> PhaseChange:
    return PhaseChange(what, *date, round(confidence, 4))


def evidence(log_odds: float, *, threshold: float) -> float:
    """The decision's log odds on a scale from 0 to 1 that means the same whatever the threshold is.

    0: none (``_QUIET_BELOW`` nats below the middle and less). 0.5: ``_HALF_BELOW`` nats are missing, which happens some
    five times an hour before first crack and in kitchens, and 7 s before an announcement in the mean. 1: enough to
    announce. Between them it moves with the log odds.
    """
    middle = threshold - _HALF_BELOW
    over = log_odds - middle
    share = over / (threshold - middle) if over > 0 else over / _QUIET_BELOW
    return round(min(1.0, max(0.0, 0.5 + share / 2)), 3)


def _probability(log_odds: float) -> float:
    return 1 / (1 + math.exp(min(-log_odds, 700.0)))  # beyond that no float holds it
