"""Every reader of outside octets as a function of octets that must end in a value or in one printable line.

A target gets octets and calls a reader with them. Allowed outcomes are a return and an error of ours (or the
one that the reader's docstring names); anything else is a finding. `seeds_of` gives sound examples, from
which the short runs among the ordinary tests begin and which a coverage-guided run takes as its corpus.
"""

import base64
import json
import random
import zlib
from collections.abc import Callable
from functools import cache
from pathlib import Path

from fuzz import of_agents, of_files, of_fleet, of_http, of_kernel, of_packets, of_reports
from fuzz.allowed import Seeds, Targets, complained, must, named, scratch
from fuzz.allowed import any_text as _text
from support.records import lifelike
from whichhop.app.agents.learning import Told, joined_since
from whichhop.config.check import check_home
from whichhop.config.epochs import NONE, epoch_of, is_owners, owner_of
from whichhop.config.home_edit import with_agent
from whichhop.config.load import load_yaml
from whichhop.config.pairing_keys import PairingSide
from whichhop.daemon.beside.upstream import found_of
from whichhop.errors import RemoteError, WhichhopError
from whichhop.model import Method, Reading, SessionKey
from whichhop.model.channel import Channel
from whichhop.model.units import NS_PER_S
from whichhop.outside import typed
from whichhop.printable import printable
from whichhop.probes.path_trace import read_route
from whichhop.serve.answer import Answer
from whichhop.serve.answer import Question as Asked
from whichhop.serve.records_api import readings_page, records_page
from whichhop.store.collect import collect, gather
from whichhop.store.interchange import read_lines, record_lines
from whichhop.store.metrics_server import MetricsServer
from whichhop.store.note_lines import gains_of
from whichhop.store.store import Store
from whichhop.wire import bulk, docs_mib, level_numbers, mibs, upnp_wan
from whichhop.wire.level_columns import parse_rate_bps
from whichhop.wire.level_file import read_csv, read_json
from whichhop.wire.lookup import LookupQuestion, decode_answer
from whichhop.wire.modem_table import TableReading, read_page
from whichhop.wire.packed import pack, unpack, unpack_one
from whichhop.wire.pairing import (
    LONGEST_ASK,
    Hello,
    HomeSent,
    Machine,
    OwnKey,
    Proof,
    RefusedHereError,
    line_of,
    read_line,
)
from whichhop.wire.quoted import read_quoted

KEY = SessionKey(agent="desk", target="attic", method=Method.ECHO)


# -- a modem's levels


def numbers(octets: bytes) -> None:
    word = _text(octets)
    for read, low, high in (
        (level_numbers.parse_level_dbmv, -1e6, 1e6),
        (level_numbers.parse_ratio_db, -1e6, 1e6),
        (level_numbers.parse_count, 0, 2**64 - 1),
        (level_numbers.parse_frequency_hz, 0, 1e12),
        (level_numbers.parse_modulation, 0, 2**20),
        (parse_rate_bps, 0, 1e15),
    ):
        value = read(word)
        must(value is None or low <= value <= high, f"{read.__name__}({word!r}) gave {value!r}")


def _sound(found: TableReading) -> None:
    """What the exporter, the store and the packing must be able to take."""
    for channel in found.channels:
        _channel(channel)
    for remark in found.remarks:
        must(printable(remark) == remark, f"a remark that acts: {remark!r}")
    must(len(found.remarks) <= 1_000, "a remark for every cell of a page without end")


def _channel(channel: Channel) -> None:
    for name in ("channel_id", "frequency_hz", "width_hz", "modulation", "unerrored", "corrected"):
        value = getattr(channel, name)
        must(value is None or 0 <= value < 2**64, f"{name} is {value!r}")
    for name in ("power_dbmv", "mer_db"):
        value = getattr(channel, name)
        must(value is None or -1000 < value < 1000, f"{name} is {value!r}")


def level_csv(octets: bytes) -> None:
    _sound(read_csv(_text(octets), source="levels.csv"))


def level_json(octets: bytes) -> None:
    found, at_ns = read_json(_text(octets), "levels.json")
    must(at_ns is None or abs(at_ns) < 2**63, f"at {at_ns}")
    _sound(found)


def modem_page(octets: bytes) -> None:
    _sound(read_page(_text(octets)))


def _walk(octets: bytes, columns: tuple[docs_mib.Oid, ...]) -> dict[docs_mib.Oid, int]:
    """Walked objects of the octets: which column, which index, and a value of up to eight octets, signed."""
    out = {}
    for at in range(0, len(octets) - 2, 11):
        part = octets[at : at + 11]
        column = columns[part[0] % len(columns)]
        index = (part[1],) if part[2] & 1 else (part[1], part[2])
        out[*column, *index] = int.from_bytes(part[3:], signed=True) * (10**300 if part[2] == 255 else 1)
    return out


