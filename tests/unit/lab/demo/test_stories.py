"""The demo's judge: only the guilty link, named alone, counts as right."""

from typing import Any

import pytest

from whichhop.lab.demo.stories import STORIES, outcome
from whichhop.lab.standard_home import alder_home
from whichhop.model import LINK_TABLE


def verdict(cause: str, *elements: str, end_ns: int | None = None, p: float = 0.99) -> dict[str, Any]:
    return {"cause": cause, "elements": list(elements), "probability": p, "end_ns": end_ns}


RIGHT = verdict("backhaul", "attic/router")


def test_the_guilty_link_alone_is_right() -> None:
    assert outcome(STORIES["backhaul"], [RIGHT], 100).matches


@pytest.mark.parametrize(
    "wrong",
    [
        [],
        [verdict("wireless-hop", "desk/attic")],
        [verdict("not-separable", "attic/router", "desk/attic")],
        [verdict("upstream-link", "attic/router")],
        [RIGHT, verdict("wireless-hop", "desk/attic")],
        [verdict("wireless-hop", "desk/attic", end_ns=50), RIGHT],
        [verdict("backhaul", "attic/router", end_ns=50)],
    ],
    ids=["none", "other link", "group", "wrong cause", "one too many", "early alarm", "over too soon"],
)
def test_anything_else_is_wrong(wrong: list[dict[str, Any]]) -> None:
    assert not outcome(STORIES["backhaul"], wrong, 100).matches


def test_where_nothing_is_broken_any_verdict_is_wrong() -> None:
    assert outcome(STORIES["none"], [], None).matches
    assert not outcome(STORIES["none"], [RIGHT], None).matches


def test_each_story_breaks_a_link_of_the_home_whose_kind_has_the_storys_cause() -> None:
    home = alder_home()
    for story in STORIES.values():
        if story.element is not None:
            assert LINK_TABLE[home.link(story.element).kind].cause is story.cause
