import json
import random
from datetime import datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from support.records import any_record, lifelike
from whichhop.errors import DataError
from whichhop.model import Columns, Fate, Method, Reading, Record, Sample, SessionKey
from whichhop.outside import LARGEST_VALUE
from whichhop.store.interchange import read_lines, reading_line, record_lines, seconds_text, time_text

KEY = SessionKey(agent="desk", target="router", method=Method.STAMP)
SAMPLE = (
    '{"sent": "2026-03-01T18:04:05.123456Z", "agent": "desk", "target": "router", "method": "stamp",'
    ' "rtt_s": 0.00421, "lost": null, "rate_bps": null}'
)
AT_NS = 1_772_388_245_123_456_000  # `date -u -d 2026-03-01T18:04:05 +%s` gives 1772388245


def parsed(*lines: str) -> list[Record | Reading]:
    return list(read_lines(lines, "a.jsonl"))


@given(st.lists(any_record().map(lambda r: replace(r, minute=r.minute % 150_000_000)), max_size=4))
def test_any_records_come_back_exactly(records: list[Record]) -> None:
    lines = [line for record in records for line in record_lines(record)]
    assert parsed(*lines) == records


@given(
    st.integers(0, 2**63 - 1),
    st.floats(-LARGEST_VALUE, LARGEST_VALUE),
    st.text(min_size=1, max_size=200).filter(str.isprintable),
)
def test_any_reading_comes_back_exactly(at_ns: int, value: float, name: str) -> None:
    reading = Reading(at_ns=at_ns, agent="desk", name=name, value=value)
    assert parsed(reading_line(reading)) == [reading]


@given(any_record().map(lambda r: replace(r, minute=r.minute % 150_000_000)))
def test_every_line_is_plain_json_with_the_documented_keys(record: Record) -> None:
    first, *rest = [json.loads(line) for line in record_lines(record)]
    assert first["samples"] == len(rest)
    for line in rest:
        assert {"sent", "agent", "target", "method", "rtt_s", "lost", "rate_bps"} <= set(line)
        assert line["lost"] in ("out", "back", "unknown", None)


def test_the_documented_sample_line_is_read() -> None:
    (record,) = parsed(SAMPLE)
    assert isinstance(record, Record)
    assert record.session == KEY
    assert record.minute == AT_NS // 60_000_000_000
    assert list(record.samples) == [Sample(sent_ns=AT_NS, fate=Fate.ANSWERED, rtt_ns=4_210_000)]


def test_the_documented_counter_line_is_read() -> None:
    line = '{"at": "2026-03-01T18:04:05Z", "agent": "desk", "counter": "wan_rx_bytes", "value": 123}'
    assert parsed(line) == [
        Reading(at_ns=AT_NS - 123_456_000, agent="desk", name="wan_rx_bytes", value=123.0)
    ]


@given(st.integers(0, 4_000_000_000), st.integers(0, 999_999))
def test_times_agree_with_the_standard_librarys_reader(seconds: int, micros: int) -> None:
    text = time_text(seconds * 10**9 + micros * 1000)
    assert datetime.fromisoformat(text).timestamp() == pytest.approx(seconds + micros / 1e6, abs=1e-6)


@given(st.integers(-(2**63), 2**63 - 1))
def test_durations_are_exact_decimals(value: int) -> None:
    assert Decimal(seconds_text(value)) * 10**9 == value


def test_another_zone_and_nine_digits_are_read() -> None:
    line = SAMPLE.replace("18:04:05.123456Z", "19:34:05.123456789+01:30")
    (record,) = parsed(line)
    assert isinstance(record, Record)
    assert record.samples.sent_ns[0] == AT_NS + 789


def test_samples_without_minute_lines_are_gathered_by_session_and_minute() -> None:
    records = [replace(lifelike(random.Random(m), 28_333_333 + m, KEY), stamps="?") for m in range(12)]
    lines = [line for record in records for line in list(record_lines(record))[1:]]
    lines[3], lines[70] = lines[70], lines[3]
    assert parsed(*lines) == records


def test_sessions_may_be_mixed_line_by_line() -> None:
    other = SessionKey(agent="desk", target="attic", method=Method.ECHO)
    a, b = lifelike(random.Random(1), 28_333_333, KEY), lifelike(random.Random(2), 28_333_333, other)
    mixed = [line for pair in zip(record_lines(a), record_lines(b), strict=True) for line in pair]
    assert parsed(*mixed) == [a, b]


def test_a_transfers_rate_becomes_a_reading() -> None:
    line = SAMPLE.replace("0.00421", "null").replace('"rate_bps": null', '"rate_bps": 94000000')
    assert parsed(line) == [Reading(at_ns=AT_NS, agent="desk", name="rate_bps:router", value=94e6)]


