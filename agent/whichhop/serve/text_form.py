"""Metric families as text, in OpenMetrics 1.0 or in the older text form 0.0.4 that scrapers take by default.

Written out here, not by a library: a scrape then costs half, and the agent loads no second HTTP
server. The library's own parsers read it back in the tests.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

OPENMETRICS = "application/openmetrics-text"
OPENMETRICS_TYPE = f"{OPENMETRICS}; version=1.0.0; charset=utf-8"
PLAIN_TYPE = "text/plain; version=0.0.4; charset=utf-8"

Labels = Mapping[str, str]


class MetricSample(NamedTuple):
    """One line. name: the family's, with the suffix of its type."""

    name: str
    labels: Labels
    value: float


@dataclass(slots=True)
class Family:
    """One metric family; `name` is without its type's suffix."""

    name: str
    documentation: str
    type: str
    unit: str
    samples: list[MetricSample] = field(default_factory=list)

    def add(self, suffix: str, labels: Labels, value: float) -> None:
        """One sample more."""
        self.samples.append(MetricSample(self.name + suffix, labels, value))


def wants_openmetrics(accept: str) -> bool:
    """Whether an Accept header (RFC 9110 12.5.1) names OpenMetrics 1.x, or without a version; q=0 is a no."""
    for part in accept.split(","):
        media, *parameters = (word.strip().lower() for word in part.split(";"))
        refused = any(p.startswith("q=") and not p[2:].strip("0.") for p in parameters)
        versions = [p.removeprefix("version=") for p in parameters if p.startswith("version=")]
        if media == OPENMETRICS and not refused and all(v.startswith("1.") for v in versions):
            return True
    return False


def _value(text: str) -> str:
    """A label's value between its quotes (OpenMetrics 1.0, "escaped-string")."""
    if "\\" in text or "\n" in text or '"' in text:
        return text.replace("\\", r"\\").replace("\n", r"\n").replace('"', r"\"")
    return text


def _number(value: float) -> str:
    if math.isfinite(value):
        return repr(float(value))
    return "NaN" if math.isnan(value) else "+Inf" if value > 0 else "-Inf"


def _sample(name: str, labels: Labels, value: float) -> str:
    pairs = ",".join([f'{key}="{_value(text)}"' for key, text in labels.items()])
    return f"{name}{{{pairs}}} {_number(value)}" if pairs else f"{name} {_number(value)}"


def openmetrics_text(families: Iterable[Family]) -> bytes:
    """OpenMetrics 1.0: each family under its bare name, and an end by which a cut answer shows."""
    lines: list[str] = []
    for family in families:
        name = family.name
        lines += [f"# HELP {name} {_value(family.documentation)}", f"# TYPE {name} {family.type}"]
        if family.unit:
            lines.append(f"# UNIT {name} {family.unit}")
        lines += [_sample(*sample) for sample in family.samples]
    return "\n".join([*lines, "# EOF", ""]).encode()


_PLAIN = {"counter": ("_total", "counter"), "info": ("_info", "gauge")}
"""The older form names a counter or an information as its samples are named, and knows no type `info`."""


def plain_text(families: Iterable[Family]) -> bytes:
    """The text form 0.0.4."""
    lines: list[str] = []
    for family in families:
        suffix, kind = _PLAIN.get(family.type, ("", family.type))
        words = family.documentation.replace("\\", r"\\").replace("\n", r"\n")
        lines += [f"# HELP {family.name}{suffix} {words}", f"# TYPE {family.name}{suffix} {kind}"]
        lines += [_sample(*sample) for sample in family.samples]
    return "\n".join([*lines, ""]).encode()
