"""The report's sections, in order."""

from collections.abc import Callable

from whichhop.model.dossier import Dossier
from whichhop.report.blocks import Section
from whichhop.report.sections.answer import answer
from whichhop.report.sections.happened import happened
from whichhop.report.sections.integrity import integrity
from whichhop.report.sections.method import method
from whichhop.report.sections.numbers import numbers
from whichhop.report.sections.ruled_out import ruled_out

SECTIONS: tuple[Callable[[Dossier], Section], ...] = (
    answer,
    happened,
    ruled_out,
    numbers,
    method,
    integrity,
)


def contents(dossier: Dossier) -> tuple[Section, ...]:
    """Every section of one report."""
    return tuple(make(dossier) for make in SECTIONS)
