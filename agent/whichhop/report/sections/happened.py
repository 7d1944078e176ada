"""When it happened: every episode of the span with its figures, and the whole span drawn."""

from zoneinfo import ZoneInfo

from whichhop.model import CAUSE_TABLE
from whichhop.model.dossier import Dossier, Happened
from whichhop.model.figure_words import how_long, instant_words
from whichhop.report import words
from whichhop.report.blocks import Block, Grid, Para, Picture, Section
from whichhop.report.evidence_plot import draw_evidence, evidence_words
from whichhop.report.plot import describe, draw
from whichhop.report.words import NO_DELAY_S, millis, percent, probability

MOST = 60


def _row(h: Happened, dossier: Dossier, zone: ZoneInfo) -> tuple[str, ...]:
    end_ns = h.end_ns or dossier.end_ns
    loss = percent(h.loss_ratio)
    return (
        instant_words(h.start_ns, zone),
        words.utc(h.start_ns),
        how_long((end_ns - h.start_ns) / 1e9) + (", ongoing" if h.end_ns is None else ""),
        CAUSE_TABLE[h.cause].words
        + (f": {h.why.words}" if h.why else "")
        + ("" if h.proven else ", not proven"),
        h.where,
        # Less than clocks and queues sway is none; the figures have it to the last digit.
        millis(h.added_p50_s if h.added_p50_s is None or abs(h.added_p50_s) >= NO_DELAY_S else 0.0),
        loss,
        probability(h.probability),
    )


def happened(dossier: Dossier) -> Section:
    """The episodes, longest first where there are too many to print."""
    zone = ZoneInfo(dossier.zone)
    blocks: list[Block] = []
    if len(dossier.charts) > 1:
        chart = dossier.charts[0]
        caption = f"{chart.title}. Shaded in colour: this report's episodes; in grey: others."
        blocks.append(Picture(svg=draw(chart, zone), shows=describe(chart), caption=caption))
    drawing = dossier.claim.inside.drawing if dossier.claim and dossier.claim.inside else None
    if drawing is not None and max(drawing.y, default=0.0) > 0:
        caption = f"Why it is slow: {drawing.title[:1].lower()}{drawing.title[1:]}, in the longest episode."
        blocks.append(
            Picture(svg=draw_evidence(drawing, zone), shows=evidence_words(drawing, zone), caption=caption)
        )
    found = list(dossier.episodes)
    if not found:
        blocks.append(Para("There was no episode in this span."))
        return Section(name="happened", title="When it happened", blocks=blocks)
    if len(found) > MOST:
        found.sort(key=lambda h: (not h.claimed, -((h.end_ns or dossier.end_ns) - h.start_ns)))
        blocks.append(Para(f"{len(found)} episodes; the {MOST} that matter most are listed."))
        found = sorted(found[:MOST], key=lambda h: h.start_ns)
    blocks.append(
        Grid(
            caption="Episodes in the span; this report's own are marked",
            head=(
                "Began, local",
                "Began, UTC",
                "Lasted",
                "Cause",
                "Where",
                "Added",
                "Lost",
                "Probability of fault",
            ),
            rows=tuple(_row(h, dossier, zone) for h in found),
            numbers=frozenset({5, 6, 7}),
            marked=frozenset(i for i, h in enumerate(found) if h.claimed),
        )
    )
    return Section(name="happened", title="When it happened", blocks=blocks)
