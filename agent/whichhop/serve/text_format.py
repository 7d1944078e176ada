"""Metric families as text: OpenMetrics 1.0, or Prometheus' older text format 0.0.4. Pure.

Written here because the usual library loads HTTP servers and clients beside it, three megabytes in every
agent; that library's parsers read it back in the tests.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from whichhop.serve.metric_row import MetricKind

_IN_A_LABEL = str.maketrans({"\\": r"\\", "\n": r"\n", '"': r"\""})
_IN_OLD_HELP = str.maketrans({"\\": r"\\", "\n": r"\n"})


class Sample(NamedTuple):
    """One series now; `name` with the suffix of its type."""

    name: str
    labels: dict[str, str]
    value: float


@dataclass(slots=True, kw_only=True)
class Family:
    """`name` without the suffix that its type adds; `unit` is "" where the name does not end in it."""

    name: str
    words: str
    type: MetricKind
    unit: str
    samples: list[Sample] = field(default_factory=list)

    def add_sample(self, name: str, labels: dict[str, str], value: float) -> None:
        """One more series of it."""
        self.samples.append(Sample(name, labels, value))


def _number(value: float) -> str:
    if math.isfinite(value):
        return repr(float(value))
    return "NaN" if math.isnan(value) else ("+Inf" if value > 0 else "-Inf")


def _lines(samples: Iterable[Sample]) -> Iterator[str]:
    for one in samples:
        labels = ",".join(f'{k}="{v.translate(_IN_A_LABEL)}"' for k, v in sorted(one.labels.items()))
        yield (
            f"{one.name}{{{labels}}} {_number(one.value)}\n"
            if labels
            else f"{one.name} {_number(one.value)}\n"
        )


def openmetrics_text(families: Iterable[Family]) -> bytes:
    """OpenMetrics 1.0: metadata by the family's name, the unit, an end mark."""
    out = []
    for family in families:
        out.append(f"# HELP {family.name} {family.words.translate(_IN_A_LABEL)}\n")
        out.append(f"# TYPE {family.name} {family.type}\n")
        if family.unit:
            out.append(f"# UNIT {family.name} {family.unit}\n")
        out += _lines(family.samples)
    return "".join([*out, "# EOF\n"]).encode()


def plain_text(families: Iterable[Family]) -> bytes:
    """Format 0.0.4: metadata by the series' name, no type "info"."""
    out = []
    for family in families:
        suffix = {MetricKind.COUNTER: "_total", MetricKind.INFO: "_info"}.get(family.type, "")
        kind = MetricKind.GAUGE if family.type is MetricKind.INFO else family.type
        out.append(f"# HELP {family.name}{suffix} {family.words.translate(_IN_OLD_HELP)}\n")
        out.append(f"# TYPE {family.name}{suffix} {kind}\n")
        out += _lines(family.samples)
    return "".join(out).encode()
