"""What a person sees of the hops' counters: figures in their units, and by name what is not known."""

from support.homes import alder
from whichhop.app.looks.hop_view import hop_lines, hops_told
from whichhop.model.hop_facts import HopFacts, readings_of
from whichhop.serve.exporter import exposition
from whichhop.serve.live import LiveState

HOME = alder()


def seen(*facts: HopFacts) -> str:
    live = LiveState(home=HOME.name, agent="desk", names=HOME.nodes)
    for one in facts:
        live.kept([], readings_of(one))
    text = exposition(live, "text/plain")[0].decode()
    return "\n".join(line for hop in hops_told([text], HOME) for line in hop_lines(hop))


def air(at_s: float = 0, **facts: float) -> HopFacts:
    return HopFacts(agent="desk", other="attic", link="", at_ns=round(at_s * 1e9), **facts)  # type: ignore[arg-type]


def test_a_radio_hop_with_what_its_driver_leaves_out() -> None:
    text = seen(
        air(
            radio_signal_dbm=-61,
            radio_rate_bps=866.7e6,
            radio_busy_share=0.82,
            radio_width_mhz=80,
            radio_connected_s=7200,
        ),
        HopFacts(
            agent="desk", other="desk", link="", at_ns=0, node_uptime_s=200_000, node_processor_share=0.031
        ),
    )
    assert text.startswith(
        "desk/attic, read by desk\n"
        "  signal -61 dBm, sends at 866.7 Mbit/s, channel width 80 MHz, channel busy 82 %, joined for 2 h\n"
        "  not known: noise, receives at, channel at, "
    )
    assert "desk by itself\n  up for 2 days, processor in use 3.1 %\n  not known: hottest sensor" in text
    # Others that run an agent and told nothing are there too.
    assert "study/router, read by study\n  nothing is known" in text


def test_counts_add_up_and_a_routers_port_says_whose_it_is() -> None:
    hop = [
        HopFacts(
            agent="desk",
            other="modem",
            link="",
            at_ns=n,
            box="router",
            port_errors=3,
            port_speed_bps=100e6,
            port_full_duplex=0.0,
        )
        for n in range(2)
    ]
    assert (
        "router/modem, read of router by desk\n  runs at 100 Mbit/s, full duplex no, in error 6\n"
        "  not known: offers, the other end offers, " in seen(*hop)
    )


def test_a_fact_that_comes_no_more_is_not_known_any_more() -> None:
    assert "signal -61 dBm" in seen(air(0, radio_signal_dbm=-61), air(60, radio_busy_share=0.1))
    assert (
        "signal"
        not in seen(air(0, radio_signal_dbm=-61), air(240, radio_busy_share=0.1)).split("not known")[0]
    )
