"""The short-lived child that climbs the ladder of hop limits with scapy and prints the route as a JSON line.

A process of its own, because scapy takes 70 MB that the daemon must not hold: started by path_trace, as
`python -m whichhop.probes.trace_child TARGET SOURCE_PORT`.
"""

import json
import select
import socket
import sys
from contextlib import closing
from ipaddress import ip_address
from typing import Any

from msgspec import Struct, to_builtins
from scapy.config import conf

# As it is loaded scapy would read the routes of both families, a third of this process's work; those of the
# target's are read when it is known.
conf.route_autoload = conf.route6_autoload = False
from scapy.layers import inet, inet6  # noqa: E402
from scapy.packet import Raw  # noqa: E402

from whichhop.net.clock import SystemClock, sleep_s  # noqa: E402
from whichhop.net.hop_socket import HopSocket  # noqa: E402
from whichhop.wire.trace import REFUSED, UNROUTED, Ladder  # noqa: E402

FIRST_PORT = 33434
"""Where nothing listens, so that the target itself answers "port unreachable" (common practice)."""
ROUND_S = 1.0
"""How long a round's answers are waited for."""
GAP_S = 0.02
"""Between probes of a round: a home router limits its errors to some tens a second."""


class Flow(Struct, frozen=True, kw_only=True):
    """The fields that every probe of a ladder shares: both addresses and ports, in IPv6 the flow label.

    The two halves of the payload cancel in the checksum, so that even the transport header is the same.
    """

    target: str
    source_port: int

    @property
    def v4(self) -> bool:
        """True for IPv4."""
        return ip_address(self.target).version == 4

    def packet(self, ttl: int, number: int) -> Any:
        """The probe of one hop limit; `number` (16 bits, never 0) comes back in what a router quotes."""
        payload = number.to_bytes(2) + (0xFFFF - number).to_bytes(2)
        udp = inet.UDP(sport=self.source_port, dport=FIRST_PORT) / Raw(payload)
        if self.v4:
            # A router need not quote more than 8 octets of UDP (RFC 792), so the number is the IP id too.
            return inet.IP(dst=self.target, ttl=ttl, id=number, flags="DF") / udp
        return inet6.IPv6(dst=self.target, hlim=ttl, fl=0) / udp

    def read(self, packet: Any) -> tuple[int, str, bool] | None:
        """(number, who answered, whether it is the target) of an ICMP error about a probe of ours."""
        if inet.UDPerror not in packet:
            return None
        if self.v4:
            if inet.IPerror not in packet:
                return None
            source, quoted, number = packet[inet.IP].src, packet[inet.IPerror].dst, packet[inet.IPerror].id
            unreachable = packet[inet.ICMP].type == 3
        else:
            if inet6.IPerror6 not in packet or Raw not in packet:
                return None
            source, quoted = packet[inet6.IPv6].src, packet[inet6.IPerror6].dst
            number = int.from_bytes(bytes(packet[Raw].load[:2]))
            unreachable = inet6.ICMPv6DestUnreach in packet
        udp = packet[inet.UDPerror]
        if str(ip_address(quoted)) != self.target or (udp.sport, udp.dport) != (self.source_port, FIRST_PORT):
            return None
        source = str(ip_address(source))
        return number, source, unreachable and source == self.target


def open_socket(flow: Flow) -> Any:
    """scapy's raw socket; PermissionError without the right, another OSError without a way to the target."""
    family = socket.AF_INET if flow.v4 else socket.AF_INET6
    with socket.socket(family, socket.SOCK_DGRAM) as asking:
        asking.connect((flow.target, FIRST_PORT))  # scapy would send a packet without a route to nowhere
    conf.verb = 0
    # It would listen where IPv4's default route leads, and where there is none, on the loopback alone.
    if flow.v4:
        conf.route.resync()
        return conf.L3socket(iface=conf.route.route(flow.target)[0])
    conf.route6.resync()
    return conf.L3socket6(iface=conf.route6.route(flow.target)[0])


def climb(flow: Flow, ladder: Ladder, raw: Any) -> None:
    """Climbs to the ladder's end with a raw socket of scapy's."""
    clock, number = SystemClock(), 0
    asked: dict[int, tuple[int, float]] = {}
    while due := ladder.due():
        waiting: set[int] = set()
        for ttl in due:
            number += 1
            packet = flow.packet(ttl, number)
            raw.send(packet)
            asked[number] = (ttl, packet.sent_time)
            waiting.add(number)
            sleep_s(GAP_S)
        end_ns = clock.mono_ns() + int(ROUND_S * 1e9)
        while waiting and (left_ns := end_ns - clock.mono_ns()) > 0:
            if not select.select([raw], [], [], left_ns / 1e9)[0]:
                break
            packet = raw.recv()
            found = None if packet is None else flow.read(packet)
            # An answer to an earlier round is late, not wrong.
            if found is not None and found[0] in asked:
                ttl, sent_s = asked.pop(found[0])
                waiting.discard(found[0])
                ladder.answer(ttl, found[1], max(0, int((packet.time - sent_s) * 1e9)), final=found[2])


STEP_S = 0.7
"""How long one step is waited for; with a raw socket four at once are waited for a second."""


def climb_plainly(ladder: Ladder, sock: HopSocket) -> None:
    """Climbs to the ladder's end. An answer is known by the number in what it quotes, else by its turn."""
    clock, number = SystemClock(), 0
    asked: dict[int, tuple[int, int]] = {}
    while due := ladder.due():
        for ttl in due:
            number += 1
            now_ns = clock.mono_ns()
            # The two halves cancel in the checksum: to a router that shares load all packets look alike.
            sock.send(ttl, number.to_bytes(2) + (0xFFFF - number).to_bytes(2))
            asked[number] = (ttl, now_ns)
            end_ns = now_ns + int(STEP_S * 1e9)
            while number in asked and (left_ns := end_ns - clock.mono_ns()) > 0:
                found = sock.error(left_ns / 1e9)
                if found is None:
                    continue
                # A router need not quote more than the header (RFC 792): then it is the one asked last.
                quoted = int.from_bytes(found.payload[:2]) if len(found.payload) >= 2 else number
                if quoted in asked:
                    step, sent_ns = asked.pop(quoted)
                    final = found.unreachable and found.address == ladder.target
                    ladder.answer(step, found.address, clock.mono_ns() - sent_ns, final=final)


def main(argv: list[str]) -> int:
    """Prints the route; exit code REFUSED or UNROUTED with a line on stderr when it cannot."""
    flow = Flow(target=str(ip_address(argv[0])), source_port=int(argv[1]))
    ladder = Ladder(target=flow.target)
    try:
        try:
            raw = open_socket(flow)
        except PermissionError:
            # Slower, and blind to answers that do not quote our packet; but it needs no privilege.
            with closing(HopSocket(flow.target, flow.source_port, FIRST_PORT)) as sock:
                climb_plainly(ladder, sock)
        else:
            climb(flow, ladder, raw)
    except PermissionError as err:
        sys.stderr.write(f"{err}\n")
        return REFUSED
    except OSError as err:
        sys.stderr.write(f"{err}\n")
        return UNROUTED
    sys.stdout.write(json.dumps(to_builtins(ladder.route())) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
