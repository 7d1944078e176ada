"""The way a packet was lost on, told from the reflector's numbers; truth from a simulated path."""

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.model.sample import Fate
from whichhop.wire.loss_side import Answered

OUT, BACK = Fate.LOST_OUT, Fate.LOST_BACK


def walk(ways: str) -> Answered:
    """Packets in order: a answered, o lost on the way out, b on the way back, n never sent."""
    arrived, pairs = 0, []
    for seq, way in enumerate(ways):
        if way == "a":
            pairs.append((seq, arrived))
        arrived += way in "ab"
    return Answered(pairs=pairs, unsent=[i for i, w in enumerate(ways) if w == "n"])


# RFC 8762 4.3: a stateful reflector counts what it reflects, so its numbers tell the two ways apart
@pytest.mark.parametrize("ways", ["aoa", "aba", "aoooa", "abbbba", "aoanbbaonoa", "aobnoa"])
def test_the_ways_of_a_path_without_overtaking_are_told(ways: str) -> None:
    answered = walk(ways)
    told = {i: answered.side(i) for i, w in enumerate(ways) if w in "ob"}
    for way, fate in (("o", OUT), ("b", BACK)):
        assert sum(f is fate for f in told.values()) == ways.count(way)
    if "ob" not in ways.replace("n", ""):
        assert all(told[i] is (OUT if ways[i] == "o" else BACK) for i in told)


@given(st.text("aaaaonb", min_size=3, max_size=60).map(lambda s: f"a{s}a"))
def test_each_way_has_its_true_count_whatever_the_pattern(ways: str) -> None:
    answered = walk(ways)
    told = [answered.side(i) for i, w in enumerate(ways) if w in "ob"]
    assert (told.count(OUT), told.count(BACK)) == (ways.count("o"), ways.count("b"))


def test_before_the_first_and_after_the_last_answer_nothing_is_told() -> None:
    answered = walk("oab")
    assert (answered.side(0), answered.side(2)) == (Fate.LOST, Fate.LOST)
    assert Answered(pairs=[]).side(3) is Fate.LOST


def test_an_overtaken_packet_whose_answer_is_lost_is_not_called_lost_out() -> None:
    # 5 arrives after 6 and its answer is lost: the reflector saw 4 6 5 7 as 4 5 6 7
    assert Answered(pairs=[(4, 4), (6, 5), (7, 7)]).side(5) is Fate.LOST


def test_a_packet_doubled_on_the_way_out_does_not_hide_a_loss() -> None:
    # 1 arrives twice, as numbers 1 and 2, both answered; 2 is lost on the way out; 3 arrives as 3
    assert Answered(pairs=[(0, 0), (1, 1), (3, 3)], doubled=[2]).side(2) is OUT
    # the second answer lost too: one number too many, so nothing is said
    assert Answered(pairs=[(0, 0), (1, 1), (2, 3), (4, 4)]).side(3) is Fate.LOST


def test_a_reflector_that_began_anew_tells_nothing_of_the_gap_it_did_so_in() -> None:
    assert Answered(pairs=[(10, 10), (12, 0), (13, 1)]).side(11) is Fate.LOST


# (lost out, lost back, overtaken by the next packet) and the share of told ways that may be wrong: with
# losses of both ways in one gap the order within it is a guess
@pytest.mark.parametrize(
    ("out", "back", "overtaken", "wrong_most"),
    [(0.03, 0, 0.05, 0), (0, 0.03, 0.05, 0.02), (0, 0.05, 0.01, 0.005), (0.02, 0.02, 0.02, 0.03)],
)
def test_overtaking_leaves_ways_untold_rather_than_wrong(
    out: float, back: float, overtaken: float, wrong_most: float
) -> None:
    dice, wrong, told, lost = Random(7), 0, 0, 0
    for _ in range(400):
        ways = [dice.choices("aob", [1 - out - back, out, back])[0] for _ in range(60)]
        order = sorted(range(60), key=lambda i: i + (dice.random() < overtaken) * 1.5)
        number = {seq: n for n, seq in enumerate(s for s in order if ways[s] in "ab")}
        answered = Answered(pairs=[(i, number[i]) for i in range(60) if ways[i] == "a"])
        for i in (i for i in range(60) if ways[i] in "ob"):
            said = answered.side(i)
            lost += 1
            told += said is not Fate.LOST
            wrong += said is (BACK if ways[i] == "o" else OUT)
    assert told > lost * 0.6
    assert wrong <= told * wrong_most
