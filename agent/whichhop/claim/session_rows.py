"""The report's table of sessions: what each sent and saw in the claim's episodes and outside all of them."""

from collections.abc import Mapping, Sequence

import numpy as np

from whichhop.claim.figures import medians, quiet_medians
from whichhop.claim.span import JudgedSpan, Mask
from whichhop.compare.windows.tally import Tally
from whichhop.model import SessionKey
from whichhop.model.dossier import SessionRow


def _or_none(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def session_rows(
    span: JudgedSpan, ticks: Mask, crossing: Sequence[int], tallies: Mapping[SessionKey, Tally]
) -> tuple[SessionRow, ...]:
    """One row a session, in the span's order. tallies: of the same span, by the span's own keys."""
    quiet = quiet_medians(span)
    during = medians(np.where(span.speaks & ticks[:, None], span.table.q50_s, np.nan))
    heard, calm = span.speaks & ticks[:, None], span.speaks & span.quiet[:, None]
    sent, lost = span.table.sent, span.table.lost
    out = []
    for i, session in enumerate(span.sessions):
        tally = tallies[session.key]
        out.append(
            SessionRow(
                session=str(session.key),
                path=session.path.nodes,
                crosses=i in crossing,
                method=session.key.method,
                samples=tally.samples,
                aside=tally.aside,
                duplicates=tally.duplicates,
                reordered=tally.reordered,
                sent=int(sent[heard[:, i], i].sum()),
                lost=int(lost[heard[:, i], i].sum()),
                median_s=_or_none(during[i]),
                quiet_sent=int(sent[calm[:, i], i].sum()),
                quiet_lost=int(lost[calm[:, i], i].sum()),
                quiet_s=_or_none(quiet[i]),
                stamps=tally.stamps,
                clock_error_ns=tally.clock_error_ns,
                digest=tally.digest,
            )
        )
    return tuple(out)
