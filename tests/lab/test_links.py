"""What links of the emulated home do to packets, seen from outside: by ping and by plain sockets."""

import json
import math
import re
import statistics
import sys
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from support.need import need_program, need_root
from whichhop.errors import DataError, SystemRefusedError
from whichhop.lab.build.programs import Running
from whichhop.lab.emulated_home import EmulatedHome
from whichhop.lab.faults import between
from whichhop.lab.links.fault_words import parse_effect
from whichhop.lab.scenario import LinkNature, Scenario
from whichhop.lab.standard_home import alder_home
from whichhop.net.clock import SystemClock, sleep_s

pytestmark = [pytest.mark.lab, pytest.mark.slow]

FLOW = str(Path(__file__).parents[1] / "support" / "flow.py")
NATURES = {
    "desk/attic": LinkNature(delay_s=0.010),
    "attic/router": LinkNature(delay_s=0.0),
    "modem/provider-edge": LinkNature(
        delay_s=0.002, rate_bps=100_000_000, rate_up_bps=20_000_000, queue_s=0.15
    ),
    "beyond": LinkNature(delay_s=0.0),
}


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[EmulatedHome]:
    """One home for the whole module; each test clears its own faults."""
    need_root()
    for program in ("ip", "tc", "nft", "ping"):
        need_program(program)
    scenario = Scenario(name="links", home=alder_home(), natures=NATURES)
    with EmulatedHome(scenario, seed=11, base=tmp_path_factory.mktemp("run")) as made:
        yield made


@pytest.fixture(autouse=True)
def _no_fault_left(home: EmulatedHome) -> Iterator[None]:
    yield
    home.clear()


def ping(home: EmulatedHome, node: str, address: str, count: int, gap_s: float) -> tuple[int, list[float]]:
    """How many echoes came back, and their round trips in ms, by the system's ping."""
    done = home.place(node).call(["ping", "-n", "-c", str(count), "-i", str(gap_s), "-W", "1", address])
    times = [float(ms) for ms in re.findall(r"time=([0-9.]+) ms", done.output)]
    answered = re.search(r"(\d+) received", done.output)
    assert answered is not None, done.output
    return int(answered[1]), times


def flow(home: EmulatedHome, node: str, *words: str) -> Running:
    return home.place(node).run([sys.executable, FLOW, *words])


def ready(running: Running, word: str = "ready") -> Running:
    end = SystemClock().mono_ns() + 10_000_000_000
    while word not in running.output():
        assert SystemClock().mono_ns() < end, running.output()
        sleep_s(0.01)
    return running


def numbers(
    home: EmulatedHome, sender: str, receiver: str, address: str, count: int, gap_us: int
) -> list[int]:
    """The packets' numbers as they came, of `count` sent."""
    sink = ready(flow(home, receiver, "datagrams-in", "4000", "0.6"))
    assert flow(home, sender, "datagrams-out", address, "4000", str(count), str(gap_us)).wait(30) == 0
    assert sink.wait(30) == 0
    got: list[int] = json.loads(sink.output().splitlines()[-1])
    return got


def within(lost: int, sent: int, ratio: float) -> bool:
    """Binomial, four sigma."""
    return abs(lost - sent * ratio) <= 4 * math.sqrt(sent * ratio * (1 - ratio))


def test_ping_sees_the_delay_that_was_asked(home: EmulatedHome) -> None:
    # 10 ms each way. ping's own timing is user space, so only the lower half of its figures is held tight.
    _, times = ping(home, "desk", "192.0.2.2", 60, 0.02)
    assert min(times) >= 20.0
    assert statistics.quantiles(times, n=4)[0] <= 21.5


def test_a_delay_fault_of_one_way_adds_once_and_goes_when_cleared(home: EmulatedHome) -> None:
    with home.faulty("desk/attic", parse_effect("delay 30ms up")):
        _, slow = ping(home, "desk", "192.0.2.2", 20, 0.02)
    _, well = ping(home, "desk", "192.0.2.2", 20, 0.02)
    assert 50.0 <= statistics.median(slow) <= 54.0
    assert 20.0 <= statistics.median(well) <= 24.0


def test_ipv6_crosses_the_whole_home(home: EmulatedHome) -> None:
    address = str(home.plan.addressing.main6("harbour"))
    came, times = ping(home, "desk", address, 5, 0.05)
    assert came == 5
    assert min(times) >= 24.0


