"""The metrics of a hop or a node (model/hop_facts.py) and of the fleet's profile, a row each."""

from whichhop.model.fleet import PREFIX, WindowMetric
from whichhop.serve.exposition import TARGET, C, G
from whichhop.serve.exposition import row as _row

OF_HOPS = (
    _row(
        "port_speed_bytes_per_second",
        G,
        TARGET,
        "bytes_per_second",
        "Negotiated rate of the agent's port toward the target.",
    ),
    _row("port_full_duplex", G, TARGET, "", "1 when that port sends and receives at once, else 0."),
    _row(
        "port_able_bytes_per_second",
        G,
        TARGET,
        "bytes_per_second",
        "The fastest that the agent's port offers to the target's end.",
    ),
    _row(
        "port_partner_able_bytes_per_second",
        G,
        TARGET,
        "bytes_per_second",
        "The fastest that the other end of the agent's port offers.",
    ),
    _row("port_frames", C, TARGET, "", "Frames that the port toward the target received and sent."),
    _row("port_errors", C, TARGET, "", "Frames that it received or sent in error."),
    _row("port_dropped", C, TARGET, "", "Frames that it dropped."),
    _row("port_carrier_changes", C, TARGET, "", "Times that the link came up or went down at that port."),
    _row(
        "hop_receive_bytes_per_second",
        G,
        TARGET,
        "bytes_per_second",
        "What the agent's interface received from the target's side, mean since the reading before.",
    ),
    _row(
        "hop_send_bytes_per_second",
        G,
        TARGET,
        "bytes_per_second",
        "What it sent to the target's side.",
    ),
    _row(
        "wifi_send_bytes_per_second",
        G,
        TARGET,
        "bytes_per_second",
        "Link rate at which the agent's Wi-Fi (radio) sends to the target.",
    ),
    _row(
        "wifi_receive_bytes_per_second",
        G,
        TARGET,
        "bytes_per_second",
        "Link rate at which it receives from the target.",
    ),
    _row(
        "wifi_signal_dbm",
        G,
        TARGET,
        "dbm",
        "Signal that the agent's Wi-Fi (radio) receives from the target.",
    ),
    _row("wifi_noise_dbm", G, TARGET, "dbm", "Noise of the channel in use, where the driver tells it."),
    _row("wifi_frequency_hertz", G, TARGET, "hertz", "The primary channel in use."),
    _row("wifi_width_hertz", G, TARGET, "hertz", "Width of the channel in use."),
    _row("wifi_streams", G, TARGET, "", "Spatial streams of what is sent to the target."),
    _row(
        "wifi_busy_ratio",
        G,
        TARGET,
        "ratio",
        "Time in which the channel was busy, by anybody, of the time since the reading before.",
    ),
    _row(
        "wifi_receive_time_ratio",
        G,
        TARGET,
        "ratio",
        "Time in which the Wi-Fi (radio) received what it could read, strangers' frames too.",
    ),
    _row(
        "wifi_own_receive_time_ratio",
        G,
        TARGET,
        "ratio",
        "Time in which it received frames of its own network.",
    ),
    _row("wifi_send_time_ratio", G, TARGET, "ratio", "Time in which it sent."),
    _row("wifi_retry_ratio", G, TARGET, "ratio", "Sendings again, of all sendings to the target."),
    _row("wifi_given_up_ratio", G, TARGET, "ratio", "Frames given up after all retries, of those to send."),
    _row("wifi_beacons_lost", C, TARGET, "", "Times that the target's beacons went missing."),
    _row("wifi_joined_seconds", G, TARGET, "seconds", "Since the two joined without a break."),
    _row(
        "wifi_power_save",
        G,
        TARGET,
        "",
        "1 when the agent's Wi-Fi (radio) dozes between packets, else 0.",
    ),
    _row(
        "transfer_retransmitted_ratio",
        G,
        TARGET,
        "ratio",
        "Share sent again by TCP in the newest transfer from the agent to the target.",
    ),
    _row("node_uptime_seconds", G, TARGET, "seconds", "Since the target, or the agent's machine, started."),
    _row("node_processor_ratio", G, TARGET, "ratio", "Processor time in use there."),
    _row("node_temperature_celsius", G, TARGET, "celsius", "Its hottest sensor."),
)

SESSION, AGENT = ("home", "agent", "target", "method"), ("home", "agent")
TRANSFER = ("home", "agent", "target", "way")
OF_FLEET: dict[WindowMetric, tuple[tuple[str, ...], str]] = {
    WindowMetric.ANSWERED: (SESSION, "Packets sent in the window and answered within 3 s."),
    WindowMetric.LOST: (
        SESSION,
        "Packets sent in the window without an answer within 3 s; absent while there are none.",
    ),
    WindowMetric.LOST_OUT: (
        SESSION,
        "Of those, lost on the way to the target, by STAMP's sequence numbers; absent while there are none.",
    ),
    WindowMetric.LOST_BACK: (SESSION, "The same, lost on the way back."),
    WindowMetric.SLOW: (
        SESSION,
        "Answers that took 25 ms and more over the window's median; absent while there are none.",
    ),
    WindowMetric.MEDIAN: (
        SESSION,
        "Latency (round-trip time, RFC 2681): the window's median; absent under three answers.",
    ),
    WindowMetric.P80: (SESSION, "The same, 80th percentile."),
    WindowMetric.EXCESS: (SESSION, "Mean of what answers took over the median, each at most 0.3 s."),
    WindowMetric.NOT_JUDGED: (
        AGENT,
        "Samples of the window that say nothing of any path, the agent having been busy, asleep or unable to"
        " send; absent while there are none.",
    ),
    WindowMetric.AGENT: (
        (*AGENT, "stamps", "region"),
        "1 each minute: the agent measures; who times its packets (kernel, program), and the home's region.",
    ),
    WindowMetric.LATENESS: (AGENT, "How late the agent's event loop ran, worst of a minute."),
    WindowMetric.STEAL: (
        AGENT,
        "Share of processor time that the agent's machine was denied; absent under 5 %.",
    ),
    WindowMetric.RECEIVED: (AGENT, "Bytes the home received over the access line."),
    WindowMetric.TRANSMITTED: (AGENT, "Bytes the home sent over the access line."),
    WindowMetric.TRANSFER_BEGINS: (
        TRANSFER,
        "A transfer of the agent's own begins; the value is the longest it may last.",
    ),
    WindowMetric.TRANSFER_LASTED: (TRANSFER, "A transfer of the agent's own has ended; how long it lasted."),
    WindowMetric.LEVEL: (
        (*AGENT, "reading"),
        "By what the modem's worst channel each way is judged, where it is beyond a published limit.",
    ),
}


def kind_of(metric: WindowMetric) -> str:
    """Its type, as OpenMetrics names it."""
    return "counter" if metric.endswith("_total") else "info" if metric.endswith("_info") else "gauge"


def fleet_lines() -> list[str]:
    """The profile as shared/metrics.md shows it."""
    lines = [
        "## What is written to a fleet's server",
        "",
        "Only where the home file names one (`fleet`), by remote write and not at `/metrics`: one value a",
        "window of ten seconds, at its end. Sessions are those of the home file; call streams are not in it.",
        "",
        "| metric | type | labels | meaning |",
        "|---|---|---|---|",
    ]
    for metric, (labels, words) in OF_FLEET.items():
        lines.append(f"| `{PREFIX}{metric}` | {kind_of(metric)} | {', '.join(labels)} | {words} |")
    return [*lines, ""]
