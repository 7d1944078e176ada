from whichhop.compare.words import element_words, explain, headline, names_words
from whichhop.model import Cause, RuledOut, Severity, Verdict


def verdict(**changes):
    facts = {
        "cause": Cause.BACKHAUL,
        "elements": ("attic/router",),
        "probability": 0.97,
        "start_ns": 0,
        "end_ns": None,
    }
    return Verdict(**(facts | changes))


def test_elements_have_words():
    assert element_words("desk/attic") == "the link desk to attic"
    assert element_words("reply:router") == "the answers of router alone"
    assert element_words("own-traffic") == "the home's own traffic"
    assert element_words("cellar cable") == "the link cellar cable"


def test_of_several_only_one_need_be_at_fault():
    assert names_words(("a/b", "b/c", "own-traffic")) == (
        "the link a to b, the link b to c or the home's own traffic"
    )


def test_the_headline_names_the_cause_the_place_and_how_sure():
    assert headline(verdict()) == "The backhaul: the link attic to router (97 % sure)."


def test_what_is_not_proven_says_so_and_what_is_missing():
    found = explain(
        verdict(
            cause=Cause.UPSTREAM_LINK,
            elements=("modem/provider-edge",),
            proven=False,
            missing=("own traffic is not known",),
        )
    )
    assert found[0].startswith("The access line")
    assert "proof is still missing" in found[0]
    assert any("own traffic is not known" in line for line in found)


def test_a_group_says_that_it_cannot_be_told():
    found = headline(verdict(cause=Cause.NOT_SEPARABLE, elements=("a/b", "b/c")))
    assert found.startswith("These cannot be told apart")


def test_figures_reasons_and_remedies_are_told():
    found = explain(
        verdict(
            severity=Severity(
                sent=600,
                lost=60,
                added_p50_s=0.04,
                added_p95_s=0.09,
                loss_ratio=0.1,
                loss_low=0.078,
                loss_high=0.127,
            ),
            ruled_out=(RuledOut(what="desk/attic", why="it stayed quiet", sessions=("a>b:echo",)),),
            would_change=("run an agent on router",),
        )
    )
    text = " ".join(found)
    assert "40 ms added" in text
    assert "10.0 % of 600 packets lost (95 % confidence interval 7.8 % to 12.7 %)" in text
    assert "Ruled out: the link desk to attic, because it stayed quiet (a>b:echo)." in text
    assert "run an agent on router" in text


def test_a_healthy_home_is_told_in_one_sentence():
    assert headline(verdict(cause=Cause.HEALTHY, elements=())).startswith("Nothing exceeds")


def test_own_traffic_that_is_over_is_told_in_the_past():
    own = verdict(cause=Cause.OWN_TRAFFIC, elements=("own-traffic",))
    assert headline(own) == "The home's own traffic fills the access line (97 % sure)."
    assert (
        headline(verdict(cause=Cause.OWN_TRAFFIC, elements=("own-traffic",), end_ns=9))
        == "The home's own traffic filled the access line (97 % sure)."
    )


def test_the_figures_of_what_stood_before_are_told_as_those_of_its_first_minutes():
    """A report counts its whole time, so that the two differ by what went on afterwards."""
    slow = Severity(sent=2400, lost=24, loss_ratio=0.01, loss_low=0.006, loss_high=0.015, added_p50_s=0.03)
    first = "In its first minutes sessions that cross it saw 30 ms added"
    for end_ns in (None, 1):
        assert any(first in line for line in explain(verdict(severity=slow, standing=True, end_ns=end_ns)))
    # What let nothing through did so all the time.
    dead = Severity(sent=900, lost=900, loss_ratio=1.0, loss_low=0.99, loss_high=1.0)
    told = explain(verdict(severity=dead, standing=True, end_ns=1))
    assert any(line.startswith("Until then sessions that cross it saw 100 %") for line in told)
