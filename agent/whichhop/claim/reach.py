"""How far a span's "no fault found" reaches: what nothing measured, who never answered, levels."""

from whichhop.compare.comparison import Comparison
from whichhop.compare.words import level_words, not_judged_words, not_measured_words, silent_words
from whichhop.model.dossier import Reach
from whichhop.model.units import NS_PER_S


def reach_of(found: Comparison) -> Reach:
    """In the sentences that every other answer has."""
    home = found.home
    nothing = len(found.unmeasured) == len(home.links)
    words = not_measured_words(
        [k for k in home.links if k.name in found.unmeasured],
        seldom=found.seldom,
        asked=found.asked_outside,
        unsent=found.unsent,
    )
    first = not_judged_words(found.judged.table.step_ns / NS_PER_S) if nothing else ""
    return Reach(
        unmeasured=found.unmeasured,
        nothing=nothing,
        not_measured=tuple(w for w in (first, *silent_words(found.to_look_at), words) if w),
        unusual=() if nothing else tuple(w for w in map(level_words, found.unusual) if w),
    )
