"""The tables of link kinds and causes are complete."""

from whichhop.model import CAUSE_TABLE, LINK_TABLE, Cause, LinkKind, Medium
from whichhop.model.links import NodeKind, Owner


def test_every_kind_and_cause_has_its_row_and_words() -> None:
    assert set(LINK_TABLE) == set(LinkKind)
    assert set(CAUSE_TABLE) == set(Cause)
    assert all(row.words for row in (*LINK_TABLE.values(), *CAUSE_TABLE.values()))


def test_every_medium_belongs_to_a_link_kind() -> None:
    assert {m for row in LINK_TABLE.values() for m in row.media} == set(Medium)


def test_only_what_is_past_the_home_is_the_providers() -> None:
    theirs = {c for c, row in CAUSE_TABLE.items() if row.owner in (Owner.PROVIDER, Owner.PROVIDER_OR_FURTHER)}
    assert theirs == {Cause.UPSTREAM_LINK, Cause.BEYOND}
    assert NodeKind("mesh-node") is NodeKind.MESH_NODE