_DOCS = tuple(
    v
    for k, v in vars(docs_mib).items()
    if isinstance(v, tuple) and k.isupper() and v and isinstance(v[0], int)
)


def cable_mib(octets: bytes) -> None:
    for channel in docs_mib.channels_of(_walk(octets, _DOCS)):
        _channel(channel)


def dsl_line_mib(octets: bytes) -> None:
    columns = tuple((*walk, c) for walk in mibs.DSL_WALKS for c in range(1, 9))
    for line in mibs.dsl_of(_walk(octets, columns)):
        must(line.margin_db is None or abs(line.margin_db) < 1e6, f"margin {line.margin_db}")


def interface_mib(octets: bytes) -> None:
    found = mibs.counters_of(_walk(octets, mibs.COUNTERS), octets[1] if len(octets) > 1 else 1)
    if found is not None:
        must(0 <= found.received < 2**64 and 0 <= found.sent < 2**64, "a count out of range")
        must(found.speed_bps is None or 0 < found.speed_bps < 2**63, f"speed {found.speed_bps}")
    box = mibs.box_counts_of(_walk(octets, mibs.BOX_WALKS), octets[1] if len(octets) > 1 else 1)
    must(all(c is None or 0 <= c < 2**32 for c in box.counts), f"counts {box.counts}")
    must(box.uptime_s is None or 0 <= box.uptime_s < 2**32, f"uptime {box.uptime_s}")


def upnp_description(octets: bytes) -> None:
    upnp_wan.control_address(octets, "http://192.0.2.1:5000/desc.xml")


def upnp_answer(octets: bytes) -> None:
    total = upnp_wan.answer(octets, upnp_wan.RECEIVED)
    must(0 <= total < 2**32, f"total {total}")


# -- records and other agents


def interchange(octets: bytes) -> None:
    list(read_lines(_text(octets).splitlines(), "day.jsonl"))


def packed(octets: bytes) -> None:
    """Deflated here, so that damage is tried behind the packing too."""
    for read in (unpack, unpack_one):
        for folded in (octets, zlib.compress(octets, 1)):
            try:
                read(folded)
            except WhichhopError as trouble:
                complained(trouble)


def _store(octets: bytes, ask: Callable[[Store, Callable[[str, str], bytes]], object]) -> None:
    """What is left after an agent answered every question with these octets must still be readable."""
    turns = octets.split(b"\n\n")

    def fetch(url: str, token: str) -> bytes:
        if not turns:
            raise RemoteError("http://192.0.2.20:8620: no answer within 15 s; is the agent running?")
        return turns.pop(0)

    with scratch() as folder, Store.make(folder / "collected.db") as store:
        ask(store, fetch)
        for key in store.sessions():
            list(store.session_records(key))
        list(store.readings())
        must(not any(report.trouble for report in store.verify()), "a chain that does not hold was stored")


REMOTE = {"desk": "http://192.0.2.20:8620"}


def collected(octets: bytes) -> None:
    _store(
        octets,
        lambda store, fetch: [complained(RemoteError(c.trouble)) for c in collect(store, REMOTE, "", fetch)],
    )


def gathered(octets: bytes) -> None:
    _store(octets, lambda store, fetch: gather(store, REMOTE, "", fetch))


def metrics_answer(octets: bytes) -> None:
    server = MetricsServer(base="http://127.0.0.1:9090", ask=lambda url: octets, select={})
    for call in (
        lambda: server.homes(NS_PER_S),
        lambda: server.step_s(NS_PER_S),
        lambda: server.read((KEY,), 0, 600 * NS_PER_S, 60),
    ):
        try:
            call()
        except WhichhopError as trouble:
            complained(trouble)


def note_gains(octets: bytes) -> None:
    gains_of(_text(octets))


def pairing_line(octets: bytes) -> None:
    for kind in (Hello, Proof, Machine, OwnKey, HomeSent):
        try:
            said = read_line(octets, kind, "other", most=LONGEST_ASK)
            if isinstance(said, Hello):
                PairingSide("K7M2QX9RT", b"certificate", inviting=True).keys(said.share)
        except WhichhopError as trouble:
            complained(trouble)
        except RefusedHereError:
            pass


_OWNER = b'{"public_key": "' + b"58" + b"66" * 31 + b'", "sealed": "PEM"}'


