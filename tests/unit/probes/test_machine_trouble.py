"""Samples are set aside for this machine's own trouble, and never calls a healthy moment trouble."""

from hypothesis import given
from hypothesis import strategies as st

from support.probing import MS, START_UTC_NS
from whichhop.model import Fate, Sample
from whichhop.model.units import MonoNs, UtcNs
from whichhop.probes.machine_trouble import (
    Beat,
    MachineTrouble,
    TroubleLimits,
    slept_ns,
    steal_ratio,
    stepped_ns,
)

S = 1000 * MS
WAIT = 3 * S


def beat(mono: int, utc: int | None = None, boot: int | None = None, width: int = 0, **more: int) -> Beat:
    return Beat(
        before_ns=MonoNs(mono),
        after_ns=MonoNs(mono + width),
        utc_ns=UtcNs(START_UTC_NS + mono if utc is None else utc),
        boot_ns=mono if boot is None else boot,
        **more,
    )


def answered(sent_mono: int, rtt: int = 10 * MS) -> Sample:
    return Sample(sent_ns=START_UTC_NS + sent_mono, fate=Fate.ANSWERED, rtt_ns=rtt, queue_ns=5)


def readings(trouble: MachineTrouble, *beats: Beat) -> dict[str, float]:
    out: dict[str, float] = {}
    for b in beats:
        out = {r.name: r.value for r in trouble.beat(b)}
    return out


def test_a_healthy_second_leaves_samples_alone() -> None:
    trouble = MachineTrouble("desk")
    found = readings(trouble, beat(0), beat(S, lateness_ns=2 * MS, cpu_total=200, cpu_steal=1))
    assert found == {
        "loop_lateness_s": 0.002,
        "steal_ratio": 0.005,
        "send_failures": 0.0,
        "suspended_s": 0.0,
        "clock_step_s": 0.0,
    }
    sample = answered(S // 2)
    assert trouble.vet(sample, WAIT) is sample


def test_suspension_sets_aside_what_was_under_way_and_nothing_after() -> None:
    trouble = MachineTrouble("desk")
    # asleep for a minute between two beats: BOOTTIME and the wall clock ran on, MONOTONIC stood
    after = beat(S, utc=START_UTC_NS + 61 * S, boot=61 * S)
    found = readings(trouble, beat(0), after)
    assert found["suspended_s"] == 60.0
    assert found["clock_step_s"] == 0.0
    lost = Sample(sent_ns=START_UTC_NS + S // 2, fate=Fate.LOST)
    assert trouble.vet(lost, WAIT).fate is Fate.ASLEEP
    later = Sample(sent_ns=START_UTC_NS + 61 * S + 1, fate=Fate.LOST)
    assert trouble.vet(later, WAIT).fate is Fate.LOST


def test_a_clock_set_forward_or_back_sets_aside_and_tells_by_how_much() -> None:
    for step in (3600 * S, -3600 * S, 2 * MS, -2 * MS):
        trouble = MachineTrouble("desk")
        found = readings(trouble, beat(0), beat(S, utc=START_UTC_NS + S + step))
        assert found["clock_step_s"] == step / S
        vetted = trouble.vet(answered(S // 2), WAIT)
        assert vetted.fate is Fate.CLOCK_STEP
        assert (vetted.rtt_ns, vetted.out_ns, vetted.queue_ns) == (None, None, None)


def test_a_clock_set_back_does_not_condemn_the_hour_it_lives_through_again() -> None:
    trouble = MachineTrouble("desk")
    readings(trouble, beat(0), beat(S, utc=START_UTC_NS + S - 3600 * S))
    for i in range(2, 15):
        readings(trouble, beat(i * S, utc=START_UTC_NS + (i - 3600) * S))
    assert trouble.vet(answered((14 - 3600) * S), WAIT).fate is Fate.ANSWERED


@given(
    ppm=st.integers(-500, 500),
    width_old=st.integers(0, 5 * S),
    width_new=st.integers(0, 5 * S),
    at=st.floats(0, 1),
)
def test_slewing_and_being_interrupted_between_readings_is_no_step_and_no_sleep(
    ppm: int, width_old: int, width_new: int, at: float
) -> None:
    # 500 ppm is the fastest the kernel slews (adjtimex)
    def look(mono: int, width: int) -> Beat:
        read_at = mono + int(width * at)
        return beat(mono, utc=START_UTC_NS + read_at + read_at * ppm // 1_000_000, boot=read_at, width=width)

    old, new = look(0, width_old), look(width_old + S, width_new)
    assert stepped_ns(old, new) == 0
    assert slept_ns(old, new) == 0


def test_stolen_processor_time_makes_the_stretch_busy() -> None:
    trouble = MachineTrouble("desk")
    found = readings(trouble, beat(0, cpu_total=100), beat(S, cpu_total=300, cpu_steal=100))
    assert found["steal_ratio"] == 0.5
    assert trouble.vet(answered(S // 2), WAIT).fate is Fate.BUSY


def test_steal_is_nothing_where_the_system_does_not_tell() -> None:
    assert steal_ratio(beat(0), beat(S)) == 0.0


def test_the_lateness_that_counts_depends_on_who_takes_the_stamps() -> None:
    for limits, fate in ((TroubleLimits(), Fate.ANSWERED), (TroubleLimits(late_ns=5 * MS), Fate.BUSY)):
        trouble = MachineTrouble("desk", limits)
        readings(trouble, beat(0), beat(S, lateness_ns=20 * MS))
        assert trouble.vet(answered(S // 2), WAIT).fate is fate


def test_a_long_standstill_reaches_back_before_the_last_beat() -> None:
    trouble = MachineTrouble("desk")
    readings(trouble, beat(0), beat(4 * S), beat(5 * S, lateness_ns=3 * S))
    assert trouble.vet(answered(3 * S), WAIT).fate is Fate.BUSY


def test_a_packet_never_sent_stays_what_it_was() -> None:
    trouble = MachineTrouble("desk")
    readings(trouble, beat(0), beat(S, utc=START_UTC_NS + 61 * S, boot=61 * S))
    sample = Sample(sent_ns=START_UTC_NS + S // 2, fate=Fate.NOT_SENT)
    assert trouble.vet(sample, WAIT) is sample


def test_sleep_explains_more_than_business() -> None:
    trouble = MachineTrouble("desk")
    readings(trouble, beat(0), beat(S, utc=START_UTC_NS + 61 * S, boot=61 * S, lateness_ns=S))
    assert trouble.vet(answered(S // 2), WAIT).fate is Fate.ASLEEP
