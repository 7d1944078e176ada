"""What live advice is worked out anew for."""

from whichhop.app.advice_of_home import LiveAdvice
from whichhop.config.check import House
from whichhop.lab.standard_home import alder_home
from whichhop.model import Cause, Severity, Verdict, derive_sessions
from whichhop.model.units import NS_PER_S

BEGUN_NS = 1_772_388_000 * NS_PER_S


def test_what_is_no_short_episode_any_more_is_to_be_reported_at_once() -> None:
    """The page once said "keep measuring: one short episode" until ten minutes were over, while advise,
    asked beside it, said to report it."""
    house = House(home=alder_home(), run=None, boxes=())
    line = Verdict(
        cause=Cause.UPSTREAM_LINK,
        elements=("modem/provider-edge",),
        probability=0.99,
        start_ns=BEGUN_NS,
        end_ns=None,
        severity=Severity(sent=2400, lost=240, loss_ratio=0.1, loss_low=0.08, loss_high=0.12),
    )
    advice = LiveAdvice(house, "alder.yaml", lambda _: [])
    sessions = derive_sessions(house.home)

    def said(after_s: int) -> str:
        at_ns = BEGUN_NS + after_s * NS_PER_S
        return " ".join(advice.steps([line], sessions, BEGUN_NS - 600 * NS_PER_S, at_ns))

    assert "Keep measuring" in said(290)
    assert "Report it to the provider" in said(300)
