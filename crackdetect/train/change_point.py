"""The most likely moment at which the rate of points changed: where a chorus of popcorn begins (``popcorn``)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import scipy.special

from crackdetect.errors import InputError


class ChangePoint(NamedTuple):
    """A change of rate.

    Attributes
    ----------
    time : float
        Of the change, in the unit of the times.
    before, after : float
        Points a unit of time on either side of it.
    """

    time: float
    before: float
    after: float


def poisson_change_point(times: npt.ArrayLike, start: float, end: float, *, margin: float = 0.02) -> ChangePoint:
    """Maximum-likelihood step change of the rate of points observed from ``start`` to ``end``.

    With ``n`` points of which ``k`` come before ``t``, the log likelihood is, up to a constant, ``k ln(k / (t -
    start)) + (n - k) ln((n - k) / (end - t))``: largest just before or just after a point.

    Parameters
    ----------
    times : array_like, shape (n,)
        Two or more, in any order.
    start, end : float
        The span that was observed, in the unit of the times.
    margin : float
        Share of the span kept free at both ends, where a single point would have any rate.

    Returns
    -------
    ChangePoint

    Raises
    ------
    InputError
        If there is nothing to choose from.
    """
    points = np.sort(np.asarray(times, dtype=np.float64))
    if points.ndim != 1 or len(points) < 2 or not (points[0] >= start and points[-1] <= end):
        raise InputError(f"a change point needs two or more times between {start:g} and {end:g}; check the span")
    n, keep = len(points), margin * (end - start)
    change = np.concatenate([points, points])
    before = np.concatenate([np.arange(n), np.arange(1, n + 1)])  # just before the point, just after it
    inside = (change - start > keep) & (end - change > keep)
    if not inside.any():
        raise InputError("all times lie at the ends of the span; a change point needs some in between")
    change, before = change[inside], before[inside]
    left, right = change - start, end - change
    likelihood = scipy.special.xlogy(before, before / left) + scipy.special.xlogy(n - before, (n - before) / right)
    best = int(likelihood.argmax())
    return ChangePoint(float(change[best]), float(before[best] / left[best]), float((n - before[best]) / right[best]))
