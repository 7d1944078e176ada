"""Columns hold samples without loss."""

from hypothesis import given
from hypothesis import strategies as st

from whichhop.model import Columns, Fate, Sample

ns = st.integers(-(2**62), 2**62)
samples = st.builds(
    Sample,
    sent_ns=ns,
    fate=st.sampled_from(Fate),
    rtt_ns=st.none() | ns,
    out_ns=st.none() | ns,
    queue_ns=st.none() | ns,
)


@given(st.lists(samples, max_size=20))
def test_columns_give_back_the_samples_they_were_made_of(given_samples: list[Sample]) -> None:
    assert list(Columns.of(given_samples)) == given_samples


def test_only_the_networks_losses_count_as_lost() -> None:
    assert {f for f in Fate if f.lost} == {Fate.LATE, Fate.LOST, Fate.LOST_OUT, Fate.LOST_BACK}
    ours = {Fate.NOT_SENT, Fate.ASLEEP, Fate.CLOCK_STEP, Fate.BUSY}
    refused = {Fate.REFUSED_KEY, Fate.REFUSED_ADDRESS, Fate.REFUSED}
    assert {f for f in Fate if f.refused} == refused
    assert {f for f in Fate if f.set_aside} == ours | refused
