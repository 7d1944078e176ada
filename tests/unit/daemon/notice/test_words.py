"""A notice says what is wrong, how sure, since when, whose it is and what to do; its end, for how long."""

from datetime import datetime
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from support.bulletins import HOUR_NS, NOW_NS, at_fault, calm, group
from support.bulletins import told as verdict_told
from whichhop.daemon.notice.book import Kind, News, Passed
from whichhop.daemon.notice.faults import Fault
from whichhop.daemon.notice.words import document, reader_of
from whichhop.model import Cause, Verdict
from whichhop.model.bulletin import Bulletin, DeviceUse, OwnUse
from whichhop.model.figure_words import instant_words
from whichhop.model.notices import Way

LISBON = ZoneInfo("Europe/Lisbon")


def of(bulletin: Bulletin, kind: Kind = Kind.OPENED, end_ns: int | None = None) -> dict[str, object]:
    verdict: Verdict = bulletin.told[0].verdict
    fault = Fault(
        number="router-1",
        cause=str(verdict.cause),
        elements=verdict.elements,
        probability=verdict.probability,
        proven=verdict.proven,
        standing=verdict.standing,
        start_ns=verdict.start_ns,
        end_ns=end_ns,
    )
    news = News(way=Way.MAIL, kind=kind, fault=fault)
    return document(news, verdict, reader_of(bulletin, LISBON), "n-1", NOW_NS)


def test_a_beginning_answers_the_five_questions_in_order() -> None:
    made = of(at_fault())
    assert made["subject"] == "[Alder House] The backhaul between attic and router is at fault (98 %)"
    what, sure, since, whose, measured, to_do = list(made["lines"])  # type: ignore[call-overload]
    assert what == "The backhaul between attic and router is at fault."
    assert sure == "Probability of fault: 98 %."
    assert since == "Since 2026-03-01 17:52:05 WET (UTC+0)."
    assert "home's" in whose
    assert "28 ms" in measured
    assert to_do.startswith("What to do: Move what stands")


def test_what_machines_read_is_plain_data_with_times_of_rfc_3339() -> None:
    made = of(at_fault())
    assert (made["home"], made["kind"], made["cause"], made["elements"]) == (
        "Alder House",
        "opened",
        "backhaul",
        ["attic/router"],
    )
    assert made["since"] == "2026-03-01T17:52:05.000Z"
    assert datetime.fromisoformat(str(made["at"])).timestamp() * 1e9 == NOW_NS
    assert (made["until"], made["ongoing"]) == (None, True)


def test_a_group_that_cannot_be_told_apart_is_never_told_as_one_culprit() -> None:
    made = of(group())
    assert "cannot be told apart" in str(made["lines"])
    assert made["cause"] == "not-separable"


def test_an_end_says_how_long_it_lasted_and_asks_for_nothing() -> None:
    made = of(at_fault(), Kind.CLOSED, end_ns=NOW_NS)
    assert made["subject"] == (
        "[Alder House] Over: The backhaul between attic and router was at fault. Lasted 12 min."
    )
    assert "What to do" not in str(made["lines"])
    assert made["lasted_s"] == 720


def test_an_update_names_itself_as_one() -> None:
    made = of(at_fault(), Kind.CHANGED)
    assert str(made["subject"]).startswith("[Alder House] Update: ")
    assert "the same fault" in made["lines"][0]  # type: ignore[index]


def test_the_homes_own_upload_is_told_with_its_device_and_the_plan() -> None:
    use = OwnUse(down_bps=2e5, up_bps=4.2e6, devices=(DeviceUse(name="nas", down_bps=1e5, up_bps=4.1e6),))
    found = replace(
        calm(),
        told=(verdict_told(Cause.OWN_TRAFFIC, ("own-traffic",), 0.96, hours=0.1, minutes=None),),
        own_use=use,
        plan_down_bps=50e6,
        plan_up_bps=5e6,
    )
    assert "Own traffic: upload by nas, 4.2 of 5 Mbit/s." in of(found)["lines"]  # type: ignore[operator]
    unasked = replace(found, own_use=replace(use, devices=()))
    assert "Own traffic: upload 4.2 of 5 Mbit/s." in of(unasked)["lines"]  # type: ignore[operator]


def test_what_came_and_went_in_quiet_hours_is_a_line_each() -> None:
    passed = tuple(
        Passed(
            cause="backhaul",
            elements=("attic/router",),
            start_ns=NOW_NS - n * HOUR_NS,
            end_ns=NOW_NS - n * HOUR_NS + 60 * 10**9,
        )
        for n in (8, 5)
    )
    made = document(
        News(way=Way.MAIL, kind=Kind.SUMMARY, passed=passed), None, reader_of(calm(), LISBON), "n", NOW_NS
    )
    assert made["subject"] == "[Alder House] 2 faults came and went; nothing of it is ongoing"
    assert len(made["lines"]) == 3
    assert made["lines"][1].startswith("2026-03-01 10:04:05 WET (UTC+0), 1 min: The backhaul between")


def test_a_time_has_its_zone_also_where_the_zone_has_no_letters() -> None:
    # IANA: Lisbon is at UTC+1 in summer, Katmandu at UTC+5:45 without a name.
    assert instant_words(1_783_000_000 * 10**9, LISBON) == "2026-07-02 14:46:40 WEST (UTC+1)"
    assert instant_words(1_783_000_000 * 10**9, ZoneInfo("Asia/Kathmandu")).endswith(" UTC+5:45")


def test_a_home_named_to_forge_a_header_stays_on_one_line() -> None:
    made = of(replace(at_fault(), home="Alder\r\nBcc: someone@example.net"))
    assert "\n" not in str(made["subject"])
    assert "\r" not in str(made["subject"])


def test_what_to_do_is_about_this_fault_also_where_another_is_ongoing() -> None:
    upload = verdict_told(Cause.OWN_TRAFFIC, ("own-traffic",), 0.96, hours=0.1, minutes=None)
    line = verdict_told(Cause.UPSTREAM_LINK, ("modem/provider-edge",), 0.97, hours=0.3, minutes=None)
    both = replace(calm(), told=(upload, line), steps=("Ask the provider to look at the line.",))
    lines = of(both)["lines"]
    assert any("Pause what fills the line" in one for one in lines)  # type: ignore[attr-defined]
    assert not any("Ask the provider" in one for one in lines)  # type: ignore[attr-defined]
