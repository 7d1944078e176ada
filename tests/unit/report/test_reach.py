"""Papers without a fault say how far that reaches; all of them tell what is felt, as page and compare do."""

import pytest
from msgspec.structs import replace

from support.dossiers import dossier
from whichhop.model.dossier import Dossier, Reach
from whichhop.model.inner_cause import Felt, FeltCause
from whichhop.model.units import NS_PER_S
from whichhop.report.checks import checks
from whichhop.report.contents import Paper
from whichhop.report.html import page

pytestmark = pytest.mark.slow

HOLE = Felt(
    cause=FeltCause.BLACK_HOLE,
    where="The way to the internet",
    feels="some pages begin to load and stop",
    probability=0.9,
    evidence=("packets of 1500 octets were lost 3 times in a row without a word",),
    steps=("Set the MTU of the router's internet side to 1472.",),
    check="whichhop route HOME harbour --sizes",
    source="RFC 2923 section 2.1",
)
LINE = ("modem/provider-edge", "beyond")


def long(story: str) -> Dossier:
    """Long enough for its levels to be known."""
    made = dossier(story)
    return replace(made, end_ns=made.start_ns + 600 * NS_PER_S)


def words(made: Dossier, paper: Paper) -> str:
    return page(made, paper).replace("\u00a0", " ").replace("&#x27;", "'").partition('<script type="app')[0]


@pytest.mark.parametrize("paper", [Paper.REPORT, Paper.SUMMARY, Paper.PHONE])
@pytest.mark.parametrize("story", ["none", "upstream-link", "backhaul"])
def test_what_is_felt_stands_in_report_summary_and_call_script(paper: Paper, story: str) -> None:
    said = words(replace(long(story), felt=(HOLE,)), paper)
    assert HOLE.line in said
    assert HOLE.evidence[0] in said


def test_where_nothing_else_is_wrong_it_leads_with_its_step() -> None:
    made = replace(long("none"), felt=(HOLE,))
    for paper in (Paper.REPORT, Paper.SUMMARY):
        said = words(made, paper)
        assert "No hop is slow, but The way to the internet: large packets vanish" in said
        assert "No fault found" not in said
    assert HOLE.steps[0] in words(made, Paper.SUMMARY)
    assert "Nothing needs to be done" not in words(made, Paper.SUMMARY)


@pytest.mark.parametrize("paper", [Paper.REPORT, Paper.SUMMARY])
def test_a_line_that_nothing_measured_is_not_called_free_of_faults(paper: Paper) -> None:
    sentence = "Not measured, so neither good nor bad is known of it: the access line."
    made = replace(long("none"), reach=Reach(unmeasured=LINE, not_measured=(sentence,)))
    said = words(made, paper)
    assert "No fault found on the hops that were measured" in said
    assert sentence in said


@pytest.mark.parametrize("paper", [Paper.REPORT, Paper.SUMMARY])
def test_where_nothing_at_all_could_be_judged_no_fault_found_is_not_said(paper: Paper) -> None:
    made = replace(long("none"), reach=Reach(unmeasured=LINE, nothing=True, not_measured=("Not answered.",)))
    said = words(made, paper)
    assert "Not determined" in said
    assert "No fault found" not in said
    assert "Nothing needs to be done" not in said


@pytest.mark.parametrize("paper", [Paper.REPORT, Paper.SUMMARY])
def test_a_level_above_the_usual_is_told(paper: Paper) -> None:
    sentence = "Of 95 ms about 46 ms are on the link modem to provider-edge; usual are 5 ms to 22 ms."
    said = words(replace(long("none"), reach=Reach(unusual=(sentence,))), paper)
    assert "No fault found, but one link is slower than is usual for its kind" in said
    assert sentence in said


def test_what_the_records_do_not_give_is_found() -> None:
    made = dossier()
    for forged in (replace(made, felt=(HOLE,)), replace(made, reach=Reach(unmeasured=LINE))):
        assert len([c for c in checks(forged, made) if not c.holds]) == 1
        assert len([c for c in checks(made, forged) if not c.holds]) == 1
