"""The two text forms, held against the encoders and parsers of the scrapers' own client library.

Sources: OpenMetrics 1.0 ("Text format"), the exposition formats of Prometheus 0.0.4.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client import exposition as library_plain
from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics import exposition as library_open
from prometheus_client.openmetrics.parser import text_string_to_metric_families as read_openmetrics
from prometheus_client.parser import text_string_to_metric_families as read_plain
from prometheus_client.registry import Collector

from whichhop.serve.text_form import Family, openmetrics_text, plain_text, wants_openmetrics

SUFFIX = {"counter": "_total", "gauge": "", "info": "_info"}
WORDS = st.text(st.characters(codec="utf-8", exclude_characters="\r\x0b\x0c\x1c\x1d\x1e\x85\u2028\u2029"))


class Given(Collector):
    def __init__(self, families: list[Family]) -> None:
        self.families = families

    def collect(self) -> list[Metric]:
        made = []
        for family in self.families:
            one = Metric(family.name, family.documentation, family.type, family.unit)
            for sample in family.samples:
                one.add_sample(sample.name, dict(sample.labels), sample.value)
            made.append(one)
        return made


def told(text: str, read: object) -> list[tuple[str, str, str, list[tuple[str, dict[str, str], float]]]]:
    return [
        (f.name, f.type, f.documentation, [(s.name, s.labels, s.value) for s in f.samples])
        for f in read(text)  # type: ignore[operator]
    ]


@given(
    kind=st.sampled_from(sorted(SUFFIX)),
    words=WORDS.map(str.strip),
    labels=st.dictionaries(st.sampled_from(("agent", "target", "le2")), WORDS, max_size=3),
    value=st.floats(allow_nan=False, min_value=0) | st.integers(0, 2**53),
)
def test_both_forms_are_read_as_the_librarys_own(
    kind: str, words: str, labels: dict[str, str], value: float
) -> None:
    family = Family("whichhop_dust", words, kind, "")
    family.add(SUFFIX[kind], labels, 1 if kind == "info" else value)
    theirs = Given([family])
    ours = told(plain_text([family]).decode(), read_plain)
    assert ours == told(library_plain.generate_latest(theirs).decode(), read_plain)  # type: ignore[arg-type]
    if math.isfinite(value):  # the library's OpenMetrics reader takes no infinite counter
        ours = told(openmetrics_text([family]).decode(), read_openmetrics)
        assert ours == told(library_open.generate_latest(theirs).decode(), read_openmetrics)


def test_numbers_that_are_none_are_written_as_the_standard_names_them() -> None:
    family = Family("whichhop_dust", "Dust.", "gauge", "")
    for value in (math.inf, -math.inf, math.nan):
        family.add("", {}, value)
    lines = openmetrics_text([family]).decode().splitlines()
    assert lines[2:] == ["whichhop_dust +Inf", "whichhop_dust -Inf", "whichhop_dust NaN", "# EOF"]


def test_a_unit_is_told_in_openmetrics_alone() -> None:
    family = Family("whichhop_age_seconds", "Age.", "gauge", "seconds")
    assert b"# UNIT whichhop_age_seconds seconds\n" in openmetrics_text([family])
    assert b"UNIT" not in plain_text([family])


@pytest.mark.parametrize(
    ("accept", "wanted"),
    [
        ("application/openmetrics-text;version=1.0.0,text/plain;q=0.5", True),
        ("text/plain, APPLICATION/openmetrics-text; q=0.3", True),
        ("application/openmetrics-text;q=0, text/plain", False),
        ("application/openmetrics-text;q=0.000", False),
        ("application/openmetrics-texts", False),
        ("*/*", False),
        (",;,", False),
    ],
)
def test_openmetrics_is_given_to_who_names_it(accept: str, wanted: bool) -> None:
    assert wants_openmetrics(accept) is wanted
