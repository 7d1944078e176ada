from support.bulletins import NOW_NS
from support.homes import alder
from support.live import busy_state
from whichhop.model import Fate
from whichhop.serve.live import LiveState
from whichhop.serve.page.own import elsewhere, other_pages, own


def test_an_address_of_version_six_stands_in_brackets() -> None:
    # RFC 3986 3.2.2: an IPv6 literal in a URL is enclosed in brackets.
    home = alder("192.0.2.30", "2001:db8::30")
    assert other_pages(home, "desk")["study"] == "http://[2001:db8::30]:8620/"
    assert "desk" not in other_pages(home, "desk")


def test_the_figures_are_those_of_the_sessions() -> None:
    live = busy_state()
    made = own(live, NOW_NS)
    for key, state in live.sessions():
        gone = sum(state.fates[f] for f in Fate if not f.set_aside and f is not Fate.ANSWERED)
        assert f">{state.sent}</td>" in made
        assert f"{gone / state.sent * 100:.1f}\u00a0%" in made
        assert state.last_rtt_ns is not None
        assert f"{state.last_rtt_ns / 1e6:.1f}\u00a0ms" in made
        assert key.target in made


def test_before_the_first_packet_is_settled_nothing_is_invented() -> None:
    live = LiveState(home="Alder House", agent="desk", names=("router",))
    assert "look again" in own(live, NOW_NS)


def test_a_home_with_one_agent_is_told_how_to_compare() -> None:
    assert "--compare" in elsewhere({})
