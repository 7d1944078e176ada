"""Series for the report's plots: a few sessions of the clearest vantage point, binned for paper."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from whichhop.claim.span import JudgedSpan
from whichhop.model import LinkKind, Medium, Method, Session, SessionKey, Verdict
from whichhop.model.dossier import Chart, ChartLine

MOST_BINS = 360
MOST_LINES = 4
ZOOM_FROM = 2
"""A closer look is added when the span is this many times the episode with its surroundings."""
DIGITS = 6


def _radio(session: Session) -> int:
    return sum(
        link.kind is LinkKind.WIRELESS
        or (link.kind is LinkKind.BACKHAUL and link.medium is not Medium.ETHERNET)
        for link in session.path.links
    )


def _clarity(session: Session) -> tuple[int, int, SessionKey]:
    """Least radio first, then the longest way, which shows most of the home beside the suspect."""
    return _radio(session), -len(session.path.links), session.key


def picked(span: JudgedSpan, crossing: Sequence[int]) -> list[int]:
    """Sessions to show: one vantage point's way out, step by step, the vantage with the least radio first."""
    over = list(crossing) or list(range(len(span.sessions)))
    best = min(over, key=lambda i: _clarity(span.sessions[i]))
    agent = span.sessions[best].key.agent
    way = {*span.home.way_out(agent), *span.home.peers}
    own = [
        i
        for i, s in enumerate(span.sessions)
        if s.key.agent == agent and s.key.target in way and s.key.method is not Method.LOOKUP
    ]
    own.sort(key=lambda i: (len(span.sessions[i].path.links), span.sessions[i].key))
    # Both ends of the way tell most: the nearest box, and all that lies past the suspect.
    return own if len(own) <= MOST_LINES else [own[0], *own[-(MOST_LINES - 1) :]]


def _folded(values: NDArray[np.floating], factor: int, *, highest: bool) -> tuple[float | None, ...]:
    pad = -len(values) % factor
    rows = np.pad(values.astype(np.float64), (0, pad), constant_values=np.nan).reshape(-1, factor)
    there = np.isfinite(rows).any(axis=1)
    out = np.full(len(rows), np.nan)
    if there.any():
        out[there] = np.nanmax(rows[there], axis=1) if highest else np.nanmedian(rows[there], axis=1)
    return tuple(None if np.isnan(v) else round(float(v), DIGITS) for v in out)


def _ratio(lost: NDArray[np.int64], sent: NDArray[np.int64], factor: int) -> tuple[float | None, ...]:
    starts = np.arange(0, len(sent), factor)
    n, k = np.add.reduceat(sent, starts), np.add.reduceat(lost, starts)
    return tuple(round(int(b) / int(a), DIGITS) if a else None for a, b in zip(n, k, strict=True))


def _chart(
    span: JudgedSpan,
    *,
    title: str,
    cut: slice,
    chosen: Sequence[int],
    crossing: Sequence[int],
    about: Sequence[Verdict],
) -> Chart:
    table = span.table.span(cut.start, cut.stop)
    speaks = span.speaks[cut]
    factor = max(1, -(-table.ticks // MOST_BINS))
    lines = []
    for i in chosen:
        session = span.sessions[i]
        median = np.where(speaks[:, i], table.q50_s[:, i], np.nan)
        lines.append(
            ChartLine(
                session=str(session.key),
                label=f"{session.key.agent} to {session.key.target}",
                crosses=i in crossing,
                middle_s=_folded(median, factor, highest=False),
                peak_s=_folded(median, factor, highest=True),
                loss=_ratio(
                    np.where(speaks[:, i], table.lost[:, i], 0).astype(np.int64),
                    np.where(speaks[:, i], table.sent[:, i], 0).astype(np.int64),
                    factor,
                ),
            )
        )
    shaded = []
    for v in span.verdicts:
        episode = span.span_of(v)
        first, end = max(episode.start, cut.start), min(episode.stop, cut.stop)
        if first < end:
            shaded.append((span.table.at_ns(first), span.table.at_ns(end), v in about))
    return Chart(
        title=title,
        start_ns=table.start_ns,
        step_ns=table.step_ns * factor,
        lines=tuple(lines),
        use=_folded(span.use[cut], factor, highest=True),
        shaded=tuple(shaded),
    )


def charts_of(span: JudgedSpan, crossing: Sequence[int], about: Sequence[Verdict]) -> tuple[Chart, ...]:
    """The whole span, and where that is long, a closer look at the longest episode the report is about."""
    chosen = picked(span, crossing)
    ticks = span.table.ticks
    out = [
        _chart(
            span, title="The whole span", cut=slice(0, ticks), chosen=chosen, crossing=crossing, about=about
        )
    ]
    if about:
        episode = span.span_of(about[0])
        around = max(30, episode.stop - episode.start)
        near = slice(max(0, episode.start - around), min(ticks, episode.stop + around))
        if ticks >= ZOOM_FROM * (near.stop - near.start):
            out.append(
                _chart(
                    span,
                    title="A closer look at the longest episode",
                    cut=near,
                    chosen=chosen,
                    crossing=crossing,
                    about=about,
                )
            )
    return tuple(out)
