"""What is going on now, as running counts: fed a sample at a time, read by the exporter and the page."""

from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence

from msgspec import Struct, field

from whichhop.model import Fate, ModemLevels, Reading, Record, Sample, SessionKey
from whichhop.model.bulletin import Bulletin
from whichhop.serve.catalogue import BUCKETS_S

BOUNDS_NS = tuple(round(bound * 1e9) for bound in BUCKETS_S)
# The readings that are metrics too: those of which the newest counts, and those that add up.
_LATEST = {
    "loop_lateness_s": "loop_lateness_seconds",
    "steal_ratio": "steal_ratio",
    "wan_rx_bytes": "wan_received_bytes",
    "wan_tx_bytes": "wan_transmitted_bytes",
}
_SUMMED = {"suspended_s": "asleep_seconds", "send_failures": "send_failures"}

OTHER = "other"
"""The target under which sessions are counted that the home file does not name."""


class SessionState(Struct):
    """One session since the agent started. `buckets` has one place more than there are bounds."""

    fates: dict[Fate, int] = field(default_factory=lambda: dict.fromkeys(Fate, 0))
    buckets: list[int] = field(default_factory=lambda: [0] * (len(BOUNDS_NS) + 1))
    rtt_sum_ns: int = 0
    last_rtt_ns: int | None = None
    last_sent_ns: int | None = None
    duplicates: int = 0
    reordered: int = 0
    clock_error_ns: int | None = None

    @property
    def sent(self) -> int:
        """Packets that were asked of the path: all but those set aside."""
        return sum(n for fate, n in self.fates.items() if not fate.set_aside)

    def observe(self, sample: Sample) -> None:
        """Count one sample."""
        self.fates[sample.fate] += 1
        if self.last_sent_ns is None or sample.sent_ns > self.last_sent_ns:
            self.last_sent_ns = sample.sent_ns
        if sample.fate is Fate.ANSWERED and sample.rtt_ns is not None:
            self.buckets[bisect_left(BOUNDS_NS, sample.rtt_ns)] += 1
            self.rtt_sum_ns += sample.rtt_ns
            self.last_rtt_ns = sample.rtt_ns


OF_TARGETS = {
    "call_rating": "call_rating",
    "call_opinion_score": "call_opinion_score",
    "call_jitter_s": "call_jitter_seconds",
    "call_loss_ratio": "call_loss_ratio",
    "path_mtu_bytes": "path_mtu_bytes",
    "path_swallowed_bytes": "path_swallowed_bytes",
    "dscp_kept": "dscp_kept",
    "route_steps": "route_hops",
    "route_changed": "route_changes",
    "transfer_out_rate_bps": "transfer_from_agent_bytes_per_second",
    "transfer_back_rate_bps": "transfer_to_agent_bytes_per_second",
    "transfer_out_added_delay_s": "transfer_from_agent_added_latency_seconds",
    "transfer_back_added_delay_s": "transfer_to_agent_added_latency_seconds",
    "transfer_out_at_least": "transfer_from_agent_at_least",
    "transfer_back_at_least": "transfer_to_agent_at_least",
    "transfer_retransmitted_share": "transfer_retransmitted_ratio",
}
"""Readings of one target, by the name before the colon, and the metric that shows them."""
OF_HOPS = {
    "port_speed_bps": "port_speed_bytes_per_second",
    "port_full_duplex": "port_full_duplex",
    "port_able_bps": "port_able_bytes_per_second",
    "port_partner_able_bps": "port_partner_able_bytes_per_second",
    "port_frames": "port_frames",
    "port_errors": "port_errors",
    "port_dropped": "port_dropped",
    "port_carrier_changes": "port_carrier_changes",
    "own_receive_bps": "hop_receive_bytes_per_second",
    "own_send_bps": "hop_send_bytes_per_second",
    "radio_rate_bps": "wifi_send_bytes_per_second",
    "radio_receive_rate_bps": "wifi_receive_bytes_per_second",
    "radio_signal_dbm": "wifi_signal_dbm",
    "radio_noise_dbm": "wifi_noise_dbm",
    "radio_frequency_mhz": "wifi_frequency_hertz",
    "radio_width_mhz": "wifi_width_hertz",
    "radio_streams": "wifi_streams",
    "radio_busy_share": "wifi_busy_ratio",
    "radio_receive_share": "wifi_receive_time_ratio",
    "radio_own_receive_share": "wifi_own_receive_time_ratio",
    "radio_transmit_share": "wifi_send_time_ratio",
    "radio_retry_share": "wifi_retry_ratio",
    "radio_failed_share": "wifi_given_up_ratio",
    "radio_beacons_lost": "wifi_beacons_lost",
    "radio_connected_s": "wifi_joined_seconds",
    "radio_power_save": "wifi_power_save",
    "node_uptime_s": "node_uptime_seconds",
    "node_processor_share": "node_processor_ratio",
    "node_temperature_c": "node_temperature_celsius",
}
"""The same for the facts of a hop or of a node (model/hop_facts.py), as far as they are read."""
_COUNTED = frozenset(
    {
        "route_changed",
        "port_frames",
        "port_errors",
        "port_dropped",
        "port_carrier_changes",
        "radio_beacons_lost",
    }
)
"""Readings that count since the one before, so that they add up."""
IN_BASE_UNITS = (("_bytes_per_second", 1 / 8), ("_hertz", 1e6))
"""Readings are in bit/s and MHz, metrics in OpenMetrics' base units: by the end of a name, the factor."""
_FACT_GOES_NS = 180 * 10**9
"""A fact is kept each minute; one that did not come three times is no longer known."""