BAD = [
    ("{", "(line)", "is not JSON"),
    (SAMPLE[:-40], "(line)", "it is cut short: copy the file again whole, or remove the line"),
    ("sent,agent", "(line)", "write one JSON object a line"),
    ("[1]", "(line)", "is not a JSON object"),
    ('{"a": 1}', "(line)", "none of the keys sent, at, minute"),
    ('{"format": 9}', "(line)", "if a newer whichhop wrote the file, read it with that one"),
    (
        SAMPLE.replace("rtt_s", "rtt_ms"),
        "rtt_ms",
        "unknown key; did you mean rtt_s? known beside sent: agent",
    ),
    (SAMPLE.replace("target", "tagret"), "tagret", "did you mean target?"),
    (SAMPLE[:-1] + ', "ecn": 1}', "ecn", "if a newer whichhop wrote the file, read it with that one"),
    (SAMPLE.replace('"stamp"', '"quic"'), "method", "if a newer whichhop wrote the file"),
    (SAMPLE.replace('"lost"', '"agent": "attic", "lost"'), "agent", "stands twice"),
    (SAMPLE.replace("18:04:05.123456Z", "25:04:05Z"), "sent", "is not a time"),
    (SAMPLE.replace("05.123456Z", "05.1234567891Z"), "sent", "nine fractional digits at most"),
    (SAMPLE.replace("2026-03-01T18:04:05.123456Z", "2500-01-01T00:00:00Z"), "sent", "out of range"),
    (SAMPLE.replace('"2026-03-01T18:04:05.123456Z"', "12"), "sent", "12 is not a time"),
    (SAMPLE.replace("0.00421", '"4.21 ms"'), "rtt_s", 'is "4.21 ms", not a number; write a number or null'),
    (SAMPLE.replace("0.00421", "NaN"), "rtt_s", "not a number"),
    (SAMPLE.replace("0.00421", "1e30"), "rtt_s", "out of range"),
    (SAMPLE.replace("0.00421", "10.1"), "rtt_s", "write seconds, 0.0201 for 20.1 ms"),
    (SAMPLE.replace("0.00421", "-5"), "rtt_s", "-5 s is below zero"),
    (SAMPLE.replace("0.00421", "9" * 400), "(line)", "is not JSON"),
    (SAMPLE.replace("0.00421", "1e9999999999999999999"), "(line)", "is not JSON"),
    (SAMPLE.replace('"rate_bps": null', '"rate_bps": 1e999'), "rate_bps", "out of range"),
    (SAMPLE.replace('"rate_bps": null', '"rate_bps": -1'), "rate_bps", "keep it within 0 and 1e+24"),
    ('{"at": "2026-03-01T18:04:05Z", "agent": "desk", "counter": "x", "value": -1e300}', "value", "1e+24"),
    (SAMPLE.replace("desk", "\\ud800"), "agent", "control or invisible characters"),
    (SAMPLE.replace("desk", "\\u001b[2J"), "agent", "control or invisible characters"),
    (SAMPLE + " " * 200_000, "(line)", "write at most 100000 a line"),
    (SAMPLE.replace("0.00421", "true"), "rtt_s", "is true, not a number"),
    (SAMPLE.replace("0.00421", "null"), "rtt_s", 'say lost: "unknown"'),
    (SAMPLE.replace('"lost": null', '"lost": "up"'), "lost", 'is "up"; write "out", "back"'),
    (SAMPLE.replace('"lost": null', '"lost": "out"'), "lost", 'fate "late" for a late answer'),
    (SAMPLE.replace('"lost": null', '"lost": null, "fate": "eaten"'), "fate", "known: answered, late"),
    (SAMPLE.replace('"stamp"', '"smoke"'), "method", "known: echo, stamp"),
    (SAMPLE.replace('"desk"', '""'), "agent", "a name is needed"),
    ('{"at": "2026-03-01T18:04:05Z", "agent": "desk", "counter": "x"}', "value", "is missing"),
    (
        '{"minute": "2026-03-01T18:04:05Z", "agent": "a", "target": "b", "method": "echo"}',
        "minute",
        "is no whole minute",
    ),
    (
        '{"minute": "2026-03-01T18:04:00Z", "agent": "a", "target": "b", "method": "echo", "samples": -1}',
        "samples",
        "is -1, not a count",
    ),
]


@pytest.mark.parametrize(("line", "key", "says"), BAD)
def test_a_bad_line_is_one_complaint_with_file_line_key_and_remedy(line: str, key: str, says: str) -> None:
    with pytest.raises(DataError) as caught:
        parsed(SAMPLE, "", line)
    text = str(caught.value)
    assert text.startswith(f"a.jsonl:3: {key}: ")
    assert says in text
    assert "; " in text
    assert "\n" not in text


def test_a_file_that_was_cut_is_told_with_the_line_of_the_record() -> None:
    lines = list(record_lines(lifelike(random.Random(1), 28_333_333, KEY)))
    with pytest.raises(DataError, match=r"a\.jsonl:1: samples: says 60, but 57 follow; .*export it again"):
        parsed(*lines[:58])


@given(
    st.text(max_size=60)
    | st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(max_size=5),
        lambda inner: st.dictionaries(
            st.sampled_from(["sent", "at", "minute", "agent", "rtt_s", "lost", "value"]), inner
        ),
        max_leaves=8,
    ).map(json.dumps)
)
def test_no_line_crashes_the_reader(line: str) -> None:
    try:
        parsed(line)
    except DataError as told:
        message = str(told)
        assert message.startswith("a.jsonl:1: ")


def test_an_empty_record_keeps_its_facts() -> None:
    record = Record(session=KEY, minute=28_333_333, samples=Columns(), duplicates=3, clock_error_ns=1_234_567)
    assert parsed(*record_lines(record)) == [record]


def test_a_line_that_stands_twice_is_one_packet_and_two_answers_at_one_time_are_two() -> None:
    """Two exports of one evening in one file once doubled the packets that intervals are worked out from."""
    twice = [SAMPLE, SAMPLE.replace("0.00421", "0.005"), SAMPLE]
    (record,) = read_lines(twice, "evening.jsonl")
    assert isinstance(record, Record)
    assert [s.rtt_ns for s in record.samples] == [4_210_000, 5_000_000]
