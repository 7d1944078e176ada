"""The fleet's profile of metrics: the few series that agents write to a server of many homes, a row each."""

from whichhop.model.fleet import PREFIX, WindowMetric

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
