"""How often each kind of element fails, how its faults look, and how noisy it is in health."""

from msgspec import Struct

from whichhop.compare.suspects.elements import Nature


class Prior(Struct, frozen=True, kw_only=True):
    """What is expected of an element before any packet is seen; common practice, not published figures.

    mean_hours: between faults. delay, loss, both: shares of faults that only delay, only lose, do both.
    least_delay_s: the smallest excess that counts as a fault.
    blip, blip_cap: chance of a passing one-tick excess, and the most that may be learnt for it.
    """

    mean_hours: float
    delay: float
    loss: float
    both: float
    least_delay_s: float
    blip: float
    blip_cap: float
    least_loss: float = 0.03
    most_loss: float = 1.0
    """The smallest and the largest loss that the element's faults cause."""


RADIO_LEAST_S = 0.016
CALM_LEAST_S = 0.010
LEAST_SPREADS = 6.0
"""Less than 16 ms comes and goes on many a radio or power line, and is no fault there; on one whose own usual
spread is so small that 10 ms is six of it, 10 ms is one. Four, which a normal deviate passes less than once a
day in ticks of 10 s, named bursts of 3 ms of jitter as radio faults in three recipes (development seeds)."""
SWAY_LEAST_S = 0.028
"""A line by radio moves by as much for minutes while nothing is wrong: a cell that lets ask to send each 40
ms in place of each 10 adds 15 ms in the mean, each 80 ms 35 (periods of 3GPP TS 36.213, table 10.1.5-1); a
satellite 550 km up is 1,100 km away at 25 degrees above the horizon, which at both ends of both ways is 8 ms.
With 16 ms homes of an independent simulator heard of a fault of such a line a few times a day."""
RADIO_LEAST_LOSS = 0.03
"""Three packets in a hundred ruin a call. At 8 % small losses took 305 s to be named in the slowest tenth,
at 3 % they take 81 s (development seeds of small-loss); loss is held against what a session usually loses."""

PRIORS: dict[Nature, Prior] = {
    Nature.RADIO: Prior(
        mean_hours=8,
        delay=0.45,
        loss=0.2,
        both=0.35,
        least_delay_s=RADIO_LEAST_S,
        blip=0.008,
        blip_cap=0.04,
        least_loss=RADIO_LEAST_LOSS,
    ),
    Nature.BACKHAUL: Prior(
        mean_hours=24,
        delay=0.45,
        loss=0.2,
        both=0.35,
        least_delay_s=RADIO_LEAST_S,
        blip=0.004,
        blip_cap=0.03,
        least_loss=RADIO_LEAST_LOSS,
    ),
    # A bare cable loses or breaks; it has no queue to delay in unless a switch port came up slow.
    Nature.ETHERNET: Prior(
        mean_hours=240, delay=0.04, loss=0.76, both=0.2, least_delay_s=0.005, blip=0.0003, blip_cap=0.002
    ),
    Nature.ACCESS: Prior(
        mean_hours=48, delay=0.4, loss=0.25, both=0.35, least_delay_s=0.005, blip=0.0006, blip_cap=0.006
    ),
    Nature.BEYOND: Prior(
        mean_hours=72, delay=0.5, loss=0.25, both=0.25, least_delay_s=0.005, blip=0.0006, blip_cap=0.006
    ),
    Nature.HOST: Prior(
        mean_hours=48, delay=0.75, loss=0.05, both=0.2, least_delay_s=0.005, blip=0.001, blip_cap=0.01
    ),
    Nature.AIR: Prior(
        mean_hours=48,
        delay=0.4,
        loss=0.1,
        both=0.5,
        least_delay_s=RADIO_LEAST_S,
        blip=0.001,
        blip_cap=0.01,
        least_loss=RADIO_LEAST_LOSS,
    ),
    Nature.NODE: Prior(
        mean_hours=240, delay=0.2, loss=0.6, both=0.2, least_delay_s=0.005, blip=0.0002, blip_cap=0.001
    ),
    # A full table of connections or a starved processor slows what is passed on before it loses any.
    Nature.FORWARDING: Prior(
        mean_hours=240, delay=0.5, loss=0.2, both=0.3, least_delay_s=0.005, blip=0.0002, blip_cap=0.001
    ),
    Nature.REPLY: Prior(
        mean_hours=6, delay=0.6, loss=0.3, both=0.1, least_delay_s=0.005, blip=0.003, blip_cap=0.03
    ),
    Nature.DESTINATION: Prior(
        mean_hours=24, delay=0.4, loss=0.3, both=0.3, least_delay_s=0.005, blip=0.001, blip_cap=0.01
    ),
    Nature.RESOLVER: Prior(
        mean_hours=24, delay=0.5, loss=0.3, both=0.2, least_delay_s=0.005, blip=0.004, blip_cap=0.04
    ),
    # Filling the queue delays at once and loses only when it overflows.
    Nature.OWN_TRAFFIC: Prior(
        mean_hours=2,
        delay=0.8,
        loss=0.02,
        both=0.18,
        least_delay_s=0.005,
        blip=0.003,
        blip_cap=0.03,
        most_loss=0.5,
    ),
}