class LiveState:
    """The running state of one agent; one thread (the daemon's loop) feeds and reads it.

    names: the home's node names: what labels may say.
    values: gauges and counters of the agent by their catalogue name without "whichhop_", for instance
        "loop_lateness_seconds", "steal_ratio", "wan_received_bytes", "store_writable"; set by the daemon.
    modems: each modem's newest reading, None where it failed; set by the daemon.
    of_targets: the latest figures of single targets, by catalogue name and target.
    faults: probability by element. levels: by link, what it adds to a round trip and the most that is usual
        (None where nothing is), seconds. judged: the newest bulletin (model/bulletin.py), None where nobody
        renews it. bulletin: the same as a line of JSON; b"" before the first, None where this agent does not
        compare. All four from the comparer.
    maker, own_key: fingerprints of the key that signs the home's reports and of the agent's own.
    skipped: tells by session how many packets were due and never sent; set by the daemon.
    by_reason: counts since the start by a reason of a bounded set, by catalogue name; set by the daemon.
    store_remark: what befell the store since the agent started, "" for nothing. failures: survived failures
        by the agent's part. in_trouble: the parts that are in trouble now. All three set by the daemon.
    """

    def __init__(self, *, home: str, agent: str, names: Collection[str]) -> None:
        self.home = home
        self.agent = agent
        self.values: dict[str, float] = {}
        self.modems: dict[str, ModemLevels | None] = {}
        self.of_targets: dict[tuple[str, str], float] = {}
        self._facts_at: dict[tuple[str, str], int] = {}
        self.faults: Mapping[str, float] = {}
        self.levels: Mapping[str, tuple[float, float | None]] = {}
        self.judged: Bulletin | None = None
        self.bulletin: bytes | None = None
        self.skipped: Callable[[], Mapping[SessionKey, int]] = dict
        self.by_reason: dict[str, Mapping[str, int]] = {}
        self.maker = ""
        self.own_key = ""
        self.store_remark = ""
        self.failures: Counter[str] = Counter()
        self.in_trouble: Sequence[str] = ()
        self._names = frozenset(names)
        self._sessions: dict[SessionKey, SessionState] = {}

    def session(self, key: SessionKey) -> SessionState:
        """The state of a session, begun when it is new."""
        state = self._sessions.get(key)
        if state is None:
            if key.target not in self._names:
                key = SessionKey(agent=key.agent, target=OTHER, method=key.method)
            state = self._sessions.setdefault(key, SessionState())
        return state

    def observe(self, key: SessionKey, sample: Sample) -> None:
        """Count one sample; a microsecond's work. Fits probes' Sink."""
        self.session(key).observe(sample)

    def kept(self, records: Iterable[Record], readings: Iterable[Reading]) -> None:
        """Take in what the daemon is about to store: what samples do not tell, and the agent's own state."""
        newest_ns = 0
        for record in records:
            state = self.session(record.session)
            state.duplicates += record.duplicates
            state.reordered += record.reordered
            state.clock_error_ns = record.clock_error_ns
            self._add("store_records", 1)
        for reading in readings:
            newest_ns = max(newest_ns, reading.at_ns)
            if reading.name in _LATEST:
                self.values[_LATEST[reading.name]] = reading.value
            elif reading.name == "clock_step_s":
                self._add("clock_steps", reading.value != 0)
            elif reading.name in _SUMMED:
                self._add(_SUMMED[reading.name], reading.value)
            else:
                self._figure(*reading.name.partition(":")[::2], reading)
        self._forget_facts(newest_ns)

    def _figure(self, name: str, target: str, reading: Reading) -> None:
        """A figure of one target, such as call_rating:harbour."""
        metric, value = OF_TARGETS.get(name) or OF_HOPS.get(name), reading.value
        if name in ("transfer_out_bytes", "transfer_back_bytes"):
            self._add("transfer_bytes", value)
        elif metric is not None and self._known(target):
            at = (metric, target)
            value *= next((factor for end, factor in IN_BASE_UNITS if metric.endswith(end)), 1)
            self.of_targets[at] = self.of_targets.get(at, 0) + value if name in _COUNTED else value
            if name in OF_HOPS and name not in _COUNTED:
                self._facts_at[at] = reading.at_ns

    def _known(self, target: str) -> bool:
        """Whether the home file bounds it: a node, or a hop of another box, BOX/NEIGHBOUR."""
        return all(part in self._names for part in target.split("/", 1))

    def _forget_facts(self, now_ns: int) -> None:
        """Gauges of facts that nobody tells any more: a radio that left, a driver that fell silent."""
        for at in [at for at, seen in self._facts_at.items() if now_ns - seen > _FACT_GOES_NS]:
            del self._facts_at[at]
            self.of_targets.pop(at, None)

    def _add(self, name: str, value: float) -> None:
        self.values[name] = self.values.get(name, 0) + value

    def sessions(self) -> Iterator[tuple[SessionKey, SessionState]]:
        """Every session seen, in a steady order."""
        yield from sorted(self._sessions.items(), key=lambda item: item[0])

    def forget(self, names: Collection[str], home: str) -> None:
        """Take the names of the home file read again, its own too; sessions to nodes gone are dropped."""
        self.home = home
        self._names = frozenset(names)
        self._sessions = {k: s for k, s in self._sessions.items() if k.target in self._names}
        for name in set(self.modems) - self._names:
            del self.modems[name]
        self.of_targets = {at: value for at, value in self.of_targets.items() if self._known(at[1])}
