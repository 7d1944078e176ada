"""One home among many: what its file says of a fleet's server, and the series that its agents write there."""

from enum import StrEnum

from msgspec import Struct

DEFAULT_QUEUE_MB = 64.0
"""Some ten days of one agent's windows."""


class WriteVersion(StrEnum):
    """The version of the public remote-write specification that the server takes."""

    ONE = "1.0"
    TWO = "2.0"


class Fleet(Struct, frozen=True, kw_only=True):
    """Where windows are written to. token_file, ca_file: a secret, and whom TLS trusts, in own files.

    region: a word for where the home's line ends, by which homes are compared; "" for none.
    """

    url: str
    token_file: str | None = None
    ca_file: str | None = None
    queue_octets: int
    region: str = ""
    version: WriteVersion = WriteVersion.ONE


class WindowMetric(StrEnum):
    """The series of the fleet's profile, each without the prefix and as a server stores it.

    One value a window of ten seconds, at the window's end, but for the last seven, which have their own time.
    What is nought in most windows is left out while it is nought.
    """

    ANSWERED = "window_answered_packets"
    LOST = "window_lost_packets"
    LOST_OUT = "window_lost_outbound_packets"
    LOST_BACK = "window_lost_return_packets"
    SLOW = "window_slow_packets"
    NOT_JUDGED = "window_not_judged_packets"
    MEDIAN = "window_round_trip_median_seconds"
    P80 = "window_round_trip_p80_seconds"
    EXCESS = "window_round_trip_excess_seconds"
    AGENT = "window_agent_info"
    LATENESS = "window_loop_lateness_seconds"
    STEAL = "window_steal_ratio"
    RECEIVED = "window_wan_received_bytes_total"
    TRANSMITTED = "window_wan_transmitted_bytes_total"
    TRANSFER_BEGINS = "window_transfer_at_most_seconds"
    TRANSFER_LASTED = "window_transfer_seconds"
    LEVEL = "window_modem_level"


PREFIX = "whichhop_"
Labels = tuple[tuple[str, str], ...]
"""Names and values, sorted by name."""


class Series(Struct, frozen=True, kw_only=True):
    """Some values of one series. points: Unix time in ms and value, in the order of time."""

    name: str
    labels: Labels
    points: tuple[tuple[int, float], ...]
