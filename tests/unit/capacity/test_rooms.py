"""The rooms' rates from transfers' readings, named as daemon/transfer/figures.py names them."""

from support.homes import alder
from whichhop.capacity.transfers import room_rates
from whichhop.model import Reading

HOME = alder("agent: true}\n  study", "agent: true, room: attic}\n  study")


def figure(at: int, agent: str, name: str, value: float) -> Reading:
    return Reading(at_ns=at, agent=agent, name=name, value=value)


def test_the_end_further_from_the_provider_has_the_rate_whoever_asked() -> None:
    asked = [
        figure(5, "attic", "transfer_out_rate_bps:desk", 9e7),
        figure(5, "attic", "transfer_back_rate_bps:desk", 4e7),
        figure(7, "study", "transfer_out_rate_bps:harbour", 1.9e7),
        figure(7, "study", "transfer_out_at_least:harbour", 1.0),
        figure(7, "study", "loop_lateness_s", 0.001),
    ]
    desk, study = room_rates(HOME, asked)
    assert (desk.node, desk.room, desk.other_end, desk.down_bps, desk.up_bps) == (
        "desk",
        "attic",
        "attic",
        9e7,
        4e7,
    )
    assert (study.other_end, study.up_bps, study.down_bps, study.at_least) == ("harbour", 1.9e7, None, True)
    assert not desk.at_least


def test_all_transfers_count_whatever_the_order() -> None:
    some = [
        reading
        for at, rate in ((5, 1e7), (9, 3e7), (12, 3.2e7))
        for reading in (
            figure(at, "desk", "transfer_out_rate_bps:attic", rate),
            figure(at, "desk", "transfer_out_at_least:attic", 0),
        )
    ]
    for readings in (some, some[::-1]):
        (desk,) = room_rates(HOME, readings)
        assert (desk.at_ns, desk.up_bps, desk.at_least) == (12, 3e7, False)


def test_a_home_without_transfers_has_no_rates() -> None:
    assert room_rates(HOME, [figure(1, "desk", "transfer_out_bytes:attic", 3e6)]) == ()
