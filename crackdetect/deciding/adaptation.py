"""Learns how this machine sounds while it warms up, so that a candidate is heard against it.

Until first crack, all that a machine utters is, strays apart, not a crack. So its candidates older than LAG_S tell what
is usual on it. A candidate is looked at in two places:

*Its features* x, relative to the machine:

    u = (x - mean) / sd,   |u| <= LIMIT,

so that what room, lid and microphone do to every sound falls out.

*The point* z that the classifier's last hidden layer makes of it, the crack_llr beside. Between this machine's points
and each of a few kinds of crack lies Fisher's linear discriminant (Annals of Eugenics 7, 179, 1936), its covariance
drawn towards a multiple of the unit matrix (after Ledoit and Wolf, J. Multivariate Anal. 88, 365, 2004; the shares are
chosen):

    w = (A + 0.2 tr(A) / d I)^-1 (m_crack - m_machine),   A = 0.6 S_machine + 0.4 S_crack,
    sds = w . (z - m_machine) / sqrt(w . S_machine w),

how many of the machine's own standard deviations the candidate lies on the cracks' side.

How a crack sounds *here* shows once some have come. So one more direction is towards what was likely a crack in this
roast of late: the mean of the points weighted by how likely each is one, with a memory of LIKELY_S heard seconds and an
average crack mixed in as if LIKELY_PRIOR of it had been heard.

An average machine is mixed in as if PRIOR candidates of it had been heard. Time is *quiet* time: seconds that were
heard while nothing spoke for first crack. Learnt anew every REFIT_S on the grid of ticks, with a memory of MEMORY_S.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from crackdetect.blocks import Doubles, Floats
from crackdetect.errors import ModelError
from crackdetect.hearing import features
from crackdetect.hearing.classifier import Sound

#: Quiet seconds before a candidate is taken for the machine's own; between two fits; of memory.
LAG_S, REFIT_S, MEMORY_S = 12.0, 10.0, 600.0
#: Candidates that an average machine is worth.
PRIOR = 300.0
#: Memory of what was likely a crack, heard seconds; cracks that an average one is worth beside; what is less likely is
#: left out (chosen).
LIKELY_S, LIKELY_PRIOR, LEAST_LIKELY = 60.0, 5.0, 0.02
#: Relative features are limited to this, standard deviations; none is steadier than a tenth of what is usual.
LIMIT, LEAST_SD = 12.0, 0.1
_MACHINE_SHARE, _SHRINKAGE = 0.6, 0.2
_MOST_KINDS = 16
_ADVICE = "fetch or train the model again"


@dataclass(frozen=True, slots=True, eq=False)
class AdaptationModel:
    """An average machine, and the cracks of many.

    Attributes
    ----------
    mean, sd : float64, shape (features.COUNT,)
        Of the features of candidates that are no cracks.
    machine_mean : float64, shape (d,)
        Of their points.
    machine_cov : float64, shape (d, d)
    crack_means : float64, shape (1 + kinds, d)
        Of all cracks, then of each kind of crack.
    crack_cov : float64, shape (d, d)

    Raises
    ------
    ModelError
        Where shapes do not meet, or numbers are not those of a covariance.
    """

    mean: Doubles
    sd: Doubles
    machine_mean: Doubles
    machine_cov: Doubles
    crack_means: Doubles
    crack_cov: Doubles

    def __post_init__(self) -> None:
        arrays = (self.mean, self.sd, self.machine_mean, self.machine_cov, self.crack_means, self.crack_cov)
        d, kinds = len(self.machine_mean), len(self.crack_means)
        shapes = [(features.COUNT,), (features.COUNT,), (d,), (d, d), (kinds, d), (d, d)]
        if [array.shape for array in arrays] != shapes or d == 0 or not 2 <= kinds <= _MOST_KINDS:
            raise ModelError(f"the average machine does not fit this version; {_ADVICE}")
        if not all(np.isfinite(array).all() and np.abs(array).max() <= 1e6 for array in arrays):
            raise ModelError(f"the average machine holds numbers that no training gives; {_ADVICE}")
        if not ((self.sd > 0).all() and _is_covariance(self.machine_cov) and _is_covariance(self.crack_cov)):
            raise ModelError(f"the average machine does not vary as any does; {_ADVICE}")


def _is_covariance(matrix: Doubles) -> bool:
    """Whether it is symmetric, varies in some direction and in none by less than nothing, to rounding."""
    if not np.allclose(matrix, matrix.T, rtol=1e-4, atol=1e-6):
        return False
    variances = np.linalg.eigvalsh(matrix)  # ascending
    return bool(variances[-1] > 0 and variances[0] >= -1e-4 * variances[-1])


def within_classes(machine_cov: Doubles, crack_cov: Doubles) -> Doubles:
    """The covariance within both, A + 0.2 tr(A) / d I: float64 (d, d)."""
    within: Doubles = _MACHINE_SHARE * machine_cov + (1 - _MACHINE_SHARE) * crack_cov
    within.flat[:: len(within) + 1] += _SHRINKAGE * np.trace(within) / len(within)
    return within


class Adaptation:
    """Sounds of candidates in, how they stand to the machine out; told of those that are the machine's own."""

    def __init__(self, model: AdaptationModel) -> None:
        self.model = m = model
        self._prior_products = PRIOR * (m.machine_cov + np.outer(m.machine_mean, m.machine_mean))
        self._likely_prior = LIKELY_PRIOR * m.crack_means[0]
        self.reset()

    def reset(self) -> None:
        """As new: an average machine."""
        m = self.model
        self._ripening: deque[tuple[float, Floats, Doubles]] = deque()  # quiet second, features, point
        self._n = 0.0
        self._aimed_at: Doubles | None = None  # a mean whose direction nobody has asked for yet
        self._sum, self._squares = np.zeros_like(m.mean), np.zeros_like(m.mean)
        self._points, self._products = np.zeros_like(m.machine_mean), np.zeros_like(m.machine_cov)
        self.forget_likely()
        self._fit()

    def forget_likely(self) -> None:
        """What was likely a crack was none."""
        #: how many cracks were likely of late
        self.likely_count = 0.0
        self._likely_points = np.zeros_like(self.model.machine_mean)

    @staticmethod
    def points(sounds: Sequence[Sound], crack_llrs: Sequence[float]) -> Doubles:
        """What the classifier made of n candidates: float64 (n, d)."""
        points = np.empty((len(sounds), len(sounds[0].hidden) + 1))
        points[:, :-1] = [sound.hidden for sound in sounds]
        points[:, -1] = crack_llrs
        return points

    def relative(self, vectors: Floats) -> Floats:
        """Features in the machine's own standard deviations. vectors, and what is returned: float32 (..., COUNT)."""
        own = vectors - self._mean
        own /= self._sd
        np.minimum(own, LIMIT, out=own)
        np.maximum(own, -LIMIT, out=own)
        return own

    def sds(self, points: Doubles) -> Doubles:
        """How far points lie from the machine, towards all cracks and towards each kind: float64 (..., 1 + kinds).

        Each row by itself, so that it does not depend on its neighbours, bit for bit. points: float64 (..., d).
        """
        towards: Doubles = (points - self._machine)[..., None, :] @ self._directions
        return towards[..., 0, :]

    def likely_sds(self, points: Doubles) -> Doubles:
        """How far points lie from the machine towards what was likely a crack of late, each by itself: float64 (n,).

        points: float64 (n, d).
        """
        if self._aimed_at is not None:
            self._likely_direction, self._aimed_at = self._directions_to(self._aimed_at[:, None]), None
        towards: Doubles = (points - self._machine)[:, None, :] @ self._likely_direction
        return towards[:, 0, 0]

    def likely(self, point: Doubles, probability: float) -> None:
        """A candidate is a crack as likely as this, 0 to 1."""
        if probability >= LEAST_LIKELY:
            self.likely_count += probability
            self._likely_points = self._likely_points + probability * point

    def fade(self, observed_s: float) -> None:
        """So much more was heard, seconds: what was likely before counts less."""
        kept = math.exp(-observed_s / LIKELY_S)
        self.likely_count *= kept
        self._likely_points = self._likely_points * kept

    def aim(self) -> None:
        """Looks towards what was likely until now; to be called every second."""
        whole = self.likely_count + LIKELY_PRIOR
        # the direction is worked out where a candidate asks for it
        self._aimed_at = (self._likely_points + self._likely_prior) / whole

    def own(self, quiet_s: float, vector: Floats, point: Doubles) -> None:
        """A candidate that came at this quiet second is the machine's; it is learnt when it is LAG_S old."""
        self._ripening.append((quiet_s, vector, point))

    def learn(self, quiet_s: float) -> None:
        """So many quiet seconds have passed; to be called every REFIT_S."""
        ripe = []
        while self._ripening and self._ripening[0][0] < quiet_s - LAG_S:
            ripe.append(self._ripening.popleft())
        if not ripe:
            return
        kept = math.exp(-REFIT_S / MEMORY_S)
        vectors = np.array([vector for _, vector, _ in ripe], np.float64)
        points = np.array([point for *_, point in ripe])
        self._n = kept * self._n + len(ripe)
        self._sum = kept * self._sum + vectors.sum(axis=0)
        self._squares = kept * self._squares + (vectors * vectors).sum(axis=0)
        self._points = kept * self._points + points.sum(axis=0)
        self._products = kept * self._products + points.T @ points
        self._fit()

    def _fit(self) -> None:
        m, whole = self.model, self._n + PRIOR
        mean = (self._sum + PRIOR * m.mean) / whole
        variance = (self._squares + PRIOR * (m.sd * m.sd + m.mean * m.mean)) / whole - mean * mean
        self._mean: Floats = mean.astype(np.float32)
        self._sd: Floats = np.sqrt(np.maximum(variance, (LEAST_SD * m.sd) ** 2)).astype(np.float32)
        machine = (self._points + PRIOR * m.machine_mean) / whole
        spread = (self._products + self._prior_products) / whole - np.outer(machine, machine)
        self._machine, self._spread = machine, spread
        self._unmixing = np.linalg.inv(within_classes(spread, m.crack_cov))
        self._directions = self._directions_to(m.crack_means.T)
        self.aim()

    def _directions_to(self, means: Doubles) -> Doubles:
        """Discriminants between the machine and each mean, one standard deviation of its own long: float64 (d, k)."""
        directions = self._unmixing @ (means - self._machine[:, None])
        variances = ((self._spread @ directions) * directions).sum(axis=0)
        aimed: Doubles = directions / np.sqrt(np.maximum(variances, 1e-12))
        return aimed
