"""The drawing of a walk is one well-formed SVG that names each room and shows the dead ones as such."""

from xml.etree import ElementTree

from msgspec.structs import replace

from support.room_results import KITCHEN
from whichhop.report.rooms import draw_rooms, judged

GOOD = replace(KITCHEN, lost=6)
DEAD = replace(
    GOOD, room="shed", lost=300, p50_s=None, p50_low_s=None, p50_high_s=None, p95_s=None, down_bps=None
)
GONE = replace(DEAD, room='<"cellar" & more>', sent=0, lost=0, unsent=300, up_bps=None)


def test_every_room_is_named_and_the_dead_are_told_to_a_screen_reader() -> None:
    svg = draw_rooms([judged(r, None) for r in (GOOD, DEAD, GONE)], 'A "house"')
    root = ElementTree.fromstring(svg)
    assert root.get("role") == "img"
    assert "dead: shed" in (root.get("aria-label") or "")
    words = "".join(root.itertext())
    assert all(name in words for name in ("kitchen", "shed", '<"cellar" & more>'[:22]))
    assert "no answer" in words
    assert "nothing could be sent" in words


def test_nothing_lies_outside_the_drawing() -> None:
    root = ElementTree.fromstring(draw_rooms([judged(r, None) for r in (GOOD, DEAD)], "x"))
    left, top, wide, high = map(float, (root.get("viewBox") or "").split())
    for dot in root.iter("{http://www.w3.org/2000/svg}circle"):
        assert left <= float(dot.get("cx") or "nan") <= left + wide
        assert top <= float(dot.get("cy") or "nan") <= top + high
