"""An agent's signature under its chain is kept, collected and believed only from the key it had before."""

from pathlib import Path

import pytest
from msgspec.structs import replace

from support.reported import recorded
from whichhop.config.countersign import Head, countersigned
from whichhop.errors import RemoteError
from whichhop.model.chain_signature import ChainSignature
from whichhop.report.seal import chain_signed
from whichhop.store.store import Store


def signed(store: Store, identity: Path, at_ns: int = 5) -> tuple[str, bytes, ChainSignature]:
    chain = next(c for c in store.chains() if c.last_seq > 2)
    head = Head(origin=chain.origin.hex(), seq=chain.last_seq, head=chain.head.hex(), at_ns=at_ns)
    return chain.agent, chain.origin, countersigned(identity, head)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    made = Store.make(tmp_path / "s.db")
    made.append_all(*recorded("upstream-link"))
    return made


def test_the_newest_is_kept_and_holds_for_just_that_head(store: Store, tmp_path: Path) -> None:
    agent, origin, first = signed(store, tmp_path / "desk.identity")
    assert store.signature(origin) is None
    store.put_signature(agent, origin, first)
    assert store.signature(origin) == first
    store.put_signature(agent, origin, replace(first, seq=first.seq - 1))
    assert store.signature(origin) == first
    assert chain_signed(origin.hex(), first)
    for changed in (
        replace(first, seq=first.seq - 1),
        replace(first, at_ns=6),
        replace(first, head="00" * 32),
        replace(first, public_key="00" * 32),
    ):
        assert not chain_signed(origin.hex(), changed)
    assert not chain_signed("00" * 16, first)


def test_another_key_than_before_is_told_and_not_taken(store: Store, tmp_path: Path) -> None:
    agent, origin, first = signed(store, tmp_path / "desk.identity")
    store.put_signature(agent, origin, first)
    _, _, other = signed(store, tmp_path / "other.identity")
    with pytest.raises(RemoteError, match="another key than before"):
        store.put_signature(agent, origin, replace(other, seq=other.seq + 1))
    assert store.signature(origin) == first


@pytest.mark.parametrize(
    "change", [{"seq": 0}, {"at_ns": -1}, {"head": "xyz"}, {"public_key": ""}, {"signature": "00"}]
)
def test_what_is_no_signature_is_refused_in_a_line(
    change: dict[str, object], store: Store, tmp_path: Path
) -> None:
    agent, origin, first = signed(store, tmp_path / "desk.identity")
    with pytest.raises(RemoteError, match="cannot be read") as told:
        store.put_signature(agent, origin, replace(first, **change))  # type: ignore[arg-type]
    assert len(str(told.value).splitlines()) == 1
