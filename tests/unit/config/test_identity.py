"""An agent's own key is made once, kept from others, and proven to be of the home."""

import stat
from pathlib import Path

import pytest
from cryptography import x509

from whichhop.config.identity import identity_at, proof_of
from whichhop.config.keys import KeyFileError


def test_it_is_made_once_readable_by_nobody_else_and_stays_the_same(tmp_path: Path) -> None:
    path = tmp_path / "state" / "desk.identity"
    first = identity_at(path, "desk")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert identity_at(path, "desk") == first
    assert identity_at(tmp_path / "other", "desk").public_key != first.public_key
    made = x509.load_pem_x509_certificate(first.certificate.encode())
    made.verify_directly_issued_by(made)
    assert made.public_key().public_bytes_raw().hex() == first.public_key  # type: ignore[union-attr]


def test_a_power_cut_while_it_is_made_leaves_no_half_key_that_stops_every_later_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def cut(_descriptor: int) -> None:
        raise KeyboardInterrupt

    path = tmp_path / "desk.identity"
    with monkeypatch.context() as at_once:
        at_once.setattr("os.fsync", cut)
        with pytest.raises(KeyboardInterrupt):
            identity_at(path, "desk")
    assert not path.exists()
    assert identity_at(path, "desk") == identity_at(path, "desk")


def test_two_programs_that_begin_at_once_have_one_key(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, others = tmp_path / "desk.identity", tmp_path / "other"
    first = identity_at(others, "desk")

    def quicker(descriptor: int) -> None:
        path.write_bytes(others.read_bytes())

    monkeypatch.setattr("os.fsync", quicker)
    assert identity_at(path, "desk") == first


def test_what_is_no_key_is_told_in_a_line_with_the_remedy(tmp_path: Path) -> None:
    path = tmp_path / "desk.identity"
    path.write_text("nonsense\n")
    with pytest.raises(KeyFileError, match="remove it"):
        identity_at(path, "desk")


def test_a_proof_is_of_one_key_one_agent_and_one_certificate() -> None:
    whole = proof_of(b"k" * 32, "desk", "certificate")
    assert len(whole) == 64
    others = {
        proof_of(b"x" * 32, "desk", "certificate"),
        proof_of(b"k" * 32, "attic", "certificate"),
        proof_of(b"k" * 32, "desk", "another"),
        proof_of(b"k" * 32, "deskc", "ertificate"),
    }
    assert whole not in others
    assert len(others) == 4
