"""Real agents on narrow links: the day's budget across kill -9, and then which link is the narrow one."""

import signal
from collections.abc import Iterator
from typing import Any

import pytest

from support.need import need_program, need_root
from support.running_home import RunningHome, running_home
from whichhop.lab.build.programs import Running
from whichhop.lab.scenario import LinkNature
from whichhop.lab.standard_home import HOME_FILE
from whichhop.net.clock import sleep_s

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]

PAYLOAD = 1448 / 1514
"""TCP payload of a full frame with time stamps, of what a token bucket counts: Ethernet's header is in it."""
BUDGET = 10_000_000
PLAN = "plan: {down_mbps: 40, up_mbps: 8}"
TEXT = HOME_FILE.replace("plan: {down_mbps: 100, up_mbps: 20}", PLAN) + "limits: {daily_transfer_mb: %d}\n"
NATURES = {
    "desk/attic": LinkNature(delay_s=0.001, jitter_s=0.0002, rate_bps=12_000_000),
    "attic/router": LinkNature(delay_s=0.001, jitter_s=0.0002, rate_bps=24_000_000),
}
# What passes the transfer port of the study, both ways, by the kernel's own count.
COUNT = """\
table inet counted {
  chain coming { type filter hook input priority 0; tcp sport 8621 counter; tcp dport 8621 counter; }
  chain going { type filter hook output priority 0; tcp sport 8621 counter; tcp dport 8621 counter; }
}
"""


@pytest.fixture(scope="module")
def alder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningHome]:
    need_root()
    for program in ("ip", "tc", "nft"):
        need_program(program)
    folder = tmp_path_factory.mktemp("alder")
    with running_home(folder, TEXT % (BUDGET // 1_000_000), NATURES) as home:
        rules = folder / "count.nft"
        rules.write_text(COUNT)
        assert home.home.place("study").call(["nft", "-f", str(rules)]).code == 0
        yield home


def counted(home: RunningHome) -> int:
    """Octets at the study's transfer port so far, IP headers in them."""
    done = home.home.place("study").call(["nft", "list", "table", "inet", "counted"])
    words = done.output.split()
    return sum(int(words[at + 1]) for at, word in enumerate(words) if word == "bytes")


def moving(home: RunningHome, asking: Running, before: int) -> None:
    """Until half a megabyte more has passed than `before`."""
    end = home.clock.mono_ns() + 120e9
    while counted(home) < before + 500_000:
        assert home.clock.mono_ns() < end, asking.output()
        sleep_s(0.05)


def test_ten_megabytes_a_day_are_never_exceeded_though_agents_are_killed_in_mid_transfer(
    alder: RunningHome,
) -> None:
    words = ("study", "harbour", "--way", "out", "--seconds", "4", "--mb", "4")
    # The asker dies: what it was lent stays charged, and its lease keeps nobody waiting for ever.
    before = counted(alder)
    asking = alder.home.place("study").run(alder.argv("transfer", *words))
    moving(alder, asking, before)
    alder.kill("study")
    assert asking.wait(90) == 2
    alder.start("study")
    alder.wait_up("study")
    # The keeper dies while it is owed an answer, and comes back.
    before = counted(alder)
    asking = alder.home.place("study").run(alder.argv("transfer", *words))
    moving(alder, asking, before)
    alder.kill("router")
    alder.start("router")
    alder.wait_up("router")
    asking.wait(90)
    refused = ""
    for _ in range(6):
        done = alder.ask("transfer", *words)
        assert counted(alder) <= BUDGET
        if done.code:
            refused = done.output
            break
    assert "today's budget of 10 MB is used up" in refused
    assert 4_000_000 < counted(alder) <= BUDGET
    today = alder.data("transfer", "--schedule")["today"]
    assert counted(alder) <= today["spent"] <= today["budget"] == BUDGET


@pytest.fixture(scope="module")
def capacity(alder: RunningHome) -> tuple[dict[str, Any], str]:
    """What `whichhop capacity` says after a transfer across each kind of link, in data and in words."""
    alder.file.write_text(TEXT % 400)  # the remedy that the refusal names
    alder.agents["router"].signal(signal.SIGHUP)
    alder.wait_for(alder.agents["router"], "home file read again")
    for agent, other_end, way, mbps in (
        ("desk", "attic", "back", 12),
        ("attic", "router", "back", 24),
        ("study", "harbour", "back", 40),
        ("study", "harbour", "out", 8),
    ):
        for _ in range(8):  # this machine is shared: a stolen processor is no narrow link
            (found,) = alder.data("transfer", agent, other_end, "--way", way, "--anyway")
            if abs(found["rate_bps"] / (mbps * 1e6 * PAYLOAD) - 1) < 0.05:
                break
    store = ("--store", str(alder.folder / "collected.db"))
    return alder.data("capacity", *store), alder.ask("capacity", "--offline", *store).output


def narrow(data: dict[str, Any], agent: str, way: str) -> dict[str, Any]:
    found: dict[str, Any] = next(n for n in data["narrow"] if (n["agent"], n["way"]) == (agent, way))
    return found


@pytest.mark.parametrize(
    ("agent", "way", "link", "rate_mbps", "under_plan"),
    [
        ("desk", "down", "desk/attic", 12, True),
        ("attic", "down", "attic/router", 24, True),
        ("study", "down", "modem/provider-edge", 40, False),
        ("study", "up", "modem/provider-edge", 8, False),
        ("router", "down", "modem/provider-edge", 40, False),
    ],
)
def test_the_narrow_link_of_each_way_out_is_the_one_that_was_made_narrow(
    capacity: tuple[dict[str, Any], str], agent: str, way: str, link: str, rate_mbps: int, under_plan: bool
) -> None:
    found = narrow(capacity[0], agent, way)
    assert found["links"] == [link]
    assert found["rate_bps"] == pytest.approx(rate_mbps * 1e6 * PAYLOAD, rel=0.05)
    assert found["under_plan"] is under_plan


def test_what_was_not_measured_is_said_to_be_open(capacity: tuple[dict[str, Any], str]) -> None:
    found = narrow(capacity[0], "desk", "up")
    assert "desk/attic" in found["links"]
    assert "a transfer across desk/attic" in found["words"]


def test_rooms_and_ports_are_in_the_words(capacity: tuple[dict[str, Any], str]) -> None:
    data, text = capacity
    assert "desk in the attic, down: desk/attic is the narrow link" in text
    assert "less than the plan" in text
    # A veth pair tells a speed like a negotiated port's; it is the only word on the wire router/modem.
    wire = next(c for c in data["links"] if (c["link"], c["way"]) == ("router/modem", "down"))
    assert "port, negotiated at 10000 Mbit/s" in wire["basis"]
