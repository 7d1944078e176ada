"""What a path usually does, beyond the packets of one span: means over days or hours, with their own
interval."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import special

from whichhop.model.units import NS_PER_S
from whichhop.stats.delay import DelayArrays
from whichhop.stats.measure import Measure, Row, known
from whichhop.stats.quantile import Floats

HOUR_NS, DAY_HOURS = 3600 * NS_PER_S, 24
LEAST_DAYS = 4
"""Three differences between days; fewer give intervals that nobody can use."""
BATCHES, LEAST_HOURS = 6, 12
"""Within fewer days hours are joined in six batches, long enough that one says little of the next (Schmeiser
1982: ten to thirty batches are as good as many more; six leaves two hours in each of twelve)."""
LEAST_PACKETS = 30
"""In an hour, for its median to stand for it: our own choice."""
WHY = "needs 12 hours with packets: hours differ by more than packets can tell"


def batch_means(values: Floats, groups: NDArray[np.float64 | np.int64]) -> tuple[float, float, float]:
    """The mean of groups' means and its 95 % interval by Student's t (method of batch means, Conway 1963)."""
    means = np.array([values[groups == g].mean() for g in np.unique(groups)])
    middle = float(means.mean())
    half = float(special.stdtrit(len(means) - 1, 0.975) * means.std(ddof=1) / np.sqrt(len(means)))
    return middle, middle - half, middle + half


def of_path(arrays: DelayArrays) -> Iterator[Measure]:
    """The median round trip and the loss of the path's hours: what it usually does, not what a span saw.

    Days are groups where there are four (of UTC), else batches of neighbouring hours; hours that are alike
    within a group then count once.
    """
    hour = arrays.sent_ns // HOUR_NS
    trips = arrays.round_trip_ns
    numbers, count = np.unique(hour, return_counts=True)
    numbers = numbers[count >= LEAST_PACKETS]
    days = numbers // DAY_HOURS
    whole_days = len(np.unique(days)) >= LEAST_DAYS
    batches = np.arange(len(numbers)) * BATCHES // max(1, len(numbers))
    groups = np.asarray(days if whole_days else batches, dtype=np.int64)
    what = f"{len(np.unique(groups))} {'days of UTC' if whole_days else 'batches of hours'}"
    row = Row(
        group="the path, beyond this span",
        name="path-round-trip-50",
        words="median of an hour",
        definition="batch means (Conway 1963), Student's t",
        how=f"mean over {what}, each the mean of its hours",
    )
    loss = Row(
        group=row.group,
        name="path-loss",
        words="loss of an hour",
        definition=row.definition,
        how=row.how,
    )
    places = [np.flatnonzero(hour == n) for n in numbers]
    medians = np.array([np.median(trips[p]) for p in places]) / NS_PER_S
    losses = np.array([np.isinf(trips[p]).mean() for p in places])
    for which, values, unit, low_end in ((row, medians, "s", 0.0), (loss, losses, "ratio", 0.0)):
        enough = len(numbers) >= LEAST_HOURS and bool(np.isfinite(values).all())
        middle, low, high = batch_means(values, groups) if enough else (np.nan, np.nan, np.nan)
        yield which.figure(
            unit,
            known(middle),
            count=int(count.sum()),
            ends=(known(max(low, low_end)), known(high)),
            interval=f"95 %, of the path ({what})" if enough else "",
            otherwise=WHY,
        )
