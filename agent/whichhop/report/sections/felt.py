"""What users feel though no hop is slow: packet sizes, DSCP, names, a radio that sleeps or scans."""

from whichhop.model.dossier import Dossier
from whichhop.report.blocks import Para, Section
from whichhop.report.reach import felt_blocks

NOTHING = (
    "Nothing of the kind was found, as far as it was looked at: no packet size that vanishes, no slow or"
    " silent name service, no radio that sleeps or keeps scanning."
)


def felt(dossier: Dossier) -> Section:
    """Each with its figures and what to do."""
    blocks = felt_blocks(dossier) or [Para(NOTHING)]
    return Section(name="felt", title="Felt though no hop is slow", blocks=blocks)
