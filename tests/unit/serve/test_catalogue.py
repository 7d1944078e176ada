from pathlib import Path

from whichhop.serve.catalogue import BUCKETS_S, CATALOGUE, exposed_name, markdown
from whichhop.serve.exposition import MetricKind

PAGE = Path(__file__).parents[3] / "shared" / "metrics.md"
REMAKE = (
    "python -c 'from whichhop.serve.catalogue import markdown as m; print(m(), end=\"\")' > shared/metrics.md"
)


def test_the_page_in_shared_is_current() -> None:
    assert PAGE.read_text() == markdown(), f"make it anew: {REMAKE}"


def test_names_follow_the_naming_practices() -> None:
    # prometheus.io "Metric and label naming": one prefix, base units, the unit last, _total by the exporter.
    for metric in CATALOGUE.values():
        assert metric.name.startswith("whichhop_")
        assert not metric.name.endswith(("_total", "_info", "_bucket", "_count", "_sum"))
        for small in ("_ms", "_us", "_ns", "_milliseconds", "_kilobytes", "_bits", "_percent"):
            assert small not in metric.name
        if metric.unit:
            assert metric.name.endswith(f"_{metric.unit}")
    assert len({exposed_name(m) for m in CATALOGUE.values()}) == len(CATALOGUE)


def test_the_buckets_rise_and_end_where_a_packet_is_given_up() -> None:
    assert list(BUCKETS_S) == sorted(set(BUCKETS_S))
    assert BUCKETS_S[-1] == 3.0
    assert [m.name for m in CATALOGUE.values() if m.kind is MetricKind.HISTOGRAM] == [
        "whichhop_round_trip_seconds"
    ]
