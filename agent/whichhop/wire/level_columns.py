"""Which fact a column heading stands for, by the trade's usual words or by the home file's own column map."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from whichhop.model.levels_source import Fact

# Tried in this order: "uncorrectable" holds "correct", "channel width" holds "channel".
_HEADINGS: tuple[tuple[Fact, str], ...] = (
    # Reed-Solomon is DOCSIS's forward error correction: "post RS" is what it left uncorrected.
    (Fact.UNCORRECTABLE, r"un-?corr|\bpost[- ]?(?:rs|fec)\b"),
    (Fact.ERRORED, r"\bpre[- ]?(?:rs|fec)\b"),
    (Fact.UNERRORED, r"un-?errored|error[- ]?free|without errors?"),
    (Fact.TOTAL, r"total\s+(?:code)?words"),
    (Fact.CORRECTED, r"\bcorrect"),
    (Fact.T3, r"\bt3\b"),
    (Fact.T4, r"\bt4\b"),
    (
        Fact.DIRECTION,
        r"^direction$|^(?:ds|down(?:stream)?)\s?/\s?(?:us|up(?:stream)?)$|^(?:us|up(?:stream)?)\s?/\s?(?:ds|down(?:stream)?)$",
    ),
    (Fact.WIDTH, r"width"),
    (Fact.FREQUENCY, r"freq"),
    (Fact.SNR, r"\bsnr\b|\bmer\b|rxmer|signal[- ]*(?:to|/)?[- ]*noise"),
    (Fact.POWER, r"power|\blevel\b|dbmv"),
    (Fact.MODULATION, r"modulation"),
    (Fact.LOCKED, r"lock|ranging\s+stat|^status$|^state$"),
    (Fact.CHANNEL_ID, r"channel[ _]?id|\bch\.?\s*id\b|^(?:id|dcid|ucid)$"),
    (Fact.INDEX, r"^(?:channel|ch\.?|#|no\.?|nr\.?|index|port)$|channel\s+(?:index|number|no\.?)"),
    (Fact.CARRIER, r"\btype\b|\bmode\b|^carrier$|technology"),
)

_TRUE = frozenset(
    {"locked", "lock", "ok", "yes", "true", "1", "success", "operational", "active", "online"}
    | {"synchronized", "synced", "up", "complete", "done"}
)
_FALSE = re.compile(
    r"\bnot\b|\bno\b|un-?lock|\bfail|\blost\b|inactive|offline|false|idle|\bother\b|\babort|^0$"
)


_LONGEST_HEADING = 200
"""Characters; a longer cell is no heading."""


@lru_cache(maxsize=4096)  # every cell of a page is looked at several times
def _usual_facts(text: str) -> tuple[Fact, ...]:
    return tuple(fact for fact, pattern in _HEADINGS if re.search(pattern, text))


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnMap:
    """The home file's own words for a modem's page; empty where the usual words do.

    headings: per fact, the heading's text (any part of it, upper and lower case alike). down, up: words
    in a table's title that tell its direction. locked: words that mean a locked channel.
    """

    headings: Mapping[Fact, str] = field(default_factory=dict)
    down: str = "downstream"
    up: str = "upstream"
    locked: tuple[str, ...] = ()

    def fact_of(self, heading: str) -> Fact | None:
        """The fact under a heading, the home file's words first; None for a column nobody needs."""
        text = " ".join(heading.split()).casefold() if len(heading) <= _LONGEST_HEADING else ""
        if not text:
            return None
        for fact, word in self.headings.items():
            if word.casefold() == text:
                return fact
        for fact, word in self.headings.items():
            if word.casefold() in text:
                return fact
        return next((fact for fact in _usual_facts(text) if fact not in self.headings), None)

    def facts_of(self, headings: Sequence[str]) -> dict[int, Fact]:
        """Column number to fact; the first of two columns with one fact is taken."""
        out: dict[int, Fact] = {}
        for column, heading in enumerate(headings):
            fact = self.fact_of(heading)
            if fact is not None and fact not in out.values():
                out[column] = fact
        return out

    def is_locked(self, text: str) -> bool | None:
        """True, False, or None when the word is not known."""
        word = " ".join(text.split()).casefold()
        if not word:
            return None
        if word in {w.casefold() for w in self.locked}:
            return True
        if _FALSE.search(word):
            return False
        if self.locked:
            return False
        return True if _TRUE.intersection(re.findall(r"\w+", word)) else None
