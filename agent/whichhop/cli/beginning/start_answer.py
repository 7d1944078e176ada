"""The answer of `whichhop start`: one sentence, then what it cannot tell and what to do next."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from msgspec import Struct, to_builtins

from whichhop.app.looks.modem_look import ModemLook
from whichhop.app.looks.under_load import HopLoad, load_words
from whichhop.compare.comparison import Comparison, comparison_data
from whichhop.compare.suspects.vantage import separation
from whichhop.compare.words import (
    NO_FAULT,
    NO_FAULT_HEARD,
    explain,
    not_measured_words,
    silent_words,
)
from whichhop.model import Home, derive_sessions
from whichhop.model.figure_words import ELSE_TOO_SHORT, TOO_LITTLE_YET, TOO_SHORT

NOTHING_ANSWERED = "Not determined: nothing that was probed answered."


def _advice(home: Home) -> list[str]:
    """Where one more agent or target would help most."""
    return [a.words for a in separation(home, derive_sessions(home)).advice[:2]]


class Answer(Struct, frozen=True, kw_only=True):
    """All that a start came to.

    result, hops: of the transfer; own_traffic: whether anybody counts it; silent: targets that never
    answered.
    """

    file: Path
    node: str
    found: Comparison
    result: dict[str, Any] | None
    hops: Sequence[HopLoad]
    modem: ModemLook | None
    own_traffic: bool
    silent: Sequence[str] = ()
    nothing_answered: bool = False

    def text(self) -> str:
        """One sentence first, the rest of each verdict, what cannot be told, and what to do next."""
        found = self.found
        told = [line for verdict in found.verdicts for line in explain(verdict)]
        no_fault = NO_FAULT_HEARD if found.silent else NO_FAULT
        if not found.levels:
            no_fault = TOO_LITTLE_YET
        first, *more = told or [NOTHING_ANSWERED if self.nothing_answered else no_fault]
        if not told and not self.nothing_answered and self.modem is not None and self.modem.calls_for_action:
            first = f"No hop exceeded its own quiet baseline, but see the modem's levels. {self.modem.words}"
        if self.result is not None:
            first = f"{first.removesuffix('.')}; {load_words(self.result, self.hops)}."
        lines = [first, *more]
        if self.modem is not None and self.modem.levels is not None and self.modem.words not in first:
            lines.append(self.modem.words)
        lines += [f"Cannot be told: {words}" for words in self.cannot_tell()]
        lines += [f"To tell more apart: {words}." for words in _advice(found.home)]
        lines += [
            "",
            f"The home file is {self.file}; look through it and add what else is in the home.",
            f"To go on measuring:  whichhop run {self.file} --node {self.node}",
            f"To hear which hop is slow:  whichhop compare {self.file}",
        ]
        return "\n".join(lines) + "\n"

    def cannot_tell(self) -> list[str]:
        """What this answer leaves open, a sentence each."""
        links = [k for k in self.found.home.links if k.name in self.found.unmeasured]
        found = self.found
        words = not_measured_words(
            links, str(self.file), found.seldom, asked=found.asked_outside, unsent=found.unsent
        )
        out = [words] if words else []
        if not self.found.levels and not self.nothing_answered:
            out.append(ELSE_TOO_SHORT if any(v.standing for v in self.found.verdicts) else TOO_SHORT)
        out += silent_words(self.silent)
        if self.result is None:
            out.append(
                "Latency under load was not tried; name a file that you may fetch with --transfer URL."
            )
        if not self.own_traffic:
            out.append("Own traffic is not counted, so it may look like a fault of the line (wan_counters).")
        elif self.found.home.plan is None:
            out.append(
                "Own traffic is counted, but whether it fills the line only the plan's rates tell:"
                f" add the line `plan: {{down_mbps: 250, up_mbps: 25}}` with yours to {self.file}."
            )
        if self.modem is not None and self.modem.levels is None:
            out.append(self.modem.words)
        return out

    def data(self) -> dict[str, Any]:
        """The same for machines."""
        load = None
        if self.result is not None:
            load = {"transfer": self.result, "hops": [to_builtins(hop) for hop in self.hops]}
        return comparison_data(self.found) | {
            "home_file": str(self.file),
            "node": self.node,
            "under_load": load,
            "modem": None if self.modem is None else self.modem.words,
            "silent": list(self.silent),
            "cannot_tell": self.cannot_tell(),
            "advice": _advice(self.found.home),
        }
