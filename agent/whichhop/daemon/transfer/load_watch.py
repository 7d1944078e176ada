"""Keeps the samples of the stream beside a transfer until its figures are asked for. Pure."""

from dataclasses import dataclass, field

from whichhop.model import Method, Sample, SessionKey

MOST = 20 * 300
"""Samples of one session: five minutes at 20 a second."""


@dataclass(slots=True)
class LoadWatch:
    """A sink for vetted samples; only those of Method.LOADED are kept."""

    _kept: dict[SessionKey, list[Sample]] = field(default_factory=dict)

    def add(self, key: SessionKey, sample: Sample) -> None:
        """One sample."""
        if key.method is Method.LOADED and len(kept := self._kept.setdefault(key, [])) < MOST:
            kept.append(sample)

    def take(self, key: SessionKey) -> list[Sample]:
        """The session's samples in the order sent; they are forgotten here."""
        return sorted(self._kept.pop(key, []), key=lambda s: s.sent_ns)
