"""What else it could have been, and how each is ruled out at the same moments."""

from whichhop.model import Owner
from whichhop.model.dossier import Cleared, Dossier
from whichhop.report.blocks import Block, Bullets, Grid, Para, Section
from whichhop.report.home_side import home_cleared

FEW = 4


def _sessions(cleared: Cleared) -> str:
    named = ", ".join(cleared.sessions[:FEW])
    more = len(cleared.sessions) - FEW
    return named + (f" and {more} more" if more > 0 else "") or "byte counters"


def ruled_out(dossier: Dossier) -> Section:
    """Rival causes one by one."""
    blocks: list[Block] = []
    claim = dossier.claim
    if claim is None:
        blocks.append(Para("Nothing needed to be ruled out."))
    elif claim.cleared:
        rows = tuple((c.what[:1].upper() + c.what[1:], c.why, _sessions(c)) for c in claim.cleared)
        blocks.append(
            Grid(
                caption="Other explanations, for the report's episodes",
                head=("Could it be", "No, because", "Seen by"),
                rows=rows,
            )
        )
    else:
        blocks.append(Para("No other explanation could be ruled out by the agents there are."))
    if claim is not None and claim.would_change:
        blocks += [Para("What would make it surer:"), Bullets(claim.would_change)]
    if claim is not None and claim.owner is Owner.PROVIDER:
        blocks.append(Para(home_cleared(dossier, claim)))
    return Section(name="ruled-out", title="What it was not", blocks=blocks)
