"""Looks at this machine at each beat, and holds samples until a beat has vouched for them."""

from whichhop.model import Fate, Reading, Sample, SessionKey
from whichhop.model.units import MonoNs
from whichhop.net.clock import Clock
from whichhop.net.host import Host
from whichhop.probes.base import Sink
from whichhop.probes.machine_trouble import Beat, MachineTrouble
from whichhop.wire.flight import WAIT_NS


class MachineWatch:
    """Stands between the probers and whoever keeps their samples.

    Hand `sink` to the probers, call `woke` at every wake-up of the loop and `beat` about once a second, and
    once more before stopping: what is held is then let go. A packet that the system refused to send reaches
    the sink as NOT_SENT, whichever prober sent it, so sends that failed are counted here too.
    """

    def __init__(self, trouble: MachineTrouble, clock: Clock, host: Host, sink: Sink) -> None:
        self._trouble, self._clock, self._host, self._sink = trouble, clock, host, sink
        self._send_failures = 0
        self._lateness_ns = 0
        self._held: list[tuple[SessionKey, Sample]] = []

    def sink(self, key: SessionKey, sample: Sample) -> None:
        """Take a sample in; it goes on at the next beat, vetted."""
        self._send_failures += sample.fate is Fate.NOT_SENT
        self._held.append((key, sample))

    def woke(self, due_ns: MonoNs, now_ns: MonoNs) -> None:
        """The loop woke at `now_ns` for something due at `due_ns`."""
        self._lateness_ns = max(self._lateness_ns, now_ns - due_ns)

    def beat(self) -> list[Reading]:
        """Look at the machine, let go what is held, and give the readings to be kept."""
        cpu = self._host.cpu()
        before_ns = self._clock.mono_ns()
        utc_ns, boot_ns = self._clock.utc_ns(), self._clock.boot_ns()
        readings = self._trouble.beat(
            Beat(
                before_ns=before_ns,
                utc_ns=utc_ns,
                boot_ns=boot_ns,
                after_ns=self._clock.mono_ns(),
                lateness_ns=self._lateness_ns,
                cpu_total=cpu.total if cpu else 0,
                cpu_steal=cpu.steal if cpu else 0,
                send_failures=self._send_failures,
            )
        )
        if readings:  # the first beat has none before it to be held against, and tells nothing
            self._send_failures = 0
        self._lateness_ns = 0
        held, self._held = self._held, []
        for key, sample in held:
            self._sink(key, self._trouble.vet(sample, WAIT_NS))
        return readings
