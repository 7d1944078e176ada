"""What a collector tells to whoever holds an agent's address: nothing, unless it is the agent."""

import contextlib
import json
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from support.agent_server import TOKEN, serving
from support.ports import free_tcp_port
from whichhop.app.agents.agents_fetch import AgentsFetch
from whichhop.config.identity import Identity, identity_at, proof_of
from whichhop.config.keys import PurposeKeys, derive_keys
from whichhop.errors import RemoteError
from whichhop.net.clock import SystemClock
from whichhop.net.http_client import fetch
from whichhop.net.tls import holds, pinned_context, server_context, show
from whichhop.store.store import Store

pytestmark = pytest.mark.waits

KEYS, OTHERS = derive_keys(b"k" * 32), derive_keys(b"x" * 32)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "desk.db"
    Store.make(path).close()
    return path


def said(own: Identity, keys: PurposeKeys, agent: str = "desk") -> bytes:
    proof = proof_of(keys.identity, agent, own.certificate)
    return json.dumps({"agent": agent, "certificate": own.certificate, "proof": proof}).encode()


@contextmanager
def agent(
    store: Path, shown: Identity, held: Identity, keys: PurposeKeys, name: str = "desk"
) -> Iterator[tuple[str, str]]:
    """Plain and TLS base addresses of one that shows a certificate and holds a key, perhaps of another."""
    context = server_context(held.certificate, held.secret)
    with (
        serving(store, identity=said(shown, keys, name), tls_only=True) as plain,
        serving(store, identity=b"", context=context, tls_only=True) as tls,
    ):
        yield plain, tls.replace("http:", "https:")


def asked(plain: str, tls: str) -> bytes:
    return AgentsFetch(plain={tls: ("desk", plain)}, keys=KEYS)(f"{tls}/api/home", TOKEN)


def test_an_agent_of_the_home_is_asked_in_tls(store: Path, tmp_path: Path) -> None:
    own = identity_at(tmp_path / "one", "desk")
    with agent(store, own, own, KEYS) as (plain, tls):
        assert json.loads(asked(plain, tls))["agent"] == "desk"


def test_records_are_not_handed_out_in_the_clear_even_with_the_token(store: Path) -> None:
    with serving(store, tls_only=True) as plain, pytest.raises(RemoteError, match=r"426.*in TLS only"):
        fetch(f"{plain}/api/home", TOKEN)


@pytest.mark.parametrize("keys_name", [(OTHERS, "desk"), (KEYS, "attic")])
def test_who_lacks_the_key_or_is_another_agent_is_told_nothing(
    keys_name: tuple[PurposeKeys, str], store: Path, tmp_path: Path
) -> None:
    own = identity_at(tmp_path / "one", "desk")
    with agent(store, own, own, *keys_name) as (plain, tls), pytest.raises(RemoteError) as told:
        asked(plain, tls)
    assert "is not agent desk with this home's key" in str(told.value)
    assert len(str(told.value).splitlines()) == 1


def test_a_genuine_certificate_without_its_key_is_of_no_use(store: Path, tmp_path: Path) -> None:
    true, false = (identity_at(tmp_path / name, "desk") for name in ("true", "false"))
    with (
        agent(store, true, false, KEYS) as (plain, tls),
        pytest.raises(RemoteError, match="certificate not trusted"),
    ):
        asked(plain, tls)


def test_only_the_holder_of_a_certificates_key_is_taken_for_it(store: Path, tmp_path: Path) -> None:
    true, false = (identity_at(tmp_path / name, "desk") for name in ("true", "false"))
    with agent(store, true, true, KEYS) as (_, tls):
        port = int(tls.rpartition(":")[2])
        assert holds("127.0.0.1", port, true.certificate, 20.0) is True
        assert holds("127.0.0.1", port, false.certificate, 20.0) is False
        assert holds("127.0.0.1", port, "nonsense", 20.0) is False
    assert holds("127.0.0.1", free_tcp_port(), true.certificate, 20.0) is None


@pytest.mark.parametrize("step_s", [60.0, 0.05])
def test_who_says_nothing_or_a_little_at_a_time_is_left_when_the_time_is_over(
    tmp_path: Path, step_s: float
) -> None:
    own, over = identity_at(tmp_path / "one", "desk"), threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def drip() -> None:
            with listener.accept()[0] as got, contextlib.suppress(OSError):
                got.sendall(b"\x16\x03\x03\x40\x00")  # the head of a record of 16 KiB (RFC 8446 5.1)
                while not over.wait(step_s):
                    got.sendall(b"\x00")

        thread = threading.Thread(target=drip, daemon=True)
        thread.start()
        clock = SystemClock()
        began_ns = clock.mono_ns()
        assert holds("127.0.0.1", listener.getsockname()[1], own.certificate, 0.5) is None
        assert 0.4e9 < clock.mono_ns() - began_ns < 20e9
        over.set()
        thread.join(5)


def test_a_listener_at_the_address_never_sees_the_token() -> None:
    heard = bytearray()
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def listen() -> None:
            for _ in range(2):
                with listener.accept()[0] as got:
                    got.settimeout(2)
                    heard.extend(got.recv(4096))
                    got.sendall(b"HTTP/1.1 200 OK\r\ncontent-length: 2\r\n\r\n{}")

        thread = threading.Thread(target=listen, daemon=True)
        thread.start()
        base = f"127.0.0.1:{listener.getsockname()[1]}"
        for _ in range(2):
            with pytest.raises(RemoteError, match="does not say who it is"):
                asked(f"http://{base}", f"https://{base}")
        thread.join(5)
    assert heard.count(b"GET /identity") == 2
    assert TOKEN.encode() not in heard
    assert b"uthorization" not in heard


def test_a_certificate_changes_at_a_port_that_is_in_use(store: Path, tmp_path: Path) -> None:
    old, new = identity_at(tmp_path / "one", "desk"), identity_at(tmp_path / "two", "desk")
    context = server_context(old.certificate, old.secret)
    with (
        serving(store, identity=said(new, KEYS), tls_only=True) as plain,
        serving(store, identity=b"", context=context, tls_only=True) as tls,
    ):
        show(context, new.certificate, new.secret)
        assert json.loads(asked(plain, tls.replace("http:", "https:")))["agent"] == "desk"


def test_only_the_newest_tls_is_spoken_and_no_certificate_is_told(tmp_path: Path) -> None:
    own = identity_at(tmp_path / "one", "desk")
    assert server_context(own.certificate, own.secret).minimum_version is ssl.TLSVersion.TLSv1_3
    assert pinned_context(own.certificate).verify_mode is ssl.CERT_REQUIRED
    with pytest.raises(ValueError, match="no certificate"):
        pinned_context("nonsense")
