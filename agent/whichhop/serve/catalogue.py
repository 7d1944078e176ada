"""Every metric whichhop exports, a row each: the exporter and shared/metrics.md are both made from it."""

from whichhop.serve.catalogue_of_hops import OF_HOPS, fleet_lines
from whichhop.serve.exposition import TARGET, C, G, H, I, Metric, MetricKind
from whichhop.serve.exposition import row as _row

SESSION = ("agent", "target", "method")

BUCKETS_S = (
    *(0.0001, 0.0002, 0.0005, 0.001, 0.002, 0.003, 0.005, 0.0075),
    *(0.01, 0.015, 0.02, 0.03, 0.05, 0.075, 0.1, 0.15, 0.2, 0.3, 0.5, 0.75, 1.0, 2.0, 3.0),
)
"""Upper bounds of the round-trip histogram, seconds; 3 s is where a packet is given up."""


AGENT = ("agent",)
CHANNEL = ("node", "direction", "channel")
WAY = ("node", "direction")

CATALOGUE: dict[str, Metric] = {
    m.name.removeprefix("whichhop_"): m
    for m in (
        _row("build", I, ("version", "python"), "", "The program that answers."),
        _row("agent", I, AGENT, "", "The home and the node this agent runs on."),
        _row(
            "round_trip_seconds",
            H,
            SESSION,
            "seconds",
            "Latency (round-trip time, RFC 2681) of answered packets, less the reflector's holding time;"
            " late ones are not in it.",
        ),
        _row("packets_sent", C, SESSION, "", "Test packets that left; those not judged are not in it."),
        _row(
            "packets_lost",
            C,
            (*SESSION, "direction"),
            "",
            "Packets without an answer: lost from the agent, to it, or unknown where the method cannot tell.",
        ),
        _row(
            "packets_late",
            C,
            SESSION,
            "",
            "Packets answered after 3 s; with the lost ones they make loss as RFC 7680 counts it.",
        ),
        _row(
            "packets_not_judged",
            C,
            (*SESSION, "reason"),
            "",
            "Samples that say nothing of the path, as the agent was busy, asleep or could not send.",
        ),
        _row(
            "packets_skipped",
            C,
            SESSION,
            "",
            "Packets that were due and never sent, since the agent was not given the processor.",
        ),
        _row(
            "packets_refused",
            C,
            (*SESSION, "reason"),
            "",
            "Packets that arrived and that the target refused to answer, by reason: key, address or other.",
        ),
        _row("packets_duplicated", C, SESSION, "", "Answers that came more than once."),
        _row("packets_reordered", C, SESSION, "", "Answers overtaken by a later one (RFC 4737)."),
        _row(
            "session_clock_error_seconds",
            G,
            SESSION,
            "seconds",
            "The larger of both ends' stated clock error; absent where an end does not know.",
        ),
        _row(
            "session_last_sample_timestamp_seconds",
            G,
            SESSION,
            "seconds",
            "When the session's newest accounted packet was sent, Unix time.",
        ),
        _row(
            "loop_lateness_seconds",
            G,
            AGENT,
            "seconds",
            "How late the agent's event loop ran, worst of a minute.",
        ),
        _row(
            "steal_ratio", G, AGENT, "ratio", "Share of processor time that the agent's machine was denied."
        ),
        _row("asleep_seconds", C, AGENT, "seconds", "Time the agent's machine was suspended."),
        _row("clock_steps", C, AGENT, "", "Times the agent's wall clock stepped."),
        _row("send_failures", C, AGENT, "", "Test packets that the agent's own system refused to send."),
        _row("wan_received_bytes", C, AGENT, "bytes", "Bytes the home received over the access line."),
        _row("wan_transmitted_bytes", C, AGENT, "bytes", "Bytes the home sent over the access line."),
        _row("call_rating", G, TARGET, "", "R of a call as G.107 rates it, of the newest call stream."),
        _row("call_opinion_score", G, TARGET, "", "MOS of a call as G.107 gives it, of the newest stream."),
        _row(
            "call_jitter_seconds",
            G,
            TARGET,
            "seconds",
            "Jitter as RFC 3550 smooths it, of round trips, at the end of the newest call stream.",
        ),
        _row(
            "call_loss_ratio",
            G,
            TARGET,
            "ratio",
            "Share of the newest call stream's packets lost, or too late for a listener's buffer.",
        ),
        _row("path_mtu_bytes", G, TARGET, "bytes", "Largest packet size tried that passes whole."),
        _row(
            "path_swallowed_bytes",
            G,
            TARGET,
            "bytes",
            "Smallest packet size tried that vanishes without a word while a smaller one passes; 0: none.",
        ),
        _row("dscp_kept", G, TARGET, "", "1 when the DSCP arrives as sent, 0 when a hop changes it."),
        _row("route_hops", G, TARGET, "", "Hops of the newest route found to the target."),
        _row("route_changes", C, TARGET, "", "Times that the route was found to have changed."),
        _row(
            "transfer_from_agent_bytes_per_second",
            G,
            TARGET,
            "bytes_per_second",
            "TCP payload rate of the newest transfer from the agent to the target.",
        ),
        _row(
            "transfer_to_agent_bytes_per_second",
            G,
            TARGET,
            "bytes_per_second",
            "The same of the newest transfer to the agent.",
        ),
        _row(
            "transfer_from_agent_added_latency_seconds",
            G,
            TARGET,
            "seconds",
            "Latency under load (bufferbloat): median round trip during the newest transfer less before.",
        ),
        _row(
            "transfer_to_agent_added_latency_seconds",
            G,
            TARGET,
            "seconds",
            "The same of the newest transfer to the agent.",
        ),
        _row(
            "transfer_from_agent_at_least",
            G,
            TARGET,
            "",
            "1 when something but the path limited the transfer from the agent.",
        ),
        _row(
            "transfer_to_agent_at_least",
            G,
            TARGET,
            "",
            "1 when something but the path limited the one to it.",
        ),
        *OF_HOPS,
        _row("transfer_bytes", C, AGENT, "bytes", "Bytes that transfers from this agent put on the wire."),
        _row(
            "reflector_refused",
            C,
            ("agent", "reason"),
            "",
            "Packets that came to the agent's reflector and got no answer, by reason.",
        ),
        _row("transfer_refusals", C, AGENT, "", "Connections to the transfer port without the home's key."),
        _row(
            "http_turned_away",
            C,
            AGENT,
            "",
            "Connections to the agent's page and API that were closed to make room for others.",
        ),
        _row(
            "part_failures",
            C,
            ("agent", "part"),
            "",
            "Failures that the agent survived, by its part: a periodic job, a child process, the event loop.",
        ),
        _row("store_bytes", G, AGENT, "bytes", "Size of the store's files, write-ahead log included."),
        _row("store_writable", G, AGENT, "", "1 while records can be stored, 0 while the disk refuses."),
        _row(
            "modem_power_dbmv",
            G,
            CHANNEL,
            "dbmv",
            "Level received (downstream) or sent (upstream), dB over 1 mV.",
        ),
        _row("modem_snr_db", G, CHANNEL, "db", "Signal to noise as the modem sees it, downstream."),
        _row("modem_frequency_hertz", G, CHANNEL, "hertz", "Middle of the channel."),
        _row("modem_locked", G, CHANNEL, "", "1 while the modem has the channel, 0 while it has not."),
        _row(
            "modem_codewords",
            C,
            (*CHANNEL, "outcome"),
            "",
            "Codewords since the modem's restart: unerrored, corrected or uncorrectable.",
        ),
        _row(
            "modem_ranging_timeouts",
            C,
            (*CHANNEL, "timer"),
            "",
            "Ranging requests that went unanswered (t3) or were never called for (t4), since the restart.",
        ),
        _row("dsl_margin_db", G, WAY, "db", "Noise margin of a DSL line."),
        _row("dsl_attenuation_db", G, WAY, "db", "Attenuation of a DSL line."),
        _row("dsl_rate_bytes_per_second", G, WAY, "bytes_per_second", "Rate a DSL line runs at, in bytes."),
        _row("optical_receive_dbm", G, ("node",), "dbm", "Light that arrives at a fibre terminal."),
        _row("modem_readable", G, ("node",), "", "1 when the newest reading of the modem succeeded, else 0."),
        _row(
            "modem_read_timestamp_seconds", G, ("node",), "seconds", "When the levels were read, Unix time."
        ),
        _row("fleet_samples_sent", C, AGENT, "", "Values that the fleet's server has taken from the agent."),
        _row(
            "fleet_samples_given_up",
            C,
            AGENT,
            "",
            "Values that the fleet's server will never take, or that went for want of room in the queue.",
        ),
        _row("fleet_samples_waiting", G, AGENT, "", "Values on disk that wait for the fleet's server."),
        _row("store_records", C, AGENT, "", "Minute records handed to the store since the agent started."),
        _row(
            "fault_probability_ratio",
            G,
            ("element",),
            "ratio",
            "Probability that a link or other element of the home is at fault now, by the comparer.",
        ),
        _row(
            "ongoing_fault_probability_ratio",
            G,
            ("cause", "elements"),
            "ratio",
            "Probability of each ongoing fault; what cannot be told apart stands in one label.",
        ),
        _row(
            "ongoing_fault_start_timestamp_seconds",
            G,
            ("cause", "elements"),
            "seconds",
            "When an ongoing fault began, Unix time; absent where it was there before measuring began.",
        ),
        _row(
            "inner_cause_probability_ratio",
            G,
            ("elements", "inner_cause"),
            "ratio",
            "Probability of each cause inside the hop of an ongoing fault, such as busy-channel.",
        ),
        _row(
            "home_state",
            G,
            ("state",),
            "",
            "1 for the state of the home now: fault, no-fault, learning or not-determined.",
        ),
        _row(
            "home_judged_timestamp_seconds",
            G,
            (),
            "seconds",
            "Up to when the comparer has judged the home, Unix time.",
        ),
        _row("next_step", I, ("step",), "", "What to do next, the best first step in a line."),
        _row(
            "link_level_seconds",
            G,
            ("link",),
            "seconds",
            "What a link by itself adds to a round trip, by the comparer from the first ten minutes.",
        ),
        _row(
            "link_level_most_seconds",
            G,
            ("link",),
            "seconds",
            "The most that is usual for it: 95 of 100 links of its medium add less to a round trip.",
        ),
    )
}


def exposed_name(metric: Metric) -> str:
    """The name as a server stores it, `_bucket` and its kin for a histogram left to the reader."""
    return metric.name + {MetricKind.COUNTER: "_total", MetricKind.INFO: "_info"}.get(metric.kind, "")


def markdown() -> str:
    """The catalogue as shared/metrics.md shows it."""
    lines = [
        "# Metrics",
        "",
        "Made from agent/whichhop/serve/catalogue.py; `tests/unit/serve/test_catalogue.py` keeps it current.",
        "An agent serves these at `/metrics`, as OpenMetrics or as the older text form, as the reader asks.",
        "Label values come from the home file (nodes, links, methods), so their number is bounded by it; a",
        "session whose target is not in the home file counts under the target `other`.",
        "",
        "| metric | type | labels | meaning |",
        "|---|---|---|---|",
    ]
    for metric in CATALOGUE.values():
        labels = ", ".join(metric.labels)
        lines.append(f"| `{exposed_name(metric)}` | {metric.kind} | {labels} | {metric.words} |")
    bounds = ", ".join(f"{b:g}" for b in BUCKETS_S)
    lines += ["", f"Upper bounds of the round-trip histogram, in seconds: {bounds}.", "", *fleet_lines()]
    return "\n".join(lines)
