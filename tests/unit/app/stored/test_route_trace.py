"""The newest route trace out of stored readings, and the provider's first hop in it."""

from hypothesis import given
from hypothesis import strategies as st

from whichhop.app.stored.route_trace import route_trace
from whichhop.lab.standard_home import alder_home
from whichhop.model import PROVIDER_EDGE, Reading
from whichhop.model.hop_facts import SILENT, hop_name
from whichhop.model.units import NS_PER_S

WAY = (("192.0.2.1", 0.0006), (SILENT, 0.0), ("203.0.113.1", 0.009), ("198.51.100.7", 0.014))


def trace(at_s: int, way: tuple[tuple[str, float], ...] = WAY, target: str = "harbour") -> list[Reading]:
    return [
        Reading(
            at_ns=at_s * NS_PER_S + step,
            agent="study",
            name=f"route_hop:{hop_name(target, step, address)}",
            value=value,
        )
        for step, (address, value) in enumerate(way, 1)
    ]


def test_steps_names_and_first_hop_are_told_as_they_were_found() -> None:
    found = route_trace(trace(1000), alder_home())
    assert found is not None
    assert [s.addresses for s in found.steps] == [(a,) if a != SILENT else () for a, _ in WAY]
    assert [s.name for s in found.steps] == ["router", "", PROVIDER_EDGE, "harbour"]
    assert (found.first_hop, found.first_hop_step) == ("203.0.113.1", 3)
    assert found.steps[1].best_rtt_s is None


def test_only_the_newest_trace_counts_whatever_stood_at_a_step_before() -> None:
    older = trace(1000, (*WAY[:2], ("203.0.113.99", 0.009), WAY[3]))
    found = route_trace([*older, *trace(4600)], alder_home())
    assert found is not None
    assert found.steps[2].addresses == ("203.0.113.1",)


def test_without_a_trace_of_one_of_the_homes_targets_there_is_none() -> None:
    assert route_trace([], alder_home()) is None
    assert route_trace(trace(1000, target="elsewhere"), alder_home()) is None


@given(st.lists(st.text(max_size=40), max_size=8))
def test_names_that_nothing_of_ours_wrote_are_passed_over(tails: list[str]) -> None:
    odd = [Reading(at_ns=1, agent="study", name=f"route_hop:harbour/{t}", value=1.0) for t in tails]
    found = route_trace([*odd, *trace(1000)], alder_home())
    assert found is not None
    assert len(found.steps) == len(WAY)
