"""The messages of the public remote-write specification, 1.0 and 2.0: series in, a request's octets out.

Protocol Buffers (proto3) by their own library, the messages described here instead of in generated code;
compressed in snappy's block format, as the specification wants. Both libraries are the extra `fleet`.
"""

from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from typing import Any

import cramjam
from google.protobuf import descriptor_pb2, descriptor_pool, message_factory

from whichhop.model.fleet import Series, WriteVersion

MESSAGES = {WriteVersion.ONE: "prometheus.WriteRequest", WriteVersion.TWO: "io.prometheus.write.v2.Request"}
_DOUBLE, _INT64, _STRING, _MESSAGE, _UINT32 = 1, 3, 9, 11, 13
"""FieldDescriptorProto.Type (protobuf's descriptor.proto)."""
_ONE, _MANY = 1, 3
"""FieldDescriptorProto.Label: optional and repeated."""
_V1 = {
    "WriteRequest": [("timeseries", 1, _MESSAGE, _MANY, "TimeSeries")],
    "TimeSeries": [("labels", 1, _MESSAGE, _MANY, "Label"), ("samples", 2, _MESSAGE, _MANY, "Sample")],
    "Label": [("name", 1, _STRING, _ONE, ""), ("value", 2, _STRING, _ONE, "")],
    "Sample": [("value", 1, _DOUBLE, _ONE, ""), ("timestamp", 2, _INT64, _ONE, "")],
}
_V2 = {
    "Request": [("symbols", 4, _STRING, _MANY, ""), ("timeseries", 5, _MESSAGE, _MANY, "TimeSeries")],
    "TimeSeries": [
        ("labels_refs", 1, _UINT32, _MANY, ""),
        ("samples", 2, _MESSAGE, _MANY, "Sample"),
        ("metadata", 5, _MESSAGE, _ONE, "Metadata"),
    ],
    "Sample": [("value", 1, _DOUBLE, _ONE, ""), ("timestamp", 2, _INT64, _ONE, "")],
    "Metadata": [
        ("type", 1, _UINT32, _ONE, ""),
        ("help_ref", 3, _UINT32, _ONE, ""),
        ("unit_ref", 4, _UINT32, _ONE, ""),
    ],
}
"""Fields by number as the two specifications have them, as far as they are written here; an enumeration
travels as the same varint as a uint32."""
_COUNTER, _GAUGE, _INFO = 1, 2, 6
"""Metadata.MetricType of 2.0."""


@cache
def message_of(version: WriteVersion) -> Any:
    """The class of a request's message."""
    package, _, _name = MESSAGES[version].rpartition(".")
    file = descriptor_pb2.FileDescriptorProto(name=f"{package}.proto", package=package, syntax="proto3")
    for message, fields in (_V1 if version is WriteVersion.ONE else _V2).items():
        made = file.message_type.add(name=message)
        for field, number, kind, label, of in fields:
            one = made.field.add(name=field, number=number, type=kind, label=label)
            if of:
                one.type_name = f".{package}.{of}"
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return message_factory.GetMessageClass(pool.FindMessageTypeByName(MESSAGES[version]))


def headers(version: WriteVersion) -> Mapping[str, str]:
    """What a request says of its body."""
    kind = "application/x-protobuf"
    if version is WriteVersion.TWO:
        kind += f";proto={MESSAGES[version]}"
    told = {WriteVersion.ONE: "0.1.0", WriteVersion.TWO: "2.0.0"}[version]
    return {"Content-Type": kind, "Content-Encoding": "snappy", "X-Prometheus-Remote-Write-Version": told}


def request(series: Iterable[Series], version: WriteVersion) -> bytes:
    """A request's body. Values of one series that come in several parts are joined, in the order given."""
    joined: dict[tuple[str, Any], list[tuple[int, float]]] = {}
    for one in series:
        joined.setdefault((one.name, one.labels), []).extend(one.points)
    made = message_of(version)()
    places: dict[str, int] = {"": 0}  # 2.0: the first symbol is the empty one
    for (name, labels), points in joined.items():
        row = made.timeseries.add()
        # Sorted by name, as both versions want; "__name__" comes before every small letter.
        told = sorted([("__name__", name), *labels])
        if version is WriteVersion.ONE:
            for label, value in told:
                row.labels.add(name=label, value=value)
        else:
            row.labels_refs.extend(places.setdefault(text, len(places)) for pair in told for text in pair)
            row.metadata.type = (
                _COUNTER if name.endswith("_total") else _INFO if name.endswith("_info") else _GAUGE
            )
        for at_ms, value in points:
            row.samples.add(value=value, timestamp=at_ms)
    if version is WriteVersion.TWO:
        made.symbols.extend(places)
    return bytes(cramjam.snappy.compress_raw(made.SerializeToString()))


def read(octets: bytes, version: WriteVersion) -> Iterator[Series]:
    """What a request's body says; for whoever holds the writing against it."""
    made = message_of(version)()
    made.ParseFromString(bytes(cramjam.snappy.decompress_raw(octets)))
    for row in made.timeseries:
        if version is WriteVersion.ONE:
            told = {pair.name: pair.value for pair in row.labels}
        else:
            texts = [made.symbols[place] for place in row.labels_refs]
            told = dict(zip(texts[::2], texts[1::2], strict=True))
        name = told.pop("__name__")
        points = tuple((one.timestamp, one.value) for one in row.samples)
        yield Series(name=name, labels=tuple(sorted(told.items())), points=points)
