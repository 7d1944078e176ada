"""The papers that one dossier gives, and the sections of each, in order."""

from collections.abc import Callable
from enum import StrEnum

from whichhop.model.dossier import Dossier
from whichhop.report.blocks import Section
from whichhop.report.sections.answer import answer
from whichhop.report.sections.calls import calls
from whichhop.report.sections.felt import felt
from whichhop.report.sections.happened import happened
from whichhop.report.sections.integrity import integrity
from whichhop.report.sections.letter import letter
from whichhop.report.sections.levels import levels
from whichhop.report.sections.method import method
from whichhop.report.sections.numbers import numbers
from whichhop.report.sections.phone import phone
from whichhop.report.sections.route import route
from whichhop.report.sections.ruled_out import ruled_out
from whichhop.report.sections.summary import summary


class Paper(StrEnum):
    """What is set from a dossier; each carries the same data, and `verify` knows which it is by its words."""

    REPORT = "report"
    LETTER = "letter"
    PHONE = "phone"
    SUMMARY = "summary"


SECTIONS: tuple[Callable[[Dossier], Section], ...] = (
    answer,
    happened,
    ruled_out,
    felt,
    levels,
    route,
    calls,
    numbers,
    method,
    integrity,
)
_OF_LEVELS = (answer, levels, route, calls, integrity)
_OTHERS = {Paper.LETTER: letter, Paper.PHONE: phone, Paper.SUMMARY: summary}


def contents(dossier: Dossier, paper: Paper = Paper.REPORT) -> tuple[Section, ...]:
    """Every section of one paper."""
    if paper in _OTHERS:
        return (_OTHERS[paper](dossier),)
    return tuple(make(dossier) for make in (_OF_LEVELS if dossier.levels_alone else SECTIONS))


def title_of(dossier: Dossier, paper: Paper) -> str:
    """What stands at the head of a paper."""
    name = dossier.home.name
    if paper is Paper.REPORT and dossier.levels_alone:
        return f"{name}: the modem's levels"
    return {
        Paper.REPORT: f"{name}: which hop is at fault",
        Paper.LETTER: f"{name}: to the provider's support",
        Paper.PHONE: f"{name}: for the call to the provider",
        Paper.SUMMARY: f"{name}: what to do now",
    }[paper]


UNDER = {
    Paper.REPORT: "Report of the home network's own measurements",
    Paper.LETTER: "One page; the full report goes with it",
    Paper.PHONE: "What to say, what to ask, and what they will ask back",
    Paper.SUMMARY: "In plain words, from the home network's own measurements",
}
