"""What a row of the catalogue of metrics is."""

from dataclasses import dataclass
from enum import StrEnum


class MetricKind(StrEnum):
    """OpenMetrics' types, as far as they are used here."""

    COUNTER = "counter"
    GAUGE = "gauge"
    HISTOGRAM = "histogram"
    INFO = "info"


@dataclass(frozen=True, slots=True, kw_only=True)
class Metric:
    """One metric family; `name` is without the suffix that its type adds (_total, _info, _bucket)."""

    name: str
    kind: MetricKind
    labels: tuple[str, ...]
    unit: str
    words: str


HOME = "home"
"""On every series, so that one server can hold many homes."""


def row(name: str, kind: MetricKind, labels: tuple[str, ...], unit: str, words: str) -> Metric:
    """A row; `name` without the prefix, `labels` without the home."""
    return Metric(name=f"whichhop_{name}", kind=kind, labels=(HOME, *labels), unit=unit, words=words)


C, G, H, I = MetricKind.COUNTER, MetricKind.GAUGE, MetricKind.HISTOGRAM, MetricKind.INFO  # noqa: E741 - a table reads better
TARGET = ("agent", "target")
