"""Requests as the remote-write specifications have them: octets by hand, and what is read back."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.model.fleet import Series, WriteVersion

pytest.importorskip("google.protobuf", reason="the extra fleet is not installed")
cramjam = pytest.importorskip("cramjam", reason="the extra fleet is not installed")

from whichhop.wire.remote_write import headers, read, request  # noqa: E402 - after what may skip

ONE = Series(name="up", labels=(("home", "A"),), points=((1, 1.0), (2, 0.0)))
TEXT = st.text(st.characters(codec="utf-8", exclude_characters="\0"), min_size=1, max_size=8)
SERIES = st.lists(
    st.builds(
        lambda name, labels, points: Series(
            name=f"n{name}",
            labels=tuple(sorted((f"l{k}", v) for k, v in labels.items())),
            points=tuple(points),
        ),
        st.integers(0, 5),
        st.dictionaries(st.integers(0, 5), TEXT, max_size=3),
        st.lists(st.tuples(st.integers(0, 2**50), st.floats(allow_nan=False)), min_size=1, max_size=4),
    ),
    max_size=6,
    unique_by=lambda s: (s.name, s.labels),
)


def plain(series: Series, version: WriteVersion) -> bytes:
    return bytes(cramjam.snappy.decompress_raw(request([series], version)))


def test_the_octets_of_1_0_are_those_that_the_field_numbers_give() -> None:
    # Protocol Buffers encoding by hand: tag = number << 3 | wire type; Remote-Write 1.0 "Protocol".
    name = b"\x0a\x0e" + b"\x0a\x08__name__" + b"\x12\x02up"
    home = b"\x0a\x09" + b"\x0a\x04home" + b"\x12\x01A"
    first = b"\x12\x0b" + b"\x09\x00\x00\x00\x00\x00\x00\xf0\x3f" + b"\x10\x01"
    second = b"\x12\x02" + b"\x10\x02"  # a value of nought is proto3's default and not sent
    body = name + home + first + second
    assert plain(ONE, WriteVersion.ONE) == b"\x0a" + bytes([len(body)]) + body


def test_the_octets_of_2_0_are_those_that_the_field_numbers_give() -> None:
    symbols = b"".join(b"\x22" + bytes([len(s)]) + s for s in (b"", b"__name__", b"up", b"home", b"A"))
    references = b"\x0a\x04\x01\x02\x03\x04"
    first = b"\x12\x0b" + b"\x09\x00\x00\x00\x00\x00\x00\xf0\x3f" + b"\x10\x01"
    metadata = b"\x2a\x02\x08\x02"  # a gauge
    body = references + first + b"\x12\x02\x10\x02" + metadata
    assert plain(ONE, WriteVersion.TWO) == symbols + b"\x2a" + bytes([len(body)]) + body


@given(SERIES, st.sampled_from(list(WriteVersion)))
def test_what_is_written_is_read_back(series: list[Series], version: WriteVersion) -> None:
    assert list(read(request(series, version), version)) == series


def test_parts_of_one_series_are_joined() -> None:
    later = Series(name=ONE.name, labels=ONE.labels, points=((3, 1.5),))
    (found,) = read(request([ONE, later], WriteVersion.ONE), WriteVersion.ONE)
    assert found.points == (*ONE.points, *later.points)


def test_headers_name_the_version_and_in_2_0_the_message() -> None:
    # "Headers" of both specifications.
    assert headers(WriteVersion.ONE) == {
        "Content-Type": "application/x-protobuf",
        "Content-Encoding": "snappy",
        "X-Prometheus-Remote-Write-Version": "0.1.0",
    }
    two = headers(WriteVersion.TWO)
    assert two["Content-Type"] == "application/x-protobuf;proto=io.prometheus.write.v2.Request"
    assert two["X-Prometheus-Remote-Write-Version"] == "2.0.0"
