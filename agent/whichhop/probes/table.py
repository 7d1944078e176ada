"""Method to prober class, written by hand: the list of what can be asked."""

from whichhop.model import Method
from whichhop.probes.kinds.icmp_echo import EchoProber
from whichhop.probes.kinds.stamp_sender import StampProber

PROBERS: dict[Method, type[EchoProber] | type[StampProber]] = {
    Method.ECHO: EchoProber,
    Method.STAMP: StampProber,
}
"""Each class fits probes.base.Prober; what it needs to be made differs, so the caller makes it."""
