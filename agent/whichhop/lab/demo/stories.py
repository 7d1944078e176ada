"""What the demo shows: four stories on the standard home, each with the truth that its verdict is held to."""

from collections.abc import Mapping, Sequence
from typing import Any

from msgspec import Struct

from whichhop.lab.scenario import Effect
from whichhop.model import Cause


class Story(Struct, frozen=True, kw_only=True):
    """One fault of the demo; `element` and `effect` are None where nothing is broken."""

    name: str
    words: str
    cause: Cause
    element: str | None = None
    effect: Effect | None = None


STORIES: dict[str, Story] = {
    story.name: story
    for story in (
        Story(
            name="wireless-hop",
            words="the neighbour's new transmitter crowds the desk's radio channel",
            cause=Cause.WIRELESS_HOP,
            element="desk/attic",
            effect=Effect(delay_s=0.025, jitter_s=0.015, loss_ratio=0.04),
        ),
        Story(
            name="backhaul",
            words="a cupboard door now stands in the way of the attic node's radio backhaul",
            cause=Cause.BACKHAUL,
            element="attic/router",
            effect=Effect(delay_s=0.020, jitter_s=0.010, loss_ratio=0.05),
        ),
        Story(
            name="upstream-link",
            words="the access line loses packets and its queue grows, with the home itself silent",
            cause=Cause.UPSTREAM_LINK,
            element="modem/provider-edge",
            effect=Effect(delay_s=0.030, jitter_s=0.010, loss_ratio=0.08),
        ),
        Story(name="none", words="nothing is broken", cause=Cause.HEALTHY),
    )
}


class StoryOutcome(Struct, frozen=True, kw_only=True):
    """Whether the comparer named the truth, the verdict that counts, and every other one it gave."""

    matches: bool
    named: Mapping[str, Any] | None
    others: tuple[Mapping[str, Any], ...]


def is_named(story: Story, verdict: Mapping[str, Any]) -> bool:
    """True when a verdict (as `whichhop compare --json` gives it) names the story's cause and link alone."""
    return verdict["cause"] == story.cause and list(verdict["elements"]) == [story.element]


def outcome(story: Story, verdicts: Sequence[Mapping[str, Any]], fault_ns: int | None) -> StoryOutcome:
    """Hold the verdicts against the truth.

    With a fault, exactly the guilty link must be named, in an episode that reaches past the fault's begin,
    and no other; with none, nothing must be named.
    """
    current = [v for v in verdicts if fault_ns is None or v["end_ns"] is None or v["end_ns"] > fault_ns]
    early = [v for v in verdicts if v not in current]
    right = [v for v in current if is_named(story, v)]
    named = max(right or current, key=lambda v: float(v["probability"]), default=None)
    others = tuple(v for v in (*early, *current) if v is not named)
    if story.element is None:
        return StoryOutcome(matches=not verdicts, named=named, others=others)
    return StoryOutcome(matches=bool(right) and not others, named=named, others=others)
