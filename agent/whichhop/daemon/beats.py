"""Joins a minute of readings of this machine into one each, so that seconds do not fill the store. Pure."""

from dataclasses import dataclass, field, replace

from whichhop.model import Reading
from whichhop.model.units import minute_of

# A total where the whole minute counts, the worst second where one bad second is what matters.
_SUMMED = frozenset({"send_failures", "suspended_s", "clock_step_s"})


@dataclass(slots=True)
class MinuteOfReadings:
    """Readings of open minutes by name: summed or at their largest magnitude."""

    _open: dict[tuple[int, str, str], Reading] = field(default_factory=dict)

    def add(self, reading: Reading) -> None:
        """Join one reading into its minute.

        A sum carries the time of its last reading, the worst second its own: only what was measured then is
        in doubt.
        """
        at = (minute_of(reading.at_ns), reading.agent, reading.name)
        before = self._open.get(at)
        if before is None:
            self._open[at] = reading
        elif reading.name in _SUMMED:
            self._open[at] = replace(reading, value=before.value + reading.value)
        elif abs(reading.value) > abs(before.value):
            self._open[at] = reading

    def close_before(self, now_ns: int) -> list[Reading]:
        """The joined readings of every minute before the one that holds `now_ns`."""
        return self._close([at for at in self._open if at[0] < minute_of(now_ns)])

    def close_all(self) -> list[Reading]:
        """The joined readings of every open minute."""
        return self._close(list(self._open))

    def _close(self, which: list[tuple[int, str, str]]) -> list[Reading]:
        return [self._open.pop(at) for at in sorted(which)]
