"""Links of every kind have an ordinary behaviour; the access line has the plan's rates, within bounds."""

from msgspec.structs import replace

from whichhop.lab.standard_home import MOST_BPS, alder_home, ordinary_nature, ordinary_natures
from whichhop.model import LINK_TABLE, LinkKind, Plan


def test_every_kind_and_medium_has_a_behaviour() -> None:
    home = alder_home()
    for kind, row in LINK_TABLE.items():
        for medium in (*row.media, None):
            link = replace(home.links[0], kind=kind, medium=medium)
            assert 0 <= ordinary_nature(home, link).delay_s < 0.05


def test_only_the_access_line_has_rates_and_they_are_the_plans() -> None:
    home = alder_home()
    rated = {n: (x.rate_bps, x.rate_up_bps) for n, x in ordinary_natures(home).items() if x.rate_bps}
    assert rated == {"modem/provider-edge": (100_000_000, 20_000_000)}


def test_a_plan_faster_than_relays_carry_is_emulated_at_what_they_do() -> None:
    home = replace(alder_home(), plan=Plan(down_bps=940_000_000, up_bps=50_000_000))
    access = next(link for link in home.links if link.kind is LinkKind.ACCESS)
    nature = ordinary_nature(home, access)
    assert (nature.rate_bps, nature.rate_up_bps) == (MOST_BPS, 50_000_000)
