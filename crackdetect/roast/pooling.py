"""Partial pooling: measurements of groups that are alike, but not the same."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from crackdetect.blocks import Doubles


class Pooled(NamedTuple):
    """Posterior means and standard deviations of what was measured in each of n groups, and last in a further one.

    Attributes
    ----------
    means, sds : float64, shape (n + 1,)
    """

    means: Doubles
    sds: Doubles


def partly_pooled(
    means: Doubles, errors: Doubles, *, between: Doubles, centre: tuple[float, float] | None = None
) -> Pooled:
    """Each group's true value, theta ~ N(mu, tau**2), from a measurement of it, y ~ N(theta, error**2).

    The normal hierarchical model with mu integrated out and tau averaged over (Gelman et al., Bayesian Data Analysis,
    section 5.4, from memory). A group of which little is known is drawn towards the others, the more the more alike
    they are.

    Parameters
    ----------
    means, errors : float64, shape (n,)
        Measurements and their standard deviations, above 0.
    between : float64, shape (m,)
        Values that tau may have, 0 and more, beforehand equally probable.
    centre : (float, float), optional
        What is known of mu beforehand, mean and standard deviation; by default nothing, then n must be 1 or more.
    """
    at, sure = (0.0, 0.0) if centre is None else (centre[0], 1 / centre[1] ** 2)
    tau2, var = between[:, None] ** 2, errors[None, :] ** 2
    weights = 1 / (var + tau2)  # (m, n)
    spread2 = 1 / (weights.sum(axis=1) + sure)  # of mu, for each tau
    mu = (weights @ means + sure * at) * spread2
    misfit = (weights * (means - mu[:, None]) ** 2).sum(axis=1) + sure * (mu - at) ** 2
    log_probability = (np.log(spread2) + np.log(weights).sum(axis=1) - misfit) / 2
    probability = np.exp(log_probability - log_probability.max())
    probability /= probability.sum()
    own = tau2 / (tau2 + var)
    theta = np.column_stack([own * means + (1 - own) * mu[:, None], mu])
    theta_var = np.column_stack([own * var + (1 - own) ** 2 * spread2[:, None], between**2 + spread2])
    mean = probability @ theta
    return Pooled(mean, np.sqrt(probability @ (theta_var + (theta - mean) ** 2)))
