"""The figures of a claim with their intervals, counted from the table for the claim's own ticks."""

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from whichhop.claim.span import Floats, JudgedSpan, Mask
from whichhop.compare.windows.reporting import LATENESS
from whichhop.model.dossier import Figure
from whichhop.stats.difference import clustered
from whichhop.stats.interval import binomial_quantile

_LOSS = (
    "packets lost of packets sent; Wilson's 95 % interval (Wilson 1927), the counts divided by the design"
    " effect of losses that come together in one ten-second tick (Kish 1965); where others are heard, without"
    " sessions over another fault while it lasted, and without sessions that were never answered"
)
_ADDED = (
    "per ten-second tick the median over the sessions of (median round trip less the session's own quiet"
    " median, or what is usual for such links where it has none); then the median over ticks, its 95 %"
    " interval by order statistics (binomial); where others are heard, without sessions over another fault"
    " while it lasted"
)


def answered_of(span: JudgedSpan, columns: Sequence[int]) -> list[int]:
    """Those of the sessions that were answered at all in the span, or all where none was.

    A target that never answers anybody, or a guest network that keeps its devices apart, loses all of each
    session from the first packet on: no share of that is the fault's.
    """
    table = span.table
    told = [i for i in columns if (span.speaks[:, i] & (table.sent[:, i] > table.lost[:, i])).any()]
    return told or list(columns)


def column_loss(
    span: JudgedSpan, ticks: Mask, columns: Sequence[int]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Per tick, packets sent and lost by these sessions where they may be heard."""
    heard = span.speaks[ticks][:, columns]
    sent = np.where(heard, span.table.sent[ticks][:, columns], 0).sum(axis=1, dtype=np.int64)
    lost = np.where(heard, span.table.lost[ticks][:, columns], 0).sum(axis=1, dtype=np.int64)
    return sent, lost


def loss_figure(name: str, words: str, sent: NDArray[np.int64], lost: NDArray[np.int64]) -> Figure:
    """A loss ratio with its interval; everything unknown when nothing was sent."""
    total, gone = int(sent.sum()), int(lost.sum())
    if not total:
        return Figure(name=name, words=words, unit="ratio", value=None, how=_LOSS)
    # Losses come in bursts and in several sessions at once: a tick is a cluster.
    between = clustered(lost.tolist(), sent.tolist())
    return Figure(
        name=name,
        words=words,
        unit="ratio",
        value=gone / total,
        low=between.low,
        high=between.high,
        count=total,
        how=_LOSS,
    )


def quiet_medians(span: JudgedSpan, usual: Mapping[str, float] = MappingProxyType({})) -> Floats:
    """Per session the median of its ticks' medians outside every episode, s; NaN where there is none.

    usual: by session, what counts where there is none.
    """
    if "quiet" not in span.worked_out:
        span.worked_out["quiet"] = medians(
            np.where(span.speaks & span.quiet[:, None], span.table.q50_s, np.nan)
        )
    found = span.worked_out["quiet"]
    instead = np.array([usual.get(str(s.key), np.nan) for s in span.sessions], dtype=np.float64)
    return np.where(np.isfinite(found), found, instead)


def medians(values: NDArray[np.floating]) -> Floats:
    """The median of each column's known values; NaN where there is none."""
    out = np.full(values.shape[1], np.nan)
    there = np.isfinite(values).any(axis=0)
    if there.any():
        out[there] = np.nanmedian(values[:, there], axis=0)
    return out


def added(span: JudgedSpan, quiet: Floats, ticks: Mask, columns: Sequence[int]) -> Floats:
    """What the sessions' round trips had on top of their quiet medians, one value per tick, s."""
    heard = span.speaks[ticks][:, columns]
    over = np.where(heard, span.table.q50_s[ticks][:, columns], np.nan) - quiet[list(columns)]
    there = np.isfinite(over).any(axis=1)
    return np.asarray(np.nanmedian(over[there], axis=1), dtype=np.float64) if there.any() else np.empty(0)


def median_interval(values: Floats) -> tuple[float, float] | None:
    """The 95 % interval of a median by order statistics (Hahn and Meeker 1991, 5.2); None under six."""
    n = len(values)
    place = binomial_quantile(0.025, n, 0.5) if n else 0
    if place < 1:
        return None
    ordered = np.sort(values)
    return float(ordered[place - 1]), float(ordered[n - place])


def added_figure(name: str, words: str, values: Floats) -> Figure:
    """A median of added delay with its interval."""
    between = median_interval(values)
    return Figure(
        name=name,
        words=words,
        unit="s",
        value=float(np.median(values)) if len(values) else None,
        low=between[0] if between else None,
        high=between[1] if between else None,
        count=len(values),
        how=_ADDED,
    )


def _lateness(span: JudgedSpan, ticks: Mask) -> Figure:
    values = []
    for r in span.readings:
        tick = (r.at_ns - span.table.start_ns) // span.table.step_ns
        if r.name == LATENESS and 0 <= tick < span.table.ticks and ticks[tick]:
            values.append(r.value)
    return Figure(
        name="host-lateness",
        words="the measuring computers' own lateness at the same moments, at most",
        unit="s",
        value=max(values, default=None),
        count=len(values),
        how="largest reading of the agents' event loops in the episodes; above 50 ms a tick is not judged",
    )


def figures_of(
    span: JudgedSpan,
    ticks: Mask,
    crossing: Sequence[int],
    beside: Sequence[int],
    usual: Mapping[str, float] = MappingProxyType({}),
    *,
    included: tuple[str, str] = ("", ""),
) -> tuple[Figure, ...]:
    """Every figure of a claim. crossing: sessions over the culprit; beside: those that show the rest. usual:
    what the first are held against where they have no quiet time. included: of both groups, in words, what
    other fault's share is in their figures; empty for none."""
    of_line, of_rest = included
    quiet = quiet_medians(span, usual)
    over = added(span, quiet, ticks, crossing)
    use = span.use[ticks]
    known = use[np.isfinite(use)]
    return (
        Figure(
            name="duration",
            words="time in the claim's episodes",
            unit="s",
            value=float(ticks.sum()) * span.table.step_ns * 1e-9,
            count=int(ticks.sum()),
            how="ten-second ticks",
        ),
        loss_figure(
            "line-loss", f"packet loss over the link at fault{of_line}", *column_loss(span, ticks, crossing)
        ),
        loss_figure(
            "quiet-loss",
            "packet loss over the link at fault outside all episodes",
            *column_loss(span, span.quiet, crossing),
        ),
        loss_figure(
            "beside-loss", f"lost beside it at the same moments{of_rest}", *column_loss(span, ticks, beside)
        ),
        added_figure("line-added", f"added to the usual round trip over the link at fault{of_line}", over),
        Figure(
            name="line-worst",
            words=f"added in the worst 5 % of the ten-second ticks{of_line}",
            unit="s",
            value=float(np.quantile(over, 0.95)) if len(over) else None,
            count=len(over),
            how="95 % quantile over ticks of the same values (type 7 of Hyndman and Fan 1996)",
        ),
        added_figure(
            "beside-added",
            f"added beside it at the same moments{of_rest}",
            added(span, quiet, ticks, beside) if beside else np.empty(0),
        ),
        Figure(
            name="own-use",
            words="the home's own use of its plan at the same moments, at the 90th percentile",
            unit="ratio",
            value=float(np.quantile(known, 0.9)) if known.size else None,
            count=int(known.size),
            how="byte counters at the router, the fuller direction; 90 % quantile over ticks",
        ),
        _lateness(span, ticks),
    )
