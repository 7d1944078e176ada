"""The lowest ceiling of the boxes at each link's ends, as the home file's equipment describes them."""

from whichhop.cabling.equipment import on_the_way
from whichhop.capacity.ceilings import Ceilings, lowest
from whichhop.capacity.links import DOWN, UP
from whichhop.config.check import House
from whichhop.model import Path as Way


def link_ceilings(house: House) -> Ceilings:
    """The lowest ceiling of the boxes at each link's ends, as the home file's equipment describes them."""
    boxes = {box.node: box for box in house.boxes}
    found: list[Ceilings] = []
    for link in house.home.links:
        if link.near in house.home.nodes and link.far in house.home.nodes:
            for one in on_the_way(Way(nodes=(link.near, link.far), links=(link,)), boxes):
                words = f"{one.node}'s {one.part} ({one.basis})"
                found.append({(link.name, DOWN): (one.down_bps, words), (link.name, UP): (one.up_bps, words)})
    return lowest(*found)
