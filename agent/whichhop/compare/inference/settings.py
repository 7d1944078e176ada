"""The comparer's settings: every threshold that is not a property of an element, with its reason."""

from msgspec import Struct


class Settings(Struct, frozen=True, kw_only=True):
    """How sure to be before speaking; the defaults were chosen on development seeds only.

    Ratios are between 0 and 1, times in seconds.
    """

    open_at: float = 0.9
    """An episode opens once its group's probability stays at or above this for `open_ticks`."""
    most_doubt: float = 0.02
    """And once no more than this is left for nothing being at fault at all: to doubt which hop it is leaves a
    fault to tell, to doubt that it is one leaves noise. Chosen as what the filter's surest verdicts leave. Of
    seven verdicts of 58 homes drawn for it that opened with more, six stood beside nothing (two bad moments
    of a radio each) and one beside what does no harm; of 983 faults none was lost by it."""
    open_ticks: int = 2
    open_at_once: float = 0.99
    """On a whole outage one tick at or above this is enough."""
    close_at: float = 0.5
    """Once it is likelier gone than not. Swept: 0.25 and 0.75 gave the same figures
    (tests/suite/results/tries.md)."""
    close_ticks: int = 3
    """One more than opens, since an end told too early is an episode cut in two. Swept: one and six changed
    no verdict (tests/suite/results/tries.md)."""
    merge_gap_s: float = 60.0
    """Episodes of one group nearer than this are one. Swept: 0 and 120 changed no verdict
    (tests/suite/results/tries.md); it tells where a fault flaps."""
    plausible_share: float = 0.1
    """A member of an inseparable group with less than this share of its probability is not plausible."""
    leak: float = 0.004
    """Chance that one session does its own thing in a tick; bounds what it can prove alone."""
    loss_temper: float = 0.8
    """Packets in a tick are not independent, so their evidence counts for less than one each; see
    `likelihood.delay_evidence` for delay."""
    spread_only: float = 0.3
    """Chance that a fault moves only the 80 % quantile. Swept: half and twice of it gave the same figures
    (tests/suite/results/tries.md)."""
    mean_fault_s: float = 300.0
    """Mean length of a fault. Swept: half and twice of it gave the same figures
    (tests/suite/results/tries.md)."""
    recent_onset_s: float = 120.0
    """Mean time to the next onset while trouble is recent: flapping. Swept: half, twice and none of it gave
    the same figures, in other words (tests/suite/results/tries.md)."""
    recent_s: float = 600.0
    """Mean time for which ended trouble counts as recent. Swept: half and twice of it gave the same figures
    (tests/suite/results/tries.md)."""
    warm_up_ticks: int = 3
    """Quiet ticks a session needs before it may speak. Derived: three are the fewest whose median one odd
    tick cannot move. Swept: one and six gave the same figures (tests/suite/results/tries.md)."""
    baseline_s: float = 86_400.0
    """How far back the quiet baseline looks: a day, so that every hour of the day is in it once, evening
    included, and no more, since each further day costs memory."""
    most_candidates: int = 10
    """Columns that compete in a stretch; states grow with the square of it. Derived: n columns make 1 + 2 n
    + 3 n (n - 1) / 2 states, 156 of ten; it bounds the cost and was not swept."""
    guard_lost: int = 20
    """Packets lost before the provider is accused. Derived: a Poisson count of 20 has a relative standard
    error of 22 %. Swept: half and twice of it changed no verdict (tests/suite/results/tries.md)."""
    guard_excess_s: float = 60.0
    """Or so long an added delay: six ticks, three times what opens an episode. No source, and not swept."""
    guard_share: float = 0.2
    """The share of the excess that may arise inside the home. It only guards. No source; swept, half and
    twice of it changed no verdict (tests/suite/results/tries.md)."""
    guard_use: float = 0.4
    """The use of its line that a home may make itself. Derived: at 40 % a queue with random arrivals
    (M/M/1, textbook) waits 0.4 / 0.6 = 0.7 packets on average, 0.8 ms for 1500 bytes at 10 Mbit/s, well
    under the 3 ms that a session must show. Swept: half and twice of it gave the same figures
    (tests/suite/results/tries.md)."""
    calibrated: bool = True
    """Publish probabilities that were found true; False gives the filter's own, from which that is learnt."""
    smooth: bool = True
    """Look at later ticks too when judging history; False gives what live use would have said."""
