"""What was decided so far, seen against what this very machine utters by itself.

The context classifier and the hidden Markov model know machines like those that they were taught on. On a stranger they
are nearly deaf: the boundary between its clatter and its cracks lies elsewhere. So three more small networks learn
from what the machine has uttered since listening began, while nothing spoke for first crack:

- ``relative`` sees a candidate's features relative to the machine (:mod:`deciding.adaptation`) and answers with the log
  odds of a crack;
- ``crack`` sees (:func:`crack_names`) what the classifier, the context classifier and ``relative`` say of it, how far
  it lies from the machine on the side of the cracks, as shipped and as they were likely in this roast, and how rare
  each of these is among the machine's own (:mod:`deciding.ranks`); its answer is the log odds of a crack on this
  machine;
- ``begun`` sees how many likely cracks came of late (:mod:`deciding.begun`) and answers with the log odds that first
  crack has begun, shifted so that the usual threshold is that of the hidden Markov model.

All are taught on whole roasts and kitchens on machines of many families (``train/own_machine.py``). What the machine
utters is learnt while the hidden Markov model sees no first crack; what comes while it does is withheld, and learnt
only if the person says that it was none. In the first minute nobody knows a machine: until then the answers are not
asked for.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from crackdetect.blocks import Doubles, Floats
from crackdetect.deciding import begun
from crackdetect.deciding.adaptation import REFIT_S, Adaptation, AdaptationModel
from crackdetect.deciding.ranks import LAGS_S, SORT_EVERY_S, OwnRanks
from crackdetect.errors import ModelError
from crackdetect.hearing import features
from crackdetect.hearing.classifier import Sound
from crackdetect.hearing.network import Network

#: Values of a candidate that are ranked.
_RANKED = ("crack_llr", "in context", "relative", "sds", "most sds", "strength", "sds towards likely")
#: No candidate's log odds are larger, either way, nats.
MOST_LOG_ODDS = 8.0
#: What roasts of this machine add is limited to this, either way, nats.
MOST_CORRECTION = 4.0
#: After so long the machine is known: it must not tell how old the roast is, seconds.
_KNOWN_S = 180.0
#: So long nothing is said of a machine: what was decided without knowing it stands, quiet seconds.
KNOWN_FROM_S = 60.0
#: What may be the chorus is withheld so long, seconds.
_WITHHELD_S = 205.0
#: Of what is no crack only half teaches ``relative`` where it is doubtful and an eighth elsewhere, so that its log odds
#: are too large; this is taken off, nats (chosen).
_RELATIVE_EXCESS = 2.1
_ADVICE = "fetch or train the model again"


def crack_names(kinds: int) -> tuple[str, ...]:
    """Of the numbers that the network ``crack`` sees. kinds: of crack, in an :class:`AdaptationModel`."""
    said = ("crack_llr", "in context", "relative", "strength", "second_vs_first_llr", "sds")
    towards = (*(f"sds towards {kind}" for kind in range(1, kinds + 1)), "sds towards likely", "likely ones")
    ranks = (f"rank of {name}, lag {lag:.0f} s" for lag in LAGS_S for name in _RANKED)
    return (*said, *towards, *ranks, "known")


@dataclass(frozen=True, slots=True, eq=False)
class OwnMachineModel:
    """What is needed to learn a machine.

    Attributes
    ----------
    adaptation : AdaptationModel
    relative : Network, float32
    crack, begun : Network, float64
        See above; each answers one number.
    cracks_per_second : float
        That ``crack`` was taught among, above 0, below 100.
    counted, counted_cv : float
        See :class:`deciding.context.ContextModel`; of the probabilities on this machine.
    correction : float64, shape (d + 1,), optional
        What roasts of this machine add to the answer of ``crack``: weights of a candidate's point, and a constant; see
        :mod:`deciding.machine_sums`.

    Raises
    ------
    ModelError
        Where a network does not see these numbers, or a number is out of range.
    """

    adaptation: AdaptationModel
    relative: Network
    crack: Network
    begun: Network
    cracks_per_second: float
    counted: float = 0.9
    counted_cv: float = 0.2
    correction: Doubles | None = None

    def __post_init__(self) -> None:
        wanted = features.COUNT, len(crack_names(len(self.adaptation.crack_means) - 1)), begun.COUNT
        networks = self.relative, self.crack, self.begun
        if tuple(n.inputs for n in networks) != wanted or any(n.outputs != 1 for n in networks):
            raise ModelError(f"a network of the machine at hand does not fit this version; {_ADVICE}")
        if not 0 < self.cracks_per_second < 100:
            raise ModelError(f"a network of the machine at hand was taught among no cracks; {_ADVICE}")
        if not (0.2 <= self.counted <= 5 and 0 <= self.counted_cv <= 1):
            raise ModelError(f"a network of the machine at hand counts cracks as none does; {_ADVICE}")
        if self.correction is not None and self.correction.shape != (len(self.adaptation.machine_mean) + 1,):
            raise ModelError("what is known of this machine does not fit the model; teach it again")


class AskedCandidate(NamedTuple):
    """A candidate and what was said of it so far.

    Attributes
    ----------
    time : float
        Seconds.
    crack_llr, second_vs_first_llr, strength : float
        As the context classifier was told, nats.
    sound : Sound
        What the classifier saw.
    probability : float
        That the context classifier answered, 0 to 1.
    """

    time: float
    crack_llr: float
    second_vs_first_llr: float
    strength: float
    sound: Sound
    probability: float


class _Waiting(NamedTuple):
    """A candidate of a tick that is not over, or that is withheld. log_odds: in context, on this machine."""

    time: float
    vector: Floats
    point: Doubles
    ranked: tuple[float, ...]
    log_odds: tuple[float, float]


class OwnMachine:
    """Candidates and ticks in, in their order; the log odds of a crack and of first crack out."""

    def __init__(self, model: OwnMachineModel) -> None:
        self.model = model
        self._adaptation = Adaptation(model.adaptation)
        self._ranks = OwnRanks(len(_RANKED))
        self._begun = begun.BegunNumbers()
        self.reset()

    def reset(self) -> None:
        """As new."""
        for part in (self._adaptation, self._ranks, self._begun):
            part.reset()
        self._quiet_s = 0.0
        self._open: list[_Waiting] = []  # of the tick that is not over
        self._withheld: deque[_Waiting] = deque()
        #: What the networks saw last, for training.
        self.relative_vector: Floats = np.zeros(0, np.float32)
        self.crack_numbers: Doubles = np.zeros(0)
        self.begun_numbers: Doubles = np.zeros(0)
        #: ln of the odds that first crack has begun
        self.log_odds = -MOST_LOG_ODDS

    @property
    def known(self) -> bool:
        """Whether the machine has been heard long enough for its answers to count."""
        return self._quiet_s >= KNOWN_FROM_S

    def listen_anew(self) -> None:
        """First crack has not begun: what was withheld is this machine, and what is known of it stays."""
        for one in self._withheld:
            self._learn(one, self._quiet_s)
        self._withheld.clear()
        self._adaptation.forget_likely()
        self._adaptation.aim()
        self._begun.listen_anew()
        self.log_odds = -MOST_LOG_ODDS

    def push(self, candidates: Sequence[AskedCandidate]) -> list[float]:
        """Candidates of one tick, or some of them, in order. Of each the log odds of a crack here, nats."""
        if not candidates:
            return []
        sounds = [one.sound for one in candidates]
        llrs = [one.crack_llr for one in candidates]
        vectors = self._adaptation.relative(np.array([sound.vector for sound in sounds]))
        relatives = self.model.relative.forward(vectors)[:, 0].tolist()
        points = self._adaptation.points(sounds, llrs)
        towards = self._adaptation.sds(points).tolist()
        likely = self._adaptation.likely_sds(points).tolist()
        likely_ones = math.log1p(self._adaptation.likely_count)
        known = math.log1p(min(self._quiet_s, _KNOWN_S) / 10)
        numbers, told = [], []
        for one, relative, sds, here in zip(candidates, relatives, towards, likely, strict=True):
            in_context = log_odds_of(one.probability)
            ranked = (one.crack_llr, in_context, relative, sds[0], max(sds[1:]), one.strength, here)
            strength = math.log1p(max(one.strength, 0.0))
            said = [one.crack_llr, in_context, relative, strength, one.second_vs_first_llr, *sds, here, likely_ones]
            numbers.append([*said, *self._ranks.ranks(ranked), known])
            told.append((ranked, in_context))
        rows = np.array(numbers)
        answers = [limited(answer) for answer in (self.model.crack.forward(rows)[:, 0] + self._added(points)).tolist()]
        for one, point, (ranked, in_context), answer in zip(candidates, points, told, answers, strict=True):
            self._open.append(_Waiting(one.time, one.sound.vector, point, ranked, (in_context, answer)))
        self.relative_vector, self.crack_numbers = vectors[-1], rows[-1]
        return answers

    def _added(self, points: Doubles) -> Doubles | float:
        """What roasts of this machine add for each point, nats."""
        weights = self.model.correction
        if weights is None:
            return 0.0
        added: Doubles = np.clip(points @ weights[:-1] + weights[-1], -MOST_CORRECTION, MOST_CORRECTION)
        return added

    def close_tick(self, end: float, *, observed_s: float, hmm_log_odds: float, quiet: bool) -> float:
        """The candidates of a tick are in.

        Parameters
        ----------
        end
            Of the tick, seconds.
        observed_s
            How much of it was heard, seconds.
        hmm_log_odds
            The hidden Markov model's, nats.
        quiet
            Whether nothing speaks for first crack: what came is the machine's own.

        Returns
        -------
        float
            ln of the odds that first crack has begun, anew at the end of each second.
        """
        self._adaptation.fade(observed_s)
        for one in self._open:
            self._begun.push(one.time, one.log_odds)
            self._adaptation.likely(one.point, _likely(one))
        if quiet:
            start = end - observed_s
            for one in self._open:
                self._learn(one, self._quiet_s + max(0.0, one.time - start))
            self._quiet_s += observed_s
            self._withheld.clear()
        else:
            self._withheld.extend(self._open)
            while self._withheld and self._withheld[0].time < end - _WITHHELD_S:
                self._withheld.popleft()
        self._open = []
        if math.fmod(end, REFIT_S) == 0:
            self._adaptation.learn(self._quiet_s)
        if math.fmod(end, SORT_EVERY_S) == 0:
            self._ranks.sort(self._quiet_s)
        if end == int(end):
            self._adaptation.aim()
            self.begun_numbers = self._begun.of_second(end, quiet_s=self._quiet_s, hmm_log_odds=hmm_log_odds)
            self.log_odds = float(self.model.begun.forward(self.begun_numbers)[0])
        return self.log_odds

    def _learn(self, one: _Waiting, quiet_s: float) -> None:
        self._adaptation.own(quiet_s, one.vector, one.point)
        self._ranks.own(one.time, quiet_s, one.ranked)
        self._begun.own(quiet_s, one.log_odds)


def _likely(one: _Waiting) -> float:
    """How likely it is a crack, by the context and by its features on this machine."""
    _, in_context, relative, *_ = one.ranked
    return 1 / (1 + math.exp(-limited((in_context + relative - _RELATIVE_EXCESS) / 2)))


def limited(log_odds: float) -> float:
    """To what a single candidate may count, nats."""
    return -MOST_LOG_ODDS if log_odds < -MOST_LOG_ODDS else MOST_LOG_ODDS if log_odds > MOST_LOG_ODDS else log_odds


def log_odds_of(probability: float) -> float:
    """Of a probability, limited: ln p / (1 - p)."""
    p = max(1e-6, min(1 - 1e-6, probability))
    return limited(math.log(p / (1 - p)))
