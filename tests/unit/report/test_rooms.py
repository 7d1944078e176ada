"""Rooms judged: by the worst of their figures, which is named."""

import pytest
from msgspec.structs import replace

from support.room_results import KITCHEN
from whichhop.report.rooms import Quality, judged

PLAN = 100e6


@pytest.mark.parametrize(
    ("change", "quality"),
    [
        ({}, Quality.GOOD),
        ({"lost": 1}, Quality.GOOD),  # one of 300 tells nothing
        ({"lost": 300, "p50_s": None, "p95_s": None}, Quality.DEAD),
        ({"sent": 0, "unsent": 300, "p50_s": None, "p95_s": None}, Quality.DEAD),
        ({"lost": 80}, Quality.DEAD),  # 26.7 %, 22.0 to 31.9 % by Wilson
        ({"lost": 60}, Quality.POOR),  # 20 %, from 15.9 %: a fifth is not sure
        ({"lost": 5}, Quality.FAIR),  # 1.7 %, 0.7 to 3.8 %: may be over 2 %
        ({"p95_s": 0.2}, Quality.POOR),
        ({"p95_s": 0.06}, Quality.FAIR),
        ({"down_bps": 9e6}, Quality.POOR),
        ({"down_bps": 49e6}, Quality.FAIR),
        ({"down_bps": 9e6, "down_at_least": 1.0}, Quality.GOOD),  # the path was not the limit
    ],
)
def test_a_room_stands_by_its_worst_figure(change: dict[str, float | None], quality: Quality) -> None:
    found = judged(replace(KITCHEN, **change), PLAN)  # type: ignore[arg-type]
    assert found.quality is quality
    assert found.why


def test_a_home_without_a_plan_is_judged_by_packets_alone() -> None:
    assert judged(replace(KITCHEN, down_bps=5e6), None).quality is Quality.GOOD
    assert judged(replace(KITCHEN, down_bps=2e6), None).quality is Quality.FAIR  # a video call stutters


def test_upload_and_what_could_not_be_sent_are_judged_too() -> None:
    # Seen before: 135 of 300 packets that could not be sent, or 0.1 Mbit/s up: "good, nothing to complain".
    held = judged(replace(KITCHEN, sent=165, unsent=135), PLAN)
    assert held.quality is Quality.DEAD
    assert "135 of 300 packets could not be sent at all" in held.why
    assert judged(replace(KITCHEN, sent=290, unsent=10), PLAN).quality is Quality.FAIR
    slow = judged(replace(KITCHEN, up_bps=0.1e6), PLAN, 20e6)
    assert slow.quality is Quality.POOR
    assert "0.1 Mbit/s up, of 20 Mbit/s that are paid for" in slow.why
    assert judged(replace(KITCHEN, up_bps=0.1e6), None).quality is Quality.POOR
    # a line of 1 Mbit/s up is no fault of the room
    assert judged(replace(KITCHEN, up_bps=0.9e6), PLAN, 1e6).quality is Quality.GOOD
