"""What was said on the phone so far: calls, ticket numbers, and what was promised by when."""

from datetime import date
from zoneinfo import ZoneInfo

from whichhop.model.dossier import Dossier
from whichhop.model.figure_words import instant_words, utc_of
from whichhop.model.note import CallNote
from whichhop.report.blocks import Block, Grid, Para, Section


def tickets(dossier: Dossier) -> tuple[str, ...]:
    """The ticket numbers given so far, oldest first, each once."""
    return tuple(dict.fromkeys(c.ticket for c in dossier.calls if c.ticket))


def overdue(dossier: Dossier) -> tuple[CallNote, ...]:
    """Calls whose promised day was over when the report was made."""
    today = utc_of(dossier.made_ns).astimezone(ZoneInfo(dossier.zone)).date()
    return tuple(c for c in dossier.calls if c.promised and _day(c.promised, today) < today)


def _day(text: str, otherwise: date) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return otherwise


def calls_grid(dossier: Dossier) -> Grid:
    """Every call; those whose promised day was over are marked."""
    zone = ZoneInfo(dossier.zone)
    late = overdue(dossier)
    return Grid(
        caption="Calls to the provider, as the customer wrote them down; marked: the promised day was over"
        " when this was made",
        head=("When", "Spoke to", "Ticket", "Promised by", "What was said"),
        rows=tuple(
            (instant_words(c.at_ns, zone), c.spoke_to, c.ticket, c.promised, c.text) for c in dossier.calls
        ),
        marked=frozenset(i for i, c in enumerate(dossier.calls) if c in late),
    )


def calls(dossier: Dossier) -> Section:
    """The log, or that none is kept."""
    blocks: list[Block] = [calls_grid(dossier)] if dossier.calls else [Para("No call is on record.")]
    return Section(name="calls", title="Calls to the provider so far", blocks=blocks)
