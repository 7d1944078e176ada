"""Letter, call script and summary: of the data alone, one page each, the caveat in all, nothing unfounded."""

import io

import pypdf
import pytest
from msgspec.structs import replace

from support.dossiers import dossier
from whichhop.claim.pseudonyms import StandIns
from whichhop.model import Cause, Owner, Service
from whichhop.model.dossier import ChannelRow, Dossier, LevelNote, Wiring
from whichhop.model.figure_words import TOO_LITTLE_YET
from whichhop.model.links import HOUSE_CABLING
from whichhop.model.note import CallNote
from whichhop.model.units import NS_PER_S
from whichhop.report.checks import checks
from whichhop.report.contents import Paper, contents
from whichhop.report.html import page
from whichhop.report.pdf import pdf
from whichhop.report.sections.answer import worst_levels
from whichhop.report.sections.plain import sendable
from whichhop.report.standing import ReportStanding, standing_of

pytestmark = pytest.mark.slow

DAY_NS = 86_400 * 10**9
SERVICE = Service(
    customer="Ana Example",
    account="4400-118-22",
    address="7 Quay Lane",
    product="Home 100",
    modem_model="CM-32",
    modem_mac="00:00:5E:00:53:1F",  # RFC 7042 2.1.2
)


def full(story: str = "upstream-link") -> Dossier:
    """With all that a home file can name and two calls, one with a day that was not kept."""
    made = dossier(story)
    calls = (
        CallNote(
            at_ns=made.start_ns - 9 * DAY_NS, text="line test ordered", ticket="4711", promised="2026-01-05"
        ),
        CallNote(at_ns=made.start_ns - DAY_NS, text="still open", spoke_to="first line", ticket="4711"),
    )
    return replace(made, home=replace(made.home, service=SERVICE), calls=calls)


def poor() -> Dossier:
    """Nothing wrong in the packets, two channels outside their limits."""
    rows = tuple(
        ChannelRow(
            name=f"down-{i}", frequency_hz=600_000_000 + 6_000_000 * i, modulation="256-QAM",
            power_dbmv=-16.0, low_dbmv=-16.5, high_dbmv=-15.5, snr_db=30.0, snr_low_db=29.5,
            corrected=10, uncorrectable=500, timeouts=None, standing="outside" if i < 3 else "fine",
        )
        for i in range(1, 5)
    )  # fmt: skip
    notes = (LevelNote(standing="outside", words="down-1: downstream power -16.0 dBmV"),)
    return replace(full("none"), wiring=Wiring.BAD, levels=notes, channels=rows)


def words(made: Dossier, paper: Paper) -> str:
    return page(made, paper).replace("\u00a0", " ").replace("&#x27;", "'").partition('<script type="app')[0]


@pytest.mark.parametrize("paper", list(Paper))
def test_the_caveat_stands_in_every_paper(paper: Paper) -> None:
    assert HOUSE_CABLING in words(full(), paper)


def test_what_a_support_engineer_needs_to_find_the_line_stands_in_report_letter_and_script() -> None:
    for paper in (Paper.REPORT, Paper.LETTER, Paper.PHONE):
        text = words(full(), paper)
        for needed in ("4400-118-22", "7 Quay Lane", "00:00:5E:00:53:1F", "203.0.113.1", "4711", " UTC"):
            assert needed in text, (paper, needed)


@pytest.mark.parametrize("paper", [Paper.LETTER, Paper.PHONE, Paper.SUMMARY])
@pytest.mark.parametrize("make", [full, poor])
def test_each_is_one_page_even_with_all_there_is(paper: Paper, make: object) -> None:
    made = make()  # type: ignore[operator]
    assert len(pypdf.PdfReader(io.BytesIO(pdf(made, None, paper))).pages) == 1


def test_the_first_page_of_the_report_has_answer_line_and_request() -> None:
    first = pypdf.PdfReader(io.BytesIO(pdf(full()))).pages[0].extract_text()
    for needed in ("4400-118-22", "4711", "We kindly ask you", "The same in UTC"):
        assert needed in first


@pytest.mark.parametrize("story", ["none", "backhaul"])
def test_nothing_is_written_to_a_provider_who_is_held_to_nothing(story: str) -> None:
    made = full(story)
    assert not sendable(made)
    for paper in (Paper.LETTER, Paper.PHONE):
        assert "Nothing to send yet" in words(made, paper)
        assert "ask you" not in words(made, paper)


def test_the_summary_says_what_to_do_for_each_kind_of_answer() -> None:
    assert "not your Wi-Fi" in words(full(), Paper.SUMMARY)
    assert "Do not call the provider about this" in words(full("backhaul"), Paper.SUMMARY)
    healthy = full("none")
    ten_minutes = replace(healthy, end_ns=healthy.start_ns + 600 * NS_PER_S)
    assert "No fault found" in words(ten_minutes, Paper.SUMMARY)
    assert "The signal at your modem is poor" in words(poor(), Paper.SUMMARY)


@pytest.mark.parametrize("paper", [Paper.SUMMARY, Paper.REPORT])
def test_no_paper_calls_two_minutes_free_of_faults(paper: Paper) -> None:
    healthy = full("none")
    said = words(replace(healthy, end_ns=healthy.start_ns + 120 * NS_PER_S), paper)
    assert TOO_LITTLE_YET.removesuffix(".") in said
    assert "No fault found" not in said
    assert "Nothing needs to be done" not in said


