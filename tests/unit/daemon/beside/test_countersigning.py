"""What an agent has recorded is signed by its own key, once for each head, by a real child."""

import asyncio
from pathlib import Path

import pytest

from support.reported import recorded
from whichhop.daemon.beside.countersigning import Countersigning
from whichhop.daemon.store_thread import StoreThread
from whichhop.errors import SystemRefusedError
from whichhop.model.home import Limits
from whichhop.net.child import run_child
from whichhop.net.clock import SystemClock
from whichhop.report.seal import chain_signed
from whichhop.store.store import Store


@pytest.fixture
def path(tmp_path: Path) -> Path:
    with Store.make(tmp_path / "s.db") as store:
        store.append_all(*recorded("upstream-link"))
    return tmp_path / "s.db"


def turns(path: Path, identity_file: Path, count: int = 1) -> None:
    async def go() -> None:
        store = StoreThread(path, Limits(), SystemClock(), trouble=lambda _: None, anew=lambda _: None)
        signing = Countersigning(
            agent=lambda: "attic",
            store=store,
            clock=SystemClock(),
            identity_file=identity_file,
            run=run_child,
        )
        try:
            for _ in range(count):
                await signing.turn()
        finally:
            store.close()

    asyncio.run(go())


def test_the_head_is_signed_by_the_agents_own_key(path: Path, tmp_path: Path) -> None:
    turns(path, tmp_path / "attic.identity", 2)
    with Store.open(path, read_only=True) as store:
        chain = store.own_chain("attic")
        assert chain is not None
        said = store.signature(chain.origin)
    assert said is not None
    assert (said.seq, said.head) == (chain.last_seq, chain.head.hex())
    assert chain_signed(chain.origin.hex(), said)


def test_a_key_that_is_none_is_told(path: Path, tmp_path: Path) -> None:
    (tmp_path / "attic.identity").write_text("nonsense")
    with pytest.raises(SystemRefusedError, match=r"were not signed.*not an agent's key"):
        turns(path, tmp_path / "attic.identity")
