"""The figures as CSV (RFC 4180): of claim, episodes, plan and sessions, one row a number."""

import csv
import io

from whichhop.model.dossier import Dossier
from whichhop.report.words import utc

HEAD = ("part", "of", "name", "value", "low", "high", "unit", "count")

Row = tuple[str, str, str, object, object, object, str, object]


def _rows(dossier: Dossier) -> list[Row]:
    out: list[Row] = []
    if dossier.claim is not None:
        claim = dossier.claim
        out.append(("claim", claim.where, "made", int(claim.made), "", "", "flag", ""))
        out.append(("claim", claim.where, "probability", claim.probability, "", "", "ratio", ""))
        for f in claim.figures:
            out.append(("claim", claim.where, f.name, f.value, f.low, f.high, f.unit, f.count))
    for h in dossier.episodes:
        end = utc(h.end_ns) if h.end_ns is not None else "ongoing"
        of = f"{utc(h.start_ns)} to {end}: {h.where}"
        out.append(("episode", of, "loss", h.loss_ratio, "", "", "ratio", ""))
        out.append(("episode", of, "added", h.added_p50_s, "", "", "s", ""))
        out.append(("episode", of, "probability", h.probability, "", "", "ratio", ""))
    for p in dossier.plan:
        out.append(("plan", p.way, "median-rate", p.median_bps, "", "", "bit/s", p.tests))
        out.append(("plan", p.way, "plan-rate", p.plan_bps, "", "", "bit/s", ""))
        share = p.reached / p.tests if p.tests else None
        out.append(("plan", p.way, "reached", share, p.low, p.high, "ratio", p.tests))
    for r in dossier.sessions:
        out.append(("session", r.session, "episodes-lost", r.lost, "", "", "packets", r.sent))
        out.append(("session", r.session, "episodes-median", r.median_s, "", "", "s", r.sent))
        out.append(("session", r.session, "quiet-lost", r.quiet_lost, "", "", "packets", r.quiet_sent))
        out.append(("session", r.session, "quiet-median", r.quiet_s, "", "", "s", r.quiet_sent))
        out.append(("session", r.session, "set-aside", r.aside, "", "", "packets", r.samples))
    return out


FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""What a spreadsheet takes for the beginning of a formula in a cell of text (common practice)."""


def _safe(cell: object) -> object:
    """Text that a spreadsheet would run is shown with an apostrophe before it; numbers stay numbers."""
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(FORMULA) else cell


def figures_csv(dossier: Dossier) -> str:
    """All figures, unrounded; an empty cell is a value that is not known."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(HEAD)
    writer.writerows([_safe(cell) for cell in row] for row in _rows(dossier))
    return out.getvalue()