def test_loss_of_one_way_is_counted_to_the_packet(home: EmulatedHome) -> None:
    home.fault("desk/attic", parse_effect("loss 20% up"))
    before = home.counts()
    came, _ = ping(home, "desk", "192.0.2.2", 300, 0.002)
    seen = between(before, home.counts())["desk/attic"]
    assert seen["up"]["taken"] == 300
    assert seen["up"]["passed"] == seen["down"]["taken"] == seen["down"]["passed"] == came
    assert seen["up"]["lost"] == 300 - came
    assert within(300 - came, 300, 0.2)


def test_random_drop_on_a_plain_wire_is_counted_to_the_packet(home: EmulatedHome) -> None:
    assert home.carriers["study/router"] == "veth"
    home.fault("study/router", parse_effect("loss 10% down"))
    came, _ = ping(home, "study", "192.0.2.1", 500, 0.002)
    seen = home.counts()["study/router"]
    assert seen["down"] == {"taken": 500, "passed": came, "lost": 500 - came}
    assert within(500 - came, 500, 0.1)


def test_burst_loss_is_the_two_state_chain_that_was_asked(home: EmulatedHome) -> None:
    # Gilbert's chain, p 0.02, r 0.25, n 10,000: loss 0.074074, mean burst 4, standard error 0.006629 with
    # the chain's correlation (textbook, from memory); four standard errors.
    n = 10_000
    home.fault("attic/router", parse_effect("burst 0.02 0.25 up"))
    before = home.counts()
    got = numbers(home, "attic", "router", "192.0.2.1", n, 100)
    seen = between(before, home.counts())["attic/router"]["up"]
    assert (seen["taken"], seen["lost_burst"]) == (n, n - len(got))
    assert (n - len(got)) / n == pytest.approx(0.074074, abs=4 * 0.006629)
    arrived = set(got)
    lost = [i not in arrived for i in range(n)]
    runs = sum(b and not a for a, b in pairwise([False, *lost]))
    assert sum(lost) / runs == pytest.approx(4, abs=4 * math.sqrt(0.75) * 4 / math.sqrt(runs))


def test_duplicates_and_reordering_are_seen_as_often_as_the_relay_says(home: EmulatedHome) -> None:
    n = 3000
    home.fault("attic/router", parse_effect("duplicate 5% reorder 10% up"))
    before = home.counts()
    got = numbers(home, "attic", "router", "192.0.2.1", n, 300)
    seen = between(before, home.counts())["attic/router"]["up"]
    assert len(set(got)) == n
    assert len(got) - n == seen["duplicated"]
    assert within(seen["duplicated"], n, 0.05 * 0.9)  # a packet that is held back is not doubled too
    # RFC 4737 section 3: reordered when a larger number has come before.
    first = list(dict.fromkeys(got))
    highest, late = -1, 0
    for number in first:
        late += number < highest
        highest = max(highest, number)
    # The last one held may have had none to overtake it.
    assert seen["reordered"] - 1 <= late <= seen["reordered"]
    assert late > 0.05 * n


@pytest.mark.parametrize("element", ["desk/attic", "study/router"])
def test_an_outage_lets_nothing_pass_until_it_is_cleared(home: EmulatedHome, element: str) -> None:
    node = element.split("/", maxsplit=1)[0]
    with home.faulty(element, parse_effect("outage")):
        assert ping(home, node, "192.0.2.1", 5, 0.05)[0] == 0
    assert ping(home, node, "192.0.2.1", 5, 0.05)[0] == 5


@pytest.mark.parametrize(("words", "rate"), [("", 20e6), ("rate 5mbps up", 5e6)])
def test_tcp_fills_the_queues_rate(home: EmulatedHome, words: str, rate: float) -> None:
    if words:
        home.fault("modem/provider-edge", parse_effect(words))
    sink = ready(flow(home, "harbour", "stream-in", "4001"))
    source = flow(home, "study", "stream-out", "198.51.100.7", "4001", "9")
    ready(sink, "taking")
    meter = flow(home, "provider-edge", "bytes-in", "to-modem", "1.0", "6.0")
    assert meter.wait(15) == 0
    source.stop()
    sink.stop()
    # A token bucket counts the frame with its 14-byte Ethernet header, the device may count it without.
    assert float(meter.output()) * 8 == pytest.approx(rate, rel=0.03)


