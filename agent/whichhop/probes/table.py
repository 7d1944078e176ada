"""Method to prober class, written by hand: the list of what can be asked."""

from whichhop.model import Method
from whichhop.probes.kinds.dns_lookup import DnsLookupProber
from whichhop.probes.kinds.icmp_echo import EchoProber
from whichhop.probes.kinds.stamp_sender import StampProber
from whichhop.probes.kinds.tcp_connect import TcpConnectProber

PROBERS: dict[Method, type[EchoProber | StampProber | TcpConnectProber | DnsLookupProber]] = {
    Method.ECHO: EchoProber,
    Method.STAMP: StampProber,
    Method.TCP: TcpConnectProber,
    Method.LOOKUP: DnsLookupProber,
}
"""Each class fits probes.base.Prober; what it needs to be made differs, so the caller makes it."""
