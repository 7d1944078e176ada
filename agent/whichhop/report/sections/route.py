"""The route to the target, router by router, with addresses."""

from zoneinfo import ZoneInfo

from whichhop.model.dossier import Dossier
from whichhop.model.figure_words import instant_words
from whichhop.report.blocks import Block, Grid, Para, Section
from whichhop.report.words import millis

SILENT = "A silent hop says nothing about the packets that pass through it."


def route(dossier: Dossier) -> Section:
    """The newest trace, or that there is none."""
    found = dossier.route
    if found is None:
        return Section(
            name="route",
            title="The route",
            blocks=[Para("No route trace was kept in the day before the span's end.")],
        )
    rows = tuple(
        (
            str(s.step),
            ", ".join(s.addresses) or "silent",
            s.name or ("provider's first hop" if found.first_hop in s.addresses else ""),
            millis(s.best_rtt_s) if s.best_rtt_s is not None else "",
        )
        for s in found.steps
    )
    blocks: list[Block] = [
        Grid(
            caption=f"From {found.agent} to {found.target},"
            f" {instant_words(found.at_ns, ZoneInfo(dossier.zone))}",
            head=("Hop", "Address", "Known as", "Fastest answer"),
            rows=rows,
            numbers=frozenset({0, 3}),
            marked=frozenset(i for i, s in enumerate(found.steps) if found.first_hop in s.addresses),
        ),
        Para(SILENT),
    ]
    return Section(name="route", title="The route", blocks=blocks)