def test_a_full_access_queue_delays_everyone_by_its_depth(home: EmulatedHome) -> None:
    # 150 ms of queue at the modem: own traffic makes the round trip grow by about that, the bufferbloat sign.
    sink = ready(flow(home, "harbour", "stream-in", "4002"))
    source = flow(home, "study", "stream-out", "198.51.100.7", "4002", "9")
    ready(sink, "taking")
    sleep_s(2.0)
    _, times = ping(home, "desk", "203.0.113.1", 20, 0.05)
    source.stop()
    sink.stop()
    # The median: one answer may have waited for a processor.
    assert 24.0 + 75.0 <= statistics.median(times) <= 24.0 + 175.0


def test_a_hosts_programs_starve_and_sleep_without_the_network_noticing(home: EmulatedHome) -> None:
    running = flow(home, "desk", "tick", "20")
    sleep_s(0.5)
    with home.faulty("host:desk", parse_effect("delay 400ms")):
        sleep_s(1.2)
        came, _ = ping(home, "study", "192.0.2.20", 5, 0.1)
    ticks = [int(line) for line in running.output().split()]
    assert came == 5
    assert sum(b - a > 300_000_000 for a, b in pairwise(ticks)) >= 1
    with home.faulty("host:desk", parse_effect("outage")):
        sleep_s(0.1)
        asleep = len(running.output())
        sleep_s(0.4)
        assert len(running.output()) == asleep
    sleep_s(0.4)
    assert len(running.output()) > asleep
    running.stop()


def test_a_box_that_loses_only_its_own_answers_forwards_all(home: EmulatedHome) -> None:
    with home.faulty("reply:provider-edge", parse_effect("outage")):
        assert ping(home, "study", "203.0.113.1", 5, 0.02)[0] == 0
        assert ping(home, "study", "198.51.100.7", 5, 0.02)[0] == 5
    assert ping(home, "study", "203.0.113.1", 5, 0.02)[0] == 5


def test_a_box_that_answers_late_forwards_in_time(home: EmulatedHome) -> None:
    with home.faulty("reply:attic", parse_effect("delay 80ms")):
        _, own = ping(home, "desk", "192.0.2.2", 5, 0.02)
        _, through = ping(home, "desk", "192.0.2.1", 5, 0.02)
    assert min(own) >= 100.0
    assert statistics.median(through) < 30.0


def test_one_destination_fails_alone(home: EmulatedHome) -> None:
    with home.faulty("destination:harbour", parse_effect("outage")):
        assert ping(home, "study", "198.51.100.7", 3, 0.02)[0] == 0
        assert ping(home, "study", "203.0.113.1", 3, 0.02)[0] == 3


def test_a_plain_wire_refuses_a_delay_and_says_how_to_get_one(home: EmulatedHome) -> None:
    with pytest.raises(DataError, match="--relay study/router"):
        home.fault("study/router", parse_effect("delay 5ms"))
    assert home.faults == {}


def test_the_truth_says_what_was_done_when_and_what_was_counted(home: EmulatedHome) -> None:
    begin = len(home.truth)
    with home.faulty("desk/attic", parse_effect("loss 50%")):
        ping(home, "desk", "192.0.2.2", 20, 0.01)
    on, off = home.truth[begin:]
    assert (on.what, on.element, on.words) == ("fault", "desk/attic", "loss 50%")
    assert (off.what, off.element) == ("clear", "desk/attic")
    assert off.at_ns > on.at_ns
    assert between(on.counts, off.counts)["desk/attic"]["up"]["taken"] == 20
    lines = (home.folder / "truth.jsonl").read_text().splitlines()
    assert [json.loads(line)["what"] for line in lines][-2:] == ["fault", "clear"]


def test_the_self_check_refuses_a_home_that_is_unlike_what_was_asked(home: EmulatedHome) -> None:
    home.fault("beyond", parse_effect("loss 60% up"))
    with pytest.raises(SystemRefusedError, match=r"beyond up: .* packets came"):
        home.check()


def test_a_node_sees_only_its_own_devices(home: EmulatedHome) -> None:
    done = home.place("study").call(["ls", "/sys/class/net"])
    assert set(done.output.split()) == {"lo", "to-router"}
