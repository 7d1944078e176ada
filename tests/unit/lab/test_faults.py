"""Counters are read from nft's own JSON by each rule's comment."""

from whichhop.lab.faults import counters

# The form of libnftables-json(5), schema 1, shortened to the keys that are read.
LISTING = """{"nftables": [
  {"metainfo": {"json_schema_version": 1}},
  {"table": {"family": "netdev", "name": "whichhop_2_up", "handle": 1}},
  {"chain": {"family": "netdev", "table": "whichhop_2_up", "name": "arriving", "handle": 1}},
  {"rule": {"chain": "arriving", "comment": "taken", "expr": [{"counter": {"packets": 50, "bytes": 4200}}]}},
  {"rule": {"chain": "arriving", "comment": "lost", "expr": [
    {"match": {"op": "<", "left": {"numgen": {"mode": "random", "mod": 1000000}}, "right": 200000}},
    {"counter": {"packets": 9, "bytes": 756}}, {"drop": null}]}}
]}"""


def test_each_rules_packets_are_read_by_its_comment() -> None:
    assert counters(LISTING) == {"taken": 50, "lost": 9}
