"""Metric families as text, in OpenMetrics 1.0 and in the plain form before it (version 0.0.4).

Written by hand, since the agent answers every few seconds for years: a general-purpose library took 15 ms of
a small processor and 3.4 MB for the same octets, which tests hold these against.
"""

from collections.abc import Iterable
from enum import StrEnum
from math import isfinite, isnan

from msgspec import Struct, field

Labels = dict[str, str]
BOUND = "le"
"""The label of a bucket's upper bound (OpenMetrics, "Histogram")."""


class MetricKind(StrEnum):
    """OpenMetrics' types, as far as they are used here."""

    COUNTER = "counter"
    GAUGE = "gauge"
    HISTOGRAM = "histogram"
    INFO = "info"


SUFFIXES = {MetricKind.COUNTER: "_total", MetricKind.INFO: "_info", MetricKind.GAUGE: ""}
"""What a sample's name has behind its family's (OpenMetrics, "Suffixes"); a histogram's has several."""


class Metric(Struct, frozen=True, kw_only=True):
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


class Family(Struct):
    """One metric with its samples: the name's suffix, labels, a bucket's upper bound or "", value."""

    row: Metric
    samples: list[tuple[str, Labels, str, float]] = field(default_factory=list)

    def add(self, labels: Labels, value: float) -> None:
        """The only sample, or one of several that labels tell apart; not of a histogram."""
        self.samples.append((SUFFIXES[self.row.kind], labels, "", value))

    def add_histogram(
        self, labels: Labels, bounds: Iterable[str], counts: Iterable[int], total: float
    ) -> None:
        """One histogram. counts: of each bucket alone, the last bound being +Inf. total: of all values."""
        below = 0
        for bound, count in zip(bounds, counts, strict=True):
            below += count
            self.samples.append(("_bucket", labels, bound, below))
        self.samples += (("_count", labels, "", below), ("_sum", labels, "", total))


def _escaped(text: str) -> str:
    return text.replace("\\", r"\\").replace("\n", r"\n").replace('"', r"\"")


def number(value: float) -> str:
    """A value, in the way that servers of the plain form write bounds too: an exponent from a million on."""
    value = float(value)
    if not isfinite(value):
        return "NaN" if isnan(value) else "+Inf" if value > 0 else "-Inf"
    text = repr(value)
    whole, dot, rest = text.partition(".")
    if value < 0 or not dot or len(whole) <= 6:
        return text
    mantissa = f"{whole[0]}.{whole[1:]}{rest}".rstrip("0.")
    return f"{mantissa}e+{len(whole) - 1:02d}"


def _joined(pairs: Iterable[tuple[str, str]]) -> str:
    return ",".join([f'{name}="{_escaped(word)}"' for name, word in pairs])


def _lines(family: Family, common: Labels) -> Iterable[str]:
    name, last = family.row.name, None
    text = before = behind = ""
    for suffix, labels, bound, value in family.samples:
        if labels is not last:
            last, pairs = labels, sorted((common | labels).items())
            text = _joined(pairs)
            if bound:  # labels are in the order of their names
                before = _joined([*(p for p in pairs if p[0] < BOUND), (BOUND, "")])[:-1]
                behind = "".join([f",{_joined([p])}" for p in pairs if p[0] > BOUND])
        all_of_it = f'{before}{bound}"{behind}' if bound else text
        yield f"{name}{suffix}{{{all_of_it}}} {number(value)}\n"


def openmetrics(families: Iterable[Family], common: Labels) -> bytes:
    """OpenMetrics 1.0; `common`: labels of every series."""
    out: list[str] = []
    for family in families:
        row = family.row
        out += (f"# HELP {row.name} {_escaped(row.words)}\n", f"# TYPE {row.name} {row.kind}\n")
        if row.unit and row.name.endswith(f"_{row.unit}"):
            out.append(f"# UNIT {row.name} {row.unit}\n")
        out += _lines(family, common)
    return "".join([*out, "# EOF\n"]).encode()


def plain(families: Iterable[Family], common: Labels) -> bytes:
    """The older form: a counter's name has its suffix everywhere, what only informs is a gauge."""
    out: list[str] = []
    for family in families:
        row = family.row
        name, kind = row.name + SUFFIXES.get(row.kind, ""), row.kind
        words = row.words.replace("\\", r"\\").replace("\n", r"\n")
        out += (
            f"# HELP {name} {words}\n",
            f"# TYPE {name} {MetricKind.GAUGE if kind is MetricKind.INFO else kind}\n",
            *_lines(family, common),
        )
    return "".join(out).encode()
