"""How a modem's levels stand, in the words and figures that the page and `status` show."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelSpan:
    """An hour or a day of a modem's readings: the worst of each kind, None where it was not read.

    start_ns: UTC. down_low_dbmv, down_high_dbmv: the lowest and the highest downstream power; snr_low_db: the
    lowest SNR; up_high_dbmv: the highest upstream power. uncorrectable: codewords in that span.
    """

    start_ns: int
    down_low_dbmv: float | None = None
    down_high_dbmv: float | None = None
    snr_low_db: float | None = None
    up_high_dbmv: float | None = None
    uncorrectable: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ModemNow:
    """One modem's newest reading.

    standing: good, marginal, bad, doubtful or not determined. headline: the answer in one line without its
    end. complaints: each kind once, with what is wanted. not_read: what the modem does not tell. figures: the
    span of each kind of level. hours: the last day, oldest first. days: the last month, oldest first; empty
    where nothing is kept for so long.
    """

    node: str
    at_ns: int
    standing: str
    headline: str
    complaints: tuple[str, ...] = ()
    not_read: tuple[str, ...] = ()
    figures: tuple[str, ...] = ()
    hours: tuple[LevelSpan, ...] = ()
    days: tuple[LevelSpan, ...] = ()

    @property
    def amiss(self) -> bool:
        """Whether something that was read is not as it should be."""
        return bool(self.complaints)
