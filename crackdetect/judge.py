"""Is this candidate a crack, on this machine and now? The classifier's score seen in what was heard around it.

The same score means a crack on a quiet machine and clatter on one that ticks with just that score; a lone click beside
a burst of typing is one more key. So small networks answer from a few numbers:

- the candidate's score, and what kind of crack it would be;
- how often this machine had candidates of that score and above, and of that very bin, before (the learnt background);
- how many there were in the last moments, and when the last one as good as this was;
- whether the last ones as good as this came in a rhythm (a clock does, a drum that knocks; cracks come at random);
- whether they came unevenly, and in pairs: a key springs back, weaker and brighter, a moment after it was struck;
- how many poor ones there are against what was usual (poured beans, rain and a crumpled bag bring many, cracks few);
- how loud the last good ones were, however long ago, and by how much this one differs (one source is one loudness), and
  the same of their kind;
- how good those were, how many there were in the last seconds, and how sure it is by now that first crack has begun.

Two are asked. One sees it all: the probability of a crack. The other does not see the last point, how dense the cracks
are: the *weight* of the candidate as evidence for the start of first crack, which must not feed on itself. It is
f1 / lambda0, the likelihood of such a candidate under cracks over the rate (a second) at which this machine has such
candidates by itself, made from the probability by dividing its odds by the cracks a second it was trained among.

They are trained on whole roasts and kitchens (``train/judging.py``), so their probabilities are calibrated as they are:
of the cracks told with 0.8, four in five are cracks.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from crackdetect.errors import ModelError

Doubles = npt.NDArray[np.float64]

NAMES = (
    "score",
    "kind_score",
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
#: Those that speak of how dense the cracks are; the second network does not see them. (Pairs and unevenness follow the
#: density a little, by chance; there is no more in them.)
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
#: No weight of a judge is larger: sums of products stay finite.
_LARGEST = 1e6
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


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """Two hidden layers (rectified linear) over :data:`NAMES`, and the odds of a crack; float64 arrays.

    mean, scale: (COUNT,). hidden: (COUNT, n). hidden_bias: (n,). inner: (n, m). inner_bias: (m,). out: (m,). out_bias:
    (1,).
    """

    mean: Doubles
    scale: Doubles
    hidden: Doubles
    hidden_bias: Doubles
    inner: Doubles
    inner_bias: Doubles
    out: Doubles
    out_bias: Doubles

    def __post_init__(self) -> None:
        n, m = self.hidden_bias.size, self.inner_bias.size
        arrays = [getattr(self, part.name) for part in fields(self)]
        shapes = [array.shape for array in arrays]
        fitting = [(COUNT,), (COUNT,), (COUNT, n), (n,), (n, m), (m,), (m,), (1,)]
        if shapes != fitting or not (1 <= n <= 256 and 1 <= m <= 256):
            raise ModelError("the model's judge does not fit this version; fetch or train the model again")
        if not all(np.isfinite(array).all() for array in arrays) or not (self.scale > 0).all():
            raise ModelError("the model's judge holds numbers that are not finite; fetch or train the model again")
        if max(float(np.abs(array).max()) for array in arrays) > _LARGEST or self.scale.min() < 1 / _LARGEST:
            raise ModelError("the model's judge holds numbers that no training gives; fetch or train the model again")


@dataclass(frozen=True, slots=True, eq=False)
class JudgeModel:
    """crack: the network that sees all. alone: the one that does not see the density. cracks_per_second: that both were
    trained among, above 0. counted: probabilities summed up over a chorus, a true crack that does not merge with
    another one; counted_cv: how much that differs between machines (standard deviation over mean, 0 to 1)."""

    crack: Network
    alone: Network
    cracks_per_second: float
    counted: float = 0.9
    counted_cv: float = 0.2

    def __post_init__(self) -> None:
        if not 0 < self.cracks_per_second < 100:
            raise ModelError("the model's judge was trained among no cracks; fetch or train the model again")
        if not (0.2 <= self.counted <= 5 and 0 <= self.counted_cv <= 1):
            raise ModelError("the model's judge counts cracks as no judge does; fetch or train the model again")


@dataclass(slots=True)
class _Late:
    """A candidate of late that scores above 0: strength, score and kind score, nats.

    preceded, followed: whether a weaker one came as much before or after it as a key springs back. brighter: by how
    much the kind score of the one after, the last if there are several, is above its own, nats.
    """

    time: float
    strength: float
    score: float
    kind_score: float
    preceded: bool
    followed: bool = False
    brighter: float = 0.0


class Judge:
    """Candidates in the order of time in, probabilities of a crack out (or, for training, what they are made from).

    edges: of the score bins that the background is given in, nats, ascending.
    """

    def __init__(self, model: JudgeModel, *, edges: Sequence[float]) -> None:
        #: Times and numbers of the candidates since it was set to a list; for training.
        self.kept: list[tuple[float, Doubles]] | None = None
        self._edges = list(edges)
        self._sure, self._poor = bisect_left(self._edges, _GOOD), bisect_right(self._edges, _POOR)
        self._crack, self._alone = _folded(model.crack), _folded(model.alone)
        self._weight_at_even_odds = 1 / model.cracks_per_second
        self.reset()

    def reset(self) -> None:
        bins = len(self._edges) + 1
        self._minute = [0.0] * bins  # candidates of each bin, fading
        self._seconds = [0.0] * bins
        self._moment = [0.0] * bins
        self._last: deque[tuple[float, float]] = deque(maxlen=_LAST)  # time and score, the latest first
        self._good: deque[tuple[float, float]] = deque(maxlen=_LAST_GOOD)
        self._late: deque[_Late] = deque(maxlen=_LATE)  # the latest last
        self._near: deque[tuple[float, float]] = deque()  # time and strength of those from _PAIR_FROM, just now
        self._above = self._here = [0.0] * bins
        self._known = 0.0
        self._poor_usual = 0.0  # poor ones that are usual in the time of _seconds

    def know(self, background: Doubles, *, heard_s: float) -> None:
        """background: candidates a second in each bin of score, as learnt by now. heard_s: seconds it was learnt in."""
        self._above = np.log(np.cumsum(background[::-1])[::-1]).tolist()
        self._here = np.log(background).tolist()
        self._poor_usual = float(background[: self._poor].sum()) * SECONDS
        self._known = math.log1p(min(heard_s, _KNOWN_S) / 10)

    def push(
        self, time: float, score: float, kind_score: float, strength: float, *, log_odds: float
    ) -> tuple[float, float]:
        """strength: of the candidate over its threshold, nats. log_odds: that first crack has begun.

        Returns the probability of a crack, 0 to 1, and its weight, seconds.
        """
        strength = min(strength, _LOUDEST)
        passed = time - self._last[0][0] if self._last else 60.0
        minute, seconds, moment = (
            _faded(counts, passed / memory)
            for counts, memory in ((self._minute, MINUTE), (self._seconds, SECONDS), (self._moment, MOMENT))
        )
        here = bisect_left(self._edges, score)
        probability = weight = 0.0
        while self._near and time - self._near[0][0] > _PAIR_S[1]:
            self._near.popleft()
        before = [strength - other for last, other in self._near if time - last >= _PAIR_S[0]]
        if score > HOPELESS:
            as_good = bisect_left(self._edges, score - _MARGIN)
            since = next((time - last for last, other in self._last if other >= score - _MARGIN), 60.0)
            best = max((other for last, other in self._last if last > time - 1.0), default=-8.0)
            vector = np.array(
                (
                    score,
                    kind_score,
                    self._above[here],
                    self._here[here],
                    self._above[0],
                    math.log1p(sum(minute[as_good:])),
                    math.log1p(sum(minute[self._sure :])),
                    math.log1p(sum(seconds[as_good:])),
                    math.log1p(sum(seconds[self._sure :])),
                    math.log1p(sum(seconds)),
                    math.log1p(sum(moment[as_good:])),
                    math.log1p(sum(moment)),
                    math.log(max(since, 0.005)),
                    math.log(max(passed, 0.005)),
                    best,
                    max(-8.0, min(8.0, log_odds)),
                    self._known,
                    self._rhythm(time, score - _MARGIN),
                    *self._compared(strength),
                    math.log1p(sum(seconds[: self._poor])) - math.log1p(self._poor_usual),
                    self._unevenness(time),
                    *self._pairs(),
                    min(_MUCH_LOUDER, max(0.0, -min(before, default=0.0))),
                    *self._brighter(kind_score),
                    self._regular(time) if score > _POOR else 0.0,
                )
            )
            if self.kept is not None:
                self.kept.append((time, vector))
            probability = 1 / (1 + 1 / _odds(self._crack, vector))
            weight = _odds(self._alone, vector) * self._weight_at_even_odds
        for counts in (minute, seconds, moment):
            counts[here] += 1
        self._minute, self._seconds, self._moment = minute, seconds, moment
        self._last.appendleft((time, score))
        if score > _PAIR_FROM:
            self._pair(time, kind_score, strength)
            self._near.append((time, strength))
        if score > 0:
            self._good.appendleft((time, score))
            preceded = max(before, default=0.0) > _WEAKER
            self._late.append(_Late(time, strength, score, kind_score, preceded))
        return probability, weight

    def _rhythm(self, time: float, least: float) -> float:
        """Of the candidates as good, d seconds ago, the share that has another one 2 d ago, 0 to 1; less for few."""
        ago = [passed for last, other in self._good if other >= least and (passed := time - last) <= _RHYTHM_S]
        hits = looked_at = 0
        for passed in ago[:_RHYTHM_MOST]:
            sway = _SWAY_S + _SWAY * passed
            if 2 * passed > ago[-1] + sway:
                break
            looked_at += 1
            at = bisect_left(ago, 2 * passed - sway)
            hits += at < len(ago) and ago[at] <= 2 * passed + sway
        return hits / (looked_at + 1)

    def _regular(self, time: float) -> float:
        """How surely this one is the next of a series of even steps (a clock, a walker, a knock once a turn), nats.

        From each good one back, the next is looked for as far before it, and so on; where it is off by x, another one
        comes as near by chance in a share of 2 x times their rate. The series of which that is least likely counts.
        """
        ago = [passed for last, _ in self._good if (passed := time - last) <= _EVEN_S]
        rate = len(ago) / _EVEN_S
        most = 0.0
        start = bisect_left(ago, _STEP_S[0])
        for first in ago[start : start + _STEPS_FROM]:
            if first > _STEP_S[1]:
                break
            surely, at, step = 0.0, first, first
            for count in range(2, _STEPS + 1):
                after = bisect_left(ago, at + step)  # the nearest one is this or the one before
                found = ago[after] if after < len(ago) else math.inf
                off = found - at - step
                if after and ago[after - 1] > at + step / 2 and (sooner := at + step - ago[after - 1]) <= off:
                    found, off = ago[after - 1], sooner
                if off > _OFF_S + _OFF * step:
                    break
                surely -= math.log(min(1.0, 2 * rate * max(off, _SURE_S)))
                at, step = found, found / count
            most = max(most, surely)
        return most

    def _compared(self, strength: float) -> tuple[float, float, float, float]:
        """How much louder this one is than those of late, and their spread; their mean score, and its spread."""
        count = len(self._late)
        if count < 3:
            return 0.0, 0.0, 0.0, 0.0
        loudness = [other.strength for other in self._late]
        goodness = [other.score for other in self._late]
        loud, good = sum(loudness) / count, sum(goodness) / count
        spread = math.sqrt(sum((other - loud) ** 2 for other in loudness) / count)
        return strength - loud, spread, good, math.sqrt(sum((other - good) ** 2 for other in goodness) / count)

    def _unevenness(self, time: float) -> float:
        """Local variation of the intervals between the good ones and this one (Shinomoto et al., Neural Comput. 15,
        2823, 2003, from memory): 1 if they come at random, less if evenly, more if in groups. 1 for too few.

        Those that come together are one, which evens out what is dense: 0.85 for two a second at random, 0.73 for four.
        """
        times = [time]
        for last, _ in self._good:
            if time - last > _UNEVEN_S or len(times) > _INTERVALS:
                break
            if times[-1] - last > _ONE_SOUND_S:
                times.append(last)
        if len(times) < 4:
            return 1.0
        intervals = [later - sooner for later, sooner in pairwise(times)]
        terms = [((a - b) / (a + b)) ** 2 for a, b in pairwise(intervals)]
        return 3 * sum(terms) / len(terms)

    def _pair(self, time: float, kind_score: float, strength: float) -> None:
        """Notes which of the good ones this one follows as a key springs back."""
        for other in reversed(self._late):
            passed = time - other.time
            if passed > _PAIR_S[1]:
                break
            if passed >= _PAIR_S[0] and other.strength - strength > _WEAKER:
                other.followed, other.brighter = True, kind_score - other.kind_score

    def _pairs(self) -> tuple[float, float]:
        """Shares of the last good ones that a weaker one follows, and precedes; drawn towards a half for few."""
        late = list(self._late)[-_PAIRED:]
        followed, preceded = sum(one.followed for one in late), sum(one.preceded for one in late)
        return (followed + 0.5) / (len(late) + 1), (preceded + 0.5) / (len(late) + 1)

    def _brighter(self, kind_score: float) -> tuple[float, float, float]:
        """How much brighter than the good ones those are that follow them; how much this one's kind score differs from
        that of the good ones, and the spread of theirs."""
        rises = [one.brighter for one in list(self._late)[-_PAIRED:] if one.followed]
        rise = sum(rises) / (1 + len(rises))
        count = len(self._late)
        if count < 3:
            return rise, 0.0, 0.0
        kinds = [one.kind_score for one in self._late]
        mean = sum(kinds) / count
        return rise, kind_score - mean, math.sqrt(sum((kind - mean) ** 2 for kind in kinds) / count)


#: Weights and biases of a network's layers, its scaling folded in.
_Folded = tuple[Doubles, Doubles, Doubles, Doubles, Doubles, float]


def _folded(network: Network) -> _Folded:
    hidden = network.hidden / network.scale[:, None]
    bias = network.hidden_bias - network.mean / network.scale @ network.hidden
    return hidden, bias, network.inner, network.inner_bias, network.out, float(network.out_bias[0])


def _odds(network: _Folded, vector: Doubles) -> float:
    hidden, bias, inner, inner_bias, out, out_bias = network
    first = np.maximum(vector @ hidden + bias, 0)
    log_odds = float(np.maximum(first @ inner + inner_bias, 0) @ out) + out_bias
    return math.exp(max(-_MOST_LOG_ODDS, min(_MOST_LOG_ODDS, log_odds)))


def _faded(counts: list[float], lifetimes: float) -> list[float]:
    share = math.exp(-lifetimes)
    return [count * share for count in counts]