def test_a_withheld_account_reads_as_one_in_every_paper() -> None:
    """The report's first row once said: the customer, account account withheld."""
    made = full()
    hidden = replace(made, home=replace(made.home, service=StandIns.of(made.home).home.service))
    for paper in Paper:
        said = words(hidden, paper)
        assert SERVICE.account is not None
        assert SERVICE.account not in said
        assert "account account" not in said.lower()
    assert "account (number withheld)" in words(hidden, Paper.PHONE)


def test_the_summary_tells_what_began_afterwards_from_what_was_there_at_the_same_time() -> None:
    """A modem that trained again and was slower from then on was told as of the same time."""
    made = full()
    over_ns = made.episodes[0].start_ns + 90 * NS_PER_S
    episode = replace(made.episodes[0], end_ns=over_ns)
    later = replace(episode, claimed=False, start_ns=over_ns, end_ns=None, where="the attic")
    after = words(replace(made, episodes=(episode, later)), Paper.SUMMARY)
    assert "Since then: a fault in the attic" in after
    sooner = replace(later, start_ns=episode.start_ns)
    assert "At the same time: a fault in the attic" in words(
        replace(made, episodes=(episode, sooner)), Paper.SUMMARY
    )


def test_the_summary_does_not_clear_the_wifi_where_it_is_at_fault_too() -> None:
    made = full()
    (line,) = made.episodes
    radio = replace(line, cause=Cause.WIRELESS_HOP, elements=("desk/attic",), claimed=False)
    said = words(replace(made, episodes=(line, radio)), Paper.SUMMARY)
    assert "The internet line" in said
    assert "not your Wi-Fi" not in said


@pytest.mark.parametrize("owner", [Owner.HOME, Owner.NOBODY])
def test_a_customer_reads_what_to_do_where_two_hops_cannot_be_told_apart(owner: Owner) -> None:
    # Seen: "The fault lies in cannot be told apart by the agents there are ... nothing that you do at home".
    made = full("backhaul")
    assert made.claim is not None
    claim = replace(made.claim, cause=Cause.NOT_SEPARABLE, owner=owner, steps=(), would_change=("run one",))
    text = words(replace(made, claim=claim), Paper.SUMMARY)
    assert "lies in cannot" not in text
    assert "lay in cannot" not in text
    assert "To know which it is: run one." in text
    assert ("in the home, not in the internet line" in text) == (owner is Owner.HOME)
    assert ("Push in the plugs" in text) == (owner is Owner.HOME)


def test_a_promise_that_was_not_kept_is_named_and_one_still_to_come_is_not() -> None:
    assert "Promised by 2026-01-05" in words(full(), Paper.LETTER)
    later = tuple(replace(c, promised="2999-01-01") for c in full().calls)
    assert "Promised by" not in words(replace(full(), calls=later), Paper.LETTER)


def test_poor_levels_alone_lead_and_are_summed_up_by_direction() -> None:
    made = poor()
    assert standing_of(made) is ReportStanding.LEVELS
    (clause,) = worst_levels(made)
    assert clause.replace("\u00a0", " ") == (
        "2 of 4 downstream channels outside limits at 606.0 to 612.0 MHz: -16.0 dBmV, SNR down to 29.5 dB,"
        " 1,000 uncorrectable codewords"
    )
    assert "No fault found" not in words(made, Paper.REPORT).partition("</header>")[2][:600]


def test_a_report_on_levels_alone_has_no_word_of_packets() -> None:
    made = replace(poor(), levels_alone=True, sessions=(), charts=())
    assert [s.name for s in contents(made)] == ["answer", "levels", "route", "calls", "integrity"]
    assert "In the packets" not in words(made, Paper.REPORT)


@pytest.mark.parametrize(
    "forged",
    [
        {"wiring": Wiring.ENTERS_BAD},
        {"levels": ()},
        {"channels": ()},
    ],
)
def test_levels_that_the_records_do_not_give_are_found(forged: dict[str, object]) -> None:
    made = poor()
    true = replace(made, wiring=Wiring.GOOD)
    bad = [c.name for c in checks(replace(true, **forged), true) if not c.holds]  # type: ignore[arg-type]
    assert len(bad) == 1
    assert all(c.holds for c in checks(made, made))


@pytest.mark.parametrize("paper", [Paper.REPORT, Paper.SUMMARY])
def test_the_probability_printed_is_that_of_the_sentence_and_of_each_that_cannot_be_told_apart(
    paper: Paper,
) -> None:
    # Seen: "It looks like the internet line ... probability of fault over 99 %", the line's part being 56 %.
    made = full()
    assert made.claim is not None
    shares = (("the link modem to provider-edge", 0.56), ("the link router to modem", 0.42), ("it", 0.004))
    claim = replace(
        made.claim, made=False, missing=("a",), cause=Cause.NOT_SEPARABLE, owner=Owner.NOBODY, shares=shares
    )
    said = words(replace(made, claim=claim), paper)
    assert "probability 99 % that it is one of those that cannot be told apart" in said
    assert "of these the link modem to provider-edge 56 %, the link router to modem 42 %" in said
    assert "probability of fault 99 %" not in said


@pytest.mark.parametrize("paper", [Paper.REPORT, Paper.SUMMARY])
def test_what_may_be_the_line_is_not_called_nobodys_nor_cleared_of_the_provider(paper: Paper) -> None:
    # Seen: own traffic or the line, told as "Not the provider's fault" and "nobody's: disturbed".
    made = full()
    assert made.claim is not None
    claim = replace(made.claim, made=False, missing=(), cause=Cause.NOT_SEPARABLE, owner=Owner.NOBODY)
    said = words(replace(made, claim=claim), paper)
    assert "not determined yet whose it is to fix" in said
    assert "Not the provider's fault" not in said
    assert "nobody's" not in said
