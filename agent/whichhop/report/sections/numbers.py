"""The figures of the claim with their rules, and what every session sent and saw."""

from whichhop.model.dossier import Dossier, Figure, PlanRow, SessionRow
from whichhop.model.figure_words import how_long
from whichhop.report.blocks import Block, Grid, Para, Section
from whichhop.report.words import millis, percent, rate, shown


def _figure(figure: Figure) -> tuple[str, ...]:
    value = shown(figure.unit, figure.value)
    if figure.name == "duration":
        value = how_long(figure.value or 0.0)
    between = ""
    if figure.low is not None and figure.high is not None:
        between = f"{shown(figure.unit, figure.low)} to {shown(figure.unit, figure.high)}"
    return figure.name, figure.words, value, between, f"{figure.count:,}", figure.how


def _ratio(lost: int, sent: int) -> str:
    return f"{lost:,} of {sent:,}" + (f" ({percent(lost / sent)})" if sent else "")


def _session(row: SessionRow) -> tuple[str, ...]:
    return (
        row.session,
        "yes" if row.crosses else "no",
        _ratio(row.lost, row.sent),
        "none" if row.median_s is None else millis(row.median_s),
        _ratio(row.quiet_lost, row.quiet_sent),
        "none" if row.quiet_s is None else millis(row.quiet_s),
        f"{row.aside:,}",
    )


def _plan(row: PlanRow) -> tuple[str, ...]:
    return (
        row.way,
        rate(row.plan_bps),
        f"{row.reached} of {row.tests}",
        f"{row.days}",
        f"{percent(row.low)} to {percent(row.high)}",
        "none" if row.median_bps is None else rate(row.median_bps),
        f"{row.left_out}",
    )


def numbers(dossier: Dossier) -> Section:
    """Figures and sessions."""
    blocks: list[Block] = []
    if dossier.claim is not None:
        blocks.append(
            Grid(
                caption="Figures of this report; each is worked out again by the check below",
                head=("Name", "What", "Value", "95 % confidence interval", "From", "How"),
                rows=tuple(_figure(f) for f in dossier.claim.figures),
                numbers=frozenset({2, 3, 4}),
            )
        )
    if dossier.plan:
        blocks.append(
            Grid(
                caption="The plan beside what tests of the line reached that the home did not limit",
                head=(
                    "Way",
                    "Plan",
                    "Reached it",
                    "On days",
                    "Share of the time, 95 %",
                    "Median",
                    "Left out",
                ),
                rows=tuple(_plan(row) for row in dossier.plan),
                numbers=frozenset({1, 2, 3, 4, 5, 6}),
                marked=frozenset(i for i, row in enumerate(dossier.plan) if row.missed),
            )
        )
    rows = sorted(dossier.sessions, key=lambda r: (not r.crosses, r.session))
    blocks.append(
        Para("A session is one stream of test packets from a measuring computer (agent) to a target.")
    )
    blocks.append(
        Grid(
            caption="Sessions; those over the link at fault first. Quiet is the time outside all episodes",
            head=(
                "Session",
                "Over it",
                "Lost, episodes",
                "Median",
                "Lost, quiet",
                "Median, quiet",
                "Not judged",
            ),
            rows=tuple(_session(r) for r in rows),
            numbers=frozenset({2, 3, 4, 5, 6}),
            marked=frozenset(i for i, r in enumerate(rows) if r.crosses),
        )
    )
    return Section(name="numbers", title="Figures", blocks=blocks)
