"""Is this candidate a crack, on this machine and now? The classifier's answer, seen in what was heard around it.

The same score means a crack on a quiet machine and clatter on one that ticks with just that score; a lone click beside
a burst of typing is one more key. So two small networks see a few numbers (NAMES):

- the candidate's log likelihood ratios: a crack, and second against first;
- how often this machine had candidates of that score and above, and of that very bin, before (the learnt background);
- how many there were in the last moments, and when the last one as good as this was;
- whether the last ones as good as this came in a rhythm (a clock does, a drum that knocks; cracks come at random);
- whether they came unevenly, and in pairs: a key springs back, weaker and brighter, a moment after it was struck;
- how many poor ones there are against what was usual (poured beans, rain and a crumpled bag bring many, cracks few);
- how loud the last good ones were, and how far this one is from them (one source has one loudness), and the same of
  their kind;
- how dense the cracks are: how good the last good ones were, how many there were in the last seconds, and the odds that
  first crack has begun.

The network ``crack`` sees all and gives the probability p of a crack. The network ``alone`` does not see the last
point, and gives the candidate's *weight* as evidence for the start of first crack, which must not feed on itself:

    weight = f1 / lambda0 = odds / (cracks a second it was trained among),

f1 the likelihood of such a candidate under cracks, lambda0 the rate (a second) of such candidates on this machine
without them. Both are trained on whole roasts and kitchens (``train/context.py``), so p is calibrated: of the cracks
told with 0.8, four in five are cracks.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.deciding.score_model import SCORE_BINS, SCORE_EDGES, score_bin
from crackdetect.errors import ModelError
from crackdetect.hearing.classifier import UNHEARD, Sound
from crackdetect.hearing.network import Network

NAMES = (
    "crack_llr",
    "second_vs_first_llr",
    "background above",
    "background here",
    "background",
    "minute as good",
    "minute good",
    "seconds as good",
    "seconds good",
    "seconds all",
    "moment as good",
    "moment all",
    "since as good",
    "since any",
    "best of late",
    "begun",
    "known",
    "rhythm",
    "louder",
    "loudness spread",
    "late score",
    "late score spread",
    "poor ones",
    "unevenness",
    "followed",
    "preceded",
    "after louder",
    "brighter after",
    "kind differs",
    "kind spread",
    "regular",
)
COUNT = len(NAMES)
#: Those that speak of how dense the cracks are; the network ``alone`` does not see them. (Pairs and unevenness follow
#: the density a little, by chance; there is no more in them.)
DENSITY = (
    *("minute as good", "minute good", "seconds as good", "seconds good", "seconds all", "best of late", "begun"),
    *("late score", "late score spread"),
)
#: Memories of recent candidates, seconds.
MINUTE, SECONDS, MOMENT = 40.0, 8.0, 0.4
#: "As good" is a score down to this much less, nats; "good" is a score from here up.
_MARGIN, _GOOD = 1.0, 1.5
#: No single candidate may count for more than e**8 to one, either way.
_MOST_LOG_ODDS = 8.0
#: A candidate with this score or less is none; nothing more is asked.
HOPELESS = -3.0
#: Recent candidates that are looked back at for the last one as good; and those that score above 0.
_LAST, _LAST_GOOD = 32, 40
#: A rhythm is looked for in the last seconds, between so many candidates, and may sway by so much and by this share.
_RHYTHM_S, _RHYTHM_MOST, _SWAY_S, _SWAY = 8.0, 12, 0.010, 0.005
#: Even steps are looked for among those that score above 0 in the last seconds: so long, from so many of them back, and
#: so many; each may be off by a part of a second and of a step, and none is surer than this, seconds.
_EVEN_S, _STEP_S, _STEPS_FROM, _STEPS, _OFF_S, _OFF, _SURE_S = 10.0, (0.2, 2.5), 12, 7, 0.01, 0.05, 0.004
#: So many that score above 0 are compared in loudness and score, from the third on; louder adds nothing, nats.
_LATE, _LOUDEST = 16, 8.0
#: A candidate of this score, the upper edge of a bin, or less is poor.
_POOR = -1.0
#: Unevenness is that of at most so many intervals, within so many seconds; nearer than this is one sound, seconds.
_INTERVALS, _UNEVEN_S, _ONE_SOUND_S = 12, 30.0, 0.03
#: A key springs back so many seconds after it was struck, weaker by so many nats; looked for among the last good ones,
#: and candidates down to this score.
_PAIR_S, _WEAKER, _PAIRED, _PAIR_FROM = (0.04, 0.16), 0.2, 12, -1.5
#: How much louder another one was adds nothing beyond this, nats.
_MUCH_LOUDER = 4.0
#: After so long the background is known: it must not tell how old the roast is, seconds.
_KNOWN_S = 90.0
#: Seconds that stand for never; no interval is taken for shorter, seconds; fewer good ones are not compared.
_LONG_AGO, _SOONEST_S, _FEW = 60.0, 0.005, 3


@dataclass(frozen=True, slots=True, eq=False)
class ContextModel:
    """Two networks, and what is known of their answers.

    Attributes
    ----------
    crack, alone : Network, float64
        From NAMES to the log odds of a crack; ``alone`` does not see DENSITY.
    cracks_per_second : float
        That both were trained among, above 0, below 100.
    counted : float
        Sum of the probabilities over a chorus, a true crack that does not merge with another one; 0.2 to 5.
    counted_cv : float
        How much that differs between machines: standard deviation over mean, 0 to 1.

    Raises
    ------
    ModelError
        On numbers out of range.
    """

    crack: Network
    alone: Network
    cracks_per_second: float
    counted: float = 0.9
    counted_cv: float = 0.2

    def __post_init__(self) -> None:
        if any(network.inputs != COUNT or network.outputs != 1 for network in (self.crack, self.alone)):
            raise ModelError("a context network does not fit this version; fetch or train the model again")
        if not 0 < self.cracks_per_second < 100:
            raise ModelError("a context network was trained among no cracks; fetch or train the model again")
        if not (0.2 <= self.counted <= 5 and 0 <= self.counted_cv <= 1):
            raise ModelError("a context network counts cracks as none does; fetch or train the model again")


class HeardCandidate(NamedTuple):
    """A candidate as the classifier tells of it.

    Attributes
    ----------
    time : float
        Seconds.
    crack_llr, second_vs_first_llr : float
        Nats, see :class:`hearing.classifier.CrackScore`.
    strength : float
        Over its threshold, nats.
    sound : Sound
        What the classifier saw; needed where the machine at hand is learnt.
    """

    time: float
    crack_llr: float
    second_vs_first_llr: float
    strength: float
    sound: Sound = UNHEARD


class ContextScore(NamedTuple):
    """What a candidate is worth.

    probability: of a crack, 0 to 1. weight: f1 / lambda0, seconds. numbers: float64 (COUNT,), in the order of NAMES;
    None for a candidate that is hopeless, whose probability and weight are 0.
    """

    probability: float
    weight: float
    numbers: Doubles | None


#: Of a candidate that is hopeless.
_HOPELESS = ContextScore(0.0, 0.0, None)


@dataclass(slots=True)
class _Good:
    """A candidate of late with a score above 0: strength and log likelihood ratios, nats.

    preceded, followed: whether a weaker one came as much before or after it as a key springs back. brighter: by how
    much second_vs_first_llr of the one after, the last if there are several, is above its own, nats.
    """

    time: float
    strength: float
    crack_llr: float
    second_vs_first_llr: float
    preceded: bool
    followed: bool = False
    brighter: float = 0.0


class _Late(NamedTuple):
    """What the last good ones amount to; of each mean and standard deviation, 0 of few.

    few: whether they are. followed, preceded: shares of those, drawn towards a half for few. rise: by how much those
    that follow are brighter.
    """

    few: bool
    loud: tuple[float, float]
    score: tuple[float, float]
    kind: tuple[float, float]
    followed: float
    preceded: float
    rise: float


class _Fading:
    """Candidates of each score bin, each counting exp(-age / memory_s)."""

    def __init__(self, memory_s: float) -> None:
        self._memory_s = memory_s
        self.counts = [0.0] * SCORE_BINS

    def fade(self, passed_s: float) -> None:
        """All that is remembered is so much older now."""
        share = math.exp(-(passed_s / self._memory_s))
        self.counts = [count * share for count in self.counts]

    def from_bin(self, low: int) -> float:
        """ln(1 + how many in this bin and above)."""
        return math.log1p(sum(self.counts[low:]))


class ContextClassifier:
    """Candidates in the order of time in, :class:`ContextScore` out."""

    def __init__(self, model: ContextModel) -> None:
        self._model = model
        self._good_from, self._poor = score_bin(_GOOD), bisect_right(SCORE_EDGES, _POOR)
        self.reset()

    def reset(self) -> None:
        """As new."""
        self._minute, self._seconds, self._moment = _Fading(MINUTE), _Fading(SECONDS), _Fading(MOMENT)
        self._last: deque[tuple[float, float]] = deque(maxlen=_LAST)  # time and score, the latest first
        # the latest first: of those that score above 0
        self._good_times: deque[float] = deque(maxlen=_LAST_GOOD)
        self._good_scores: deque[float] = deque(maxlen=_LAST_GOOD)
        self._good: deque[_Good] = deque(maxlen=_LATE)  # the latest last
        self._late: _Late | None = None  # of them; None until somebody asks
        self._near: deque[tuple[float, float]] = deque()  # time and strength of those from _PAIR_FROM, just now
        self._background: tuple[Doubles, float] | None = None  # that was told and not asked for yet
        self._above = self._here = [0.0] * SCORE_BINS
        self._known = 0.0
        self._poor_usual = 0.0  # poor ones that are usual in the memory of SECONDS

    def know(self, background: Doubles, *, heard_s: float) -> None:
        """background: candidates a second in each score bin, as learnt by now. heard_s: seconds it was learnt in."""
        self._background = background, heard_s  # most ticks have no candidate that asks for it

    def _take_background(self, background: Doubles, heard_s: float) -> None:
        self._background = None
        self._above = np.log(np.cumsum(background[::-1])[::-1]).tolist()
        self._here = np.log(background).tolist()
        self._poor_usual = float(background[: self._poor].sum()) * SECONDS
        self._known = math.log1p(min(heard_s, _KNOWN_S) / 10)

    def push(self, candidates: Sequence[HeardCandidate], *, log_odds: float) -> list[ContextScore]:
        """Some candidates.

        Parameters
        ----------
        candidates
            Of one tick, or some of them; none before the last one that was pushed.
        log_odds
            That first crack has begun, nats.

        Returns
        -------
        list of ContextScore
            One a candidate, in their order.
        """
        log_odds = max(-_MOST_LOG_ODDS, min(_MOST_LOG_ODDS, log_odds))
        numbers = [self._look(one, log_odds) for one in candidates]
        asked = [row for row in numbers if row is not None]
        if not asked:
            return [_HOPELESS] * len(candidates)
        rows = np.array(asked)
        answers = zip(rows, _odds(self._model.crack, rows), _odds(self._model.alone, rows), strict=True)
        share = 1 / self._model.cracks_per_second
        scores = (ContextScore(1 / (1 + 1 / odds), alone * share, row) for row, odds, alone in answers)
        return [_HOPELESS if row is None else next(scores) for row in numbers]

    def _look(self, one: HeardCandidate, log_odds: float) -> tuple[float, ...] | None:
        """What is seen of a candidate, in the order of NAMES; None of a hopeless one. It is remembered."""
        time, crack_llr, second_vs_first_llr, strength, _ = one
        strength = min(strength, _LOUDEST)
        passed = time - self._last[0][0] if self._last else _LONG_AGO
        for memory in (self._minute, self._seconds, self._moment):
            memory.fade(passed)
        while self._near and time - self._near[0][0] > _PAIR_S[1]:
            self._near.popleft()
        weaker_by = [strength - other for last, other in self._near if time - last >= _PAIR_S[0]]
        numbers = None
        if crack_llr > HOPELESS:
            if self._background is not None:
                self._take_background(*self._background)
            late = self._late or self._summed_up()
            ago = [time - last for last in self._good_times]
            numbers = (
                crack_llr,
                second_vs_first_llr,
                *self._how_often(time, crack_llr, passed),
                log_odds,
                self._known,
                self._rhythm(ago, least=crack_llr - _MARGIN),
                0.0 if late.few else strength - late.loud[0],
                late.loud[1],
                *late.score,
                math.log1p(sum(self._seconds.counts[: self._poor])) - math.log1p(self._poor_usual),
                _unevenness(time, self._good_times),
                late.followed,
                late.preceded,
                min(_MUCH_LOUDER, max(0.0, -min(weaker_by, default=0.0))),
                late.rise,
                0.0 if late.few else second_vs_first_llr - late.kind[0],
                late.kind[1],
                _regular(ago[: bisect_right(ago, _EVEN_S)]) if crack_llr > _POOR else 0.0,
            )
        preceded = max(weaker_by, default=0.0) > _WEAKER
        self._remember(_Good(time, strength, crack_llr, second_vs_first_llr, preceded))
        return numbers

    def _remember(self, one: _Good) -> None:
        here = score_bin(one.crack_llr)
        for memory in (self._minute, self._seconds, self._moment):
            memory.counts[here] += 1
        self._last.appendleft((one.time, one.crack_llr))
        if one.crack_llr > _PAIR_FROM:
            self._pair(one)
            self._near.append((one.time, one.strength))
        if one.crack_llr > 0:
            self._good_times.appendleft(one.time)
            self._good_scores.appendleft(one.crack_llr)
            self._good.append(one)
            self._late = None

    def _how_often(self, time: float, crack_llr: float, passed: float) -> tuple[float, ...]:
        """Those like it, and all: in the background, in the memories, and the last one; the best of the last second."""
        least, a_second_ago = crack_llr - _MARGIN, time - 1.0
        here, as_good = score_bin(crack_llr), score_bin(least)
        since, best = _LONG_AGO, -_MOST_LOG_ODDS
        for last, other in self._last:
            if other >= least:
                since = time - last
                break
        for last, other in self._last:
            if last <= a_second_ago:
                break
            if other > best:
                best = other
        return (
            self._above[here],
            self._here[here],
            self._above[0],
            self._minute.from_bin(as_good),
            self._minute.from_bin(self._good_from),
            self._seconds.from_bin(as_good),
            self._seconds.from_bin(self._good_from),
            self._seconds.from_bin(0),
            self._moment.from_bin(as_good),
            self._moment.from_bin(0),
            math.log(max(since, _SOONEST_S)),
            math.log(max(passed, _SOONEST_S)),
            best,
        )

    def _rhythm(self, ago: Sequence[float], *, least: float) -> float:
        """Of the good ones of this score and above. ago: of all good ones, ascending, seconds."""
        ago = ago[: bisect_right(ago, _RHYTHM_S)]
        if least > 0:
            ago = [passed for passed, score in zip(ago, self._good_scores, strict=False) if score >= least]
        return _rhythm(ago)

    def _summed_up(self) -> _Late:
        """What the last good ones amount to."""
        good = list(self._good)
        late = good[-_PAIRED:]
        followed, preceded = sum([one.followed for one in late]), sum([one.preceded for one in late])
        rises = [one.brighter for one in late if one.followed]
        few = len(good) < _FEW
        loud = score = kind = (0.0, 0.0)
        if not few:
            loud = _mean_and_spread([one.strength for one in good])
            score = _mean_and_spread([one.crack_llr for one in good])
            kind = _mean_and_spread([one.second_vs_first_llr for one in good])
        shares = (followed + 0.5) / (len(late) + 1), (preceded + 0.5) / (len(late) + 1)
        self._late = _Late(few, loud, score, kind, *shares, sum(rises) / (1 + len(rises)))
        return self._late

    def _pair(self, one: _Good) -> None:
        """Notes which of the good ones this one follows as a key springs back."""
        for other in reversed(self._good):
            passed = one.time - other.time
            if passed > _PAIR_S[1]:
                break
            if passed >= _PAIR_S[0] and other.strength - one.strength > _WEAKER:
                other.followed, other.brighter = True, one.second_vs_first_llr - other.second_vs_first_llr
                self._late = None


def _odds(network: Network, rows: Doubles) -> list[float]:
    answers: list[float] = network.forward(rows)[:, 0].tolist()
    return [math.exp(max(-_MOST_LOG_ODDS, min(_MOST_LOG_ODDS, log_odds))) for log_odds in answers]


def _mean_and_spread(values: Sequence[float]) -> tuple[float, float]:
    """And the standard deviation."""
    mean = sum(values) / len(values)
    return mean, math.sqrt(sum([(off := value - mean) * off for value in values]) / len(values))


def _rhythm(ago: Sequence[float]) -> float:
    """Of the candidates d seconds ago, the share that has another one 2 d ago, 0 to 1; less for few.

    ago: ascending, seconds, of those as good as this one.
    """
    hits = looked_at = 0
    for passed in ago[:_RHYTHM_MOST]:
        sway = _SWAY_S + _SWAY * passed
        if 2 * passed > ago[-1] + sway:
            break
        looked_at += 1
        at = bisect_left(ago, 2 * passed - sway)
        hits += at < len(ago) and ago[at] <= 2 * passed + sway
    return hits / (looked_at + 1)


def _regular(ago: Sequence[float]) -> float:
    """How surely this one is the next of a series of even steps (a clock, a walker, a knock once a turn), nats.

    From each good one back, the next is looked for as far before it, and so on. Where it is off by x, another one comes
    as near by chance with probability 2 x rate, so a series is worth -sum ln(2 x rate); the best series counts.
    ago: ascending, seconds, of the good ones.
    """
    twice_rate = 2 * (len(ago) / _EVEN_S)
    most = 0.0
    start = bisect_left(ago, _STEP_S[0])
    known = [*ago, math.inf]
    for first in ago[start : start + _STEPS_FROM]:
        if first > _STEP_S[1]:
            break
        surely, at, step = 0.0, first, first
        for count in range(2, _STEPS + 1):
            expected = at + step
            after = bisect_left(ago, expected)  # the nearest one is this or the one before
            found = known[after]
            off = found - at - step
            sooner = known[after - 1]
            if sooner > at + step / 2 and expected - sooner <= off:
                found, off = sooner, expected - sooner
            if off > _OFF_S + _OFF * step:
                break
            by_chance = twice_rate * (off if off > _SURE_S else _SURE_S)
            if by_chance < 1:
                surely -= math.log(by_chance)
            at, step = found, found / count
        if surely > most:
            most = surely
    return most


def _unevenness(time: float, before: Iterable[float]) -> float:
    """Of this one and the good ones before it; those nearer than _ONE_SOUND_S are one.

    time, before: seconds; the latest first.
    """
    times, latest = [time], time
    for last in before:
        if time - last > _UNEVEN_S or len(times) > _INTERVALS:
            break
        if latest - last > _ONE_SOUND_S:
            times.append(last)
            latest = last
    return 1.0 if len(times) < 4 else _local_variation(times)


def _local_variation(times: Sequence[float]) -> float:
    """LV = 3 / (n - 1) sum ((a - b) / (a + b))**2 over neighbouring intervals a, b.

    1 at random, 0 for a clock, more in groups (Shinomoto et al., Neural Comput. 15, 2823, 2003, from memory). With near
    ones merged, what is dense is more even: 0.85 for two a second at random, 0.73 for four.

    times: descending, seconds, four or more.
    """
    intervals = [later - sooner for later, sooner in pairwise(times)]
    terms = [((a - b) / (a + b)) ** 2 for a, b in pairwise(intervals)]
    return 3 * sum(terms) / len(terms)