def statement(octets: bytes) -> None:
    for read in (epoch_of, owner_of):
        try:
            read(octets, "home.revoked")
        except WhichhopError as trouble:
            complained(trouble)
    try:
        owner = owner_of(_OWNER, "home.owner")
        said = epoch_of(octets, "home.revoked")
        must(said == NONE or not is_owners(said, owner), "a statement that nobody signed")
    except WhichhopError:
        pass


def told_agents(octets: bytes) -> None:
    home = check_home(load_yaml(_HOMES[0].read_text(), "home.yaml"))
    try:
        found, refused = joined_since(home, typed(octets, "other", Told))
    except WhichhopError as trouble:
        complained(trouble)
        return
    text = _HOMES[0].read_text()
    for new in found:
        try:
            text = with_agent(text, new, "home.yaml")
            check_home(load_yaml(text, "home.yaml"))
        except WhichhopError as trouble:
            complained(trouble)
    must(all(isinstance(why, str) for why in refused), "a refusal that is no text")


def talk(octets: bytes) -> None:
    for asks in (True, False):
        try:
            list(bulk.Talk(key=bytes(32), asks=asks, nonce=bytes(16), name="desk").feed(octets))
        except bulk.TalkError as trouble:
            complained(trouble)
    session = bulk.Talk.resumed(asks=True, session="00" * 32, said=0, heard=0)
    other = bulk.Talk.resumed(asks=False, session="00" * 32, said=0, heard=0)
    try:
        signed = (
            octets.replace(b"\n", b" ") + b" " + other._sign(False, 0, octets.replace(b"\n", b" ")).encode()
        )
        list(session.feed(signed + b"\n"))
    except bulk.TalkError as trouble:
        complained(trouble)


# -- children, files, the network


def route_line(octets: bytes) -> None:
    read_route(_text(octets))


def found_addresses(octets: bytes) -> None:
    found_of(octets, "desk.addresses")


def home_file(octets: bytes) -> None:
    from whichhop.config.check import check_home

    check_home(load_yaml(_text(octets), "home.yaml"))


def resolver_answer(octets: bytes) -> None:
    asked = LookupQuestion(name="www.example.org")
    decode_answer(octets, asked)


def icmp_quotation(octets: bytes) -> None:
    read_quoted(octets)


# -- sound examples


def _records() -> list[bytes]:
    drawn = random.Random(7)
    records = [lifelike(drawn, 28_333_320 + m, KEY, count=3) for m in range(3)]
    return [pack(records[:1]), pack(records)]


def _agent_pages() -> bytes:
    """A whole agent as `collected` and `gathered` hear it: open minutes, records, readings."""
    with scratch() as folder:
        path = folder / "desk.db"
        with Store.make(path) as store:
            store.append_all(
                [lifelike(random.Random(m), 28_333_320 + m, KEY, count=3) for m in range(2)],
                [Reading(at_ns=5, agent="desk", name="wan_rx_bytes", value=7.0)],
            )

        def page(read: Callable[[Path, str, Asked], Answer], after: int, limit: int) -> bytes:
            query = {"after": str(after), "limit": str(limit)}
            return read(path, "desk", Asked(path="", query=query, headers={})).body

        pages = [page(records_page, 0, 0), page(records_page, 0, 500), page(records_page, 2, 500)]
        pages += [page(readings_page, 0, 500), page(readings_page, 1, 500)]
    return b"\n\n".join(pages)


_PAGES = sorted((Path(__file__).parents[1] / "data" / "pages").glob("*.html"))
_HOMES = sorted((Path(__file__).parents[2] / "configs").glob("*.yaml"))
_CHANNEL = {"direction": "down", "channel_id": 3, "frequency_hz": 603e6, "power_dbmv": 1.5, "corrected": 12}
_UPNP = (
    b'<?xml version="1.0"?><root xmlns="urn:schemas-upnp-org:device-1-0"><device><serviceList><service>'
    b"<serviceType>urn:schemas-upnp-org:service:WANCommonInterfaceConfig:1</serviceType>"
    b"<controlURL>/ctl/wan</controlURL></service></serviceList></device></root>"
)
_TOTAL = (
    b'<s:Envelope xmlns:s="http://schemas.xmlsoap.org/soap/envelope/"><s:Body>'
    b"<u:GetTotalBytesReceivedResponse xmlns:u='x'><NewTotalBytesReceived>4294967295</NewTotalBytesReceived>"
    b"</u:GetTotalBytesReceivedResponse></s:Body></s:Envelope>"
)
_QUERY = json.dumps(
    {
        "status": "success",
        "data": {
            "result": [
                {
                    "metric": {
                        "agent": "desk",
                        "target": "attic",
                        "method": "echo",
                        "le": "0.005",
                        "home": "x",
                    },
                    "value": [1.0, "5"],
                    "values": [[0, "5"], [60, "9"]],
                }
            ]
        },
    }
).encode()

