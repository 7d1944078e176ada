"""The comparer's settings: every threshold that is not a property of an element, with its reason."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How sure to be before speaking; the defaults were chosen on development seeds only.

    Ratios are between 0 and 1, times in seconds.
    """

    open_at: float = 0.9
    """An episode opens once its group's probability stays at or above this for `open_ticks`."""
    open_ticks: int = 2
    open_at_once: float = 0.99
    """On a whole outage one tick at or above this is enough."""
    close_at: float = 0.5
    close_ticks: int = 3
    merge_gap_s: float = 60.0
    """Episodes of one group nearer than this are one."""
    plausible_share: float = 0.1
    """A member of an inseparable group with less than this share of its probability is not plausible."""
    leak: float = 0.004
    """Chance that one session does its own thing in a tick; bounds what it can prove alone."""
    loss_temper: float = 0.8
    """Packets in a tick are not independent, so their evidence counts for less than one each; see
    `likelihood.delay_evidence` for delay."""
    spread_only: float = 0.3
    """Chance that a fault moves only the 80 % quantile."""
    mean_fault_s: float = 300.0
    recent_onset_s: float = 120.0
    """Mean time to the next onset while trouble is recent: flapping."""
    recent_s: float = 600.0
    warm_up_ticks: int = 3
    """Quiet ticks a session needs before it may speak."""
    baseline_s: float = 86_400.0
    """How far back the quiet baseline looks."""
    most_candidates: int = 10
    guard_lost: int = 20
    guard_excess_s: float = 60.0
    guard_share: float = 0.2
    guard_use: float = 0.4
    """The four figures that must hold before the provider is accused; see `guards`."""
    calibrated: bool = True
    """Publish probabilities that were found true; False gives the filter's own, from which that is learnt."""
    smooth: bool = True
    """Look at later ticks too when judging history; False gives what live use would have said."""
