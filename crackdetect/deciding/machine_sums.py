"""What the roasts of one machine have shown, as sums: what they say of the next roast on it.

Counts, sums and sums of products of its candidates, of what it utters by itself and of its cracks, each weighed by how
surely it is known. Such sums are all that a sample tells of a normal distribution (sufficient statistics: Fisher, Phil.
Trans. A 222, 309, 1922), so a roast is added by adding numbers and taken out by subtracting them.

:func:`taught` makes of them a model that need not learn this machine from nothing:

- the average machine is one of PRIOR average candidates and this machine's own, at most _MOST_OWN of them;
- the mean of all cracks and that of each kind are drawn towards this machine's own cracks, of which at most
  _MOST_CRACKS count, for after many roasts all kinds would be one;
- beside the networks' answer stands what the point z of a candidate says by itself, limited to MOST_CORRECTION nats,

      _SHARE * (g(z; this machine, its cracks) - g(z; average machine, average cracks)) - _TOO_SURE * own,

  g being Fisher's discriminant of :mod:`deciding.adaptation` with its constant, a log likelihood ratio of two normal
  distributions of one covariance, and own the share of this machine in the average one. A discriminant is surer on what
  it was made of than on the next roast, hence the last term.

_SHARE and _TOO_SURE were chosen on machines of the wide family (``DECISIONS.md``), the other numbers beforehand.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from crackdetect.blocks import Doubles
from crackdetect.deciding.adaptation import LEAST_SD, PRIOR, AdaptationModel, within_classes
from crackdetect.deciding.own_machine import OwnMachineModel
from crackdetect.hearing import features

#: Candidates of this machine that count beside an average one, at most.
_MOST_OWN = 3_000.0
#: Cracks of this machine that count, at most.
_MOST_CRACKS = 300.0
#: Of this machine's cracks so many weigh as much as what is known of all cracks, and as what is known of each kind.
_CRACKS, _CRACKS_OF_A_KIND = 30.0, 90.0
_SHARE, _TOO_SURE = 0.3, 0.5


@dataclass(frozen=True, slots=True, eq=False)
class MachineSums:
    """Sums over candidates, each times its weight. d numbers make a point (:mod:`deciding.adaptation`).

    Attributes
    ----------
    machine, cracks : float
        Weights of what is the machine's own, and of its cracks.
    features, squares : float64, shape (features.COUNT,)
        Of the machine's own: their features, and the squares of these.
    points : float64, shape (d,)
    products : float64, shape (d, d)
        Of their points, and the products of these.
    crack_points : float64, shape (d,)
    """

    machine: float
    cracks: float
    features: Doubles
    squares: Doubles
    points: Doubles
    products: Doubles
    crack_points: Doubles

    @classmethod
    def none(cls, d: int) -> MachineSums:
        """Of no candidate."""
        x = np.zeros(features.COUNT)
        return cls(0.0, 0.0, x, x, np.zeros(d), np.zeros((d, d)), np.zeros(d))

    @classmethod
    def of(cls, vectors: Doubles, points: Doubles, *, machine: Doubles, cracks: Doubles) -> MachineSums:
        """Of n candidates.

        Parameters
        ----------
        vectors : float64, shape (n, features.COUNT)
        points : float64, shape (n, d)
        machine, cracks : float64, shape (n,)
            How much each counts as the machine's own, and as a crack, 0 to 1.
        """
        return cls(
            float(machine.sum()),
            float(cracks.sum()),
            machine @ vectors,
            machine @ (vectors * vectors),
            machine @ points,
            (points * machine[:, None]).T @ points,
            cracks @ points,
        )

    def __add__(self, other: MachineSums) -> MachineSums:
        return MachineSums(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))

    def __sub__(self, other: MachineSums) -> MachineSums:
        return self + -1.0 * other

    def is_near(self, other: MachineSums) -> bool:
        """Whether both are the same to the rounding of a file."""
        return all(
            np.allclose(getattr(self, f.name), getattr(other, f.name), rtol=1e-4, atol=1e-3) for f in fields(self)
        )

    def __rmul__(self, weight: float) -> MachineSums:
        return MachineSums(*(weight * getattr(self, f.name) for f in fields(self)))


def taught(model: OwnMachineModel, sums: MachineSums) -> OwnMachineModel:
    """The model that knows the machine of these sums, made with ``model``; that itself where they are of nothing."""
    if sums.machine == sums.cracks == 0:
        return model
    m = model.adaptation
    own = min(1.0, _MOST_OWN / max(sums.machine, 1e-9))
    whole = own * sums.machine + PRIOR
    mean = (own * sums.features + PRIOR * m.mean) / whole
    variance = (own * sums.squares + PRIOR * (m.sd * m.sd + m.mean * m.mean)) / whole - mean * mean
    machine = (own * sums.points + PRIOR * m.machine_mean) / whole
    products = own * sums.products + PRIOR * (m.machine_cov + np.outer(m.machine_mean, m.machine_mean))
    kinds = [_drawn(m.crack_means[0], sums, _CRACKS), *(_drawn(c, sums, _CRACKS_OF_A_KIND) for c in m.crack_means[1:])]
    known = AdaptationModel(
        mean,
        np.sqrt(np.maximum(variance, (LEAST_SD * m.sd) ** 2)),
        machine,
        products / whole - np.outer(machine, machine),
        np.array(kinds),
        m.crack_cov,
    )
    correction = _SHARE * (_discriminant(known) - _discriminant(m))
    correction[-1] -= _TOO_SURE * own * sums.machine / whole
    return replace(model, adaptation=known, correction=correction)


def _drawn(mean: Doubles, sums: MachineSums, worth: float) -> Doubles:
    """The mean of a kind of crack and this machine's, as if ``worth`` cracks of the kind had been heard."""
    share = min(1.0, _MOST_CRACKS / max(sums.cracks, 1e-9))
    drawn: Doubles = (share * sums.crack_points + worth * mean) / (share * sums.cracks + worth)
    return drawn


def _discriminant(m: AdaptationModel) -> Doubles:
    """Weights of a point and, last, the constant, of the log likelihood ratio of a crack: float64 (d + 1,)."""
    crack = m.crack_means[0]
    direction = np.linalg.solve(within_classes(m.machine_cov, m.crack_cov), crack - m.machine_mean)
    return np.append(direction, -direction @ (crack + m.machine_mean) / 2)