_SEEDS: Seeds = {
    "numbers": [
        w.encode() for w in ("-3.2 dBmV", "105,0 dBuV", "1'234'567", "603 MHz", "256QAM", "52.4 Mbit/s")
    ],
    "level_csv": [
        b"direction,channel id,frequency Hz,power dBmV,SNR dB,corrected\ndown,3,603000000,1.5,38,12\n"
    ],
    "level_json": [json.dumps({"at": "2026-03-01T18:04:05Z", "channels": [_CHANNEL]}).encode()],
    "modem_page": [page.read_bytes() for page in _PAGES],
    "cable_mib": [bytes(range(220))],
    "dsl_line_mib": [bytes(range(220))],
    "interface_mib": [bytes(range(220))],
    "upnp_description": [_UPNP],
    "upnp_answer": [_TOTAL],
    "interchange": [
        "\n".join(record_lines(lifelike(random.Random(1), 28_333_320, KEY, count=3))).encode(),
        b'{"at": "2026-03-01T18:04:05Z", "agent": "desk", "counter": "wan_rx_bytes", "value": 5}',
        b'{"note": "2026-03-01T18:04:05Z", "text": "took it out", "expected": '
        b'[{"direction": "down", "frequency_hz": 4e8, "gain_db": 3.5}]}',
    ],
    "packed": _records() + [zlib.decompress(r) for r in _records()],
    "collected": [_agent_pages()],
    "gathered": [b'{"record": "' + base64.b64encode(_records()[0]) + b'"}\n\n' + _agent_pages()],
    "metrics_answer": [_QUERY],
    "note_gains": [b'[{"direction": "down", "frequency_hz": 4e8, "gain_db": 3.5}]'],
    "talk": [
        b'{"talk": 1, "nonce": "' + b"00" * 16 + b'"}\n',
        b'{"name": "desk", "nonce": "' + b"00" * 16 + b'", "proof": "' + b"00" * 32 + b'"}\n',
        b'{"stream": 1, "token": "00"}\n',
    ],
    "pairing_line": [
        line_of(Hello(version=1, share="41" + "58" + "66" * 31)),
        line_of(Proof(proof="00" * 32)),
        line_of(Machine(name="attic", radio=True, gateway="192.0.2.1")),
    ],
    "statement": [
        b'{"number": 1, "revoked": [{"agent": "laptop", "key": "ab", "at_s": 1}], "key_digest": "cd",'
        b' "signature": "00"}',
        _OWNER,
    ],
    "told_agents": [
        b'{"nodes": [{"name": "shed", "kind": "host", "agent": true, "address": "192.0.2.77"}],'
        b' "links": [{"near": "shed", "far": "router", "kind": "wired"}], "known": {"shed": "PEM"}}',
    ],
    "route_line": [
        b'{"target": "192.0.2.9", "hops": [{"ttl": 1, "addresses": ["192.0.2.1"], "rtts_s": [0.001]}]}'
    ],
    "found_addresses": [b'{"names": {"harbour.example.net": "203.0.113.7"}, "edges": {"": "198.51.100.1"}}'],
    "home_file": [home.read_bytes() for home in _HOMES],
    "resolver_answer": [bytes.fromhex("00018180000100010000000003777777076578616d706c65036f72670000010001")],
    "icmp_quotation": [bytes.fromhex("4500001c000000004011000000000000c0000201c0000209") + bytes(8)],
}

_TARGETS = named(
    numbers,
    level_csv,
    level_json,
    modem_page,
    cable_mib,
    dsl_line_mib,
    interface_mib,
    upnp_description,
    upnp_answer,
    interchange,
    packed,
    collected,
    gathered,
    metrics_answer,
    note_gains,
    pairing_line,
    statement,
    talk,
    told_agents,
    route_line,
    found_addresses,
    home_file,
    resolver_answer,
    icmp_quotation,
)
_ROOMS = (of_agents, of_packets, of_http, of_fleet, of_files, of_kernel, of_reports)
TARGETS: Targets = _TARGETS | {name: t for room in _ROOMS for name, t in room.TARGETS.items()}
_SEEDS_OF_ROOMS: dict[str, list[bytes] | Callable[[], list[bytes]]] = {
    name: s for room in _ROOMS for name, s in room.SEEDS.items()
}


@cache
def seeds_of(name: str) -> list[bytes]:
    """A target's sound examples; some take seconds to make, so they are made when they are asked for."""
    made = (_SEEDS | _SEEDS_OF_ROOMS)[name]
    return made() if callable(made) else made
