"""The home key file and the keys derived from it."""

import base64
import errno
import hashlib
import hmac
import os
from pathlib import Path

import pytest

from whichhop.config.keys import KeyFileError, create_key, derive_keys, key_path_for, read_key


def hkdf_by_the_rfc(key: bytes, info: bytes, length: int = 32) -> bytes:
    """RFC 5869 2.2 and 2.3 for one block: extract with a zero salt, then expand."""
    extracted = hmac.digest(b"\0" * 32, key, hashlib.sha256)
    return hmac.digest(extracted, info + b"\x01", hashlib.sha256)[:length]


def test_each_purpose_key_follows_rfc_5869() -> None:
    key = bytes(range(32))
    keys = derive_keys(key)
    assert keys.api == hkdf_by_the_rfc(key, b"whichhop api")
    assert keys.stamp == hkdf_by_the_rfc(key, b"whichhop stamp")
    assert keys.transfer == hkdf_by_the_rfc(key, b"whichhop transfer")
    assert keys.evidence == hkdf_by_the_rfc(key, b"whichhop evidence")
    assert keys.api_token == keys.api.hex()


def test_a_new_key_is_readable_by_its_owner_only_and_never_replaced(tmp_path: Path) -> None:
    path = key_path_for(tmp_path / "alder.yaml")
    create_key(path)
    assert path.name == "alder.key"
    assert path.stat().st_mode & 0o777 == 0o600
    first = read_key(path)
    assert len(first) == 32
    with pytest.raises(KeyFileError, match="already"):
        create_key(path)
    assert read_key(path) == first


def test_a_key_file_that_cannot_be_used_says_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "k.key"
    with pytest.raises(KeyFileError, match="whichhop setup"):
        read_key(path)
    create_key(path)
    path.chmod(0o644)
    with pytest.raises(KeyFileError, match="chmod 600"):
        read_key(path)
    path.chmod(0o600)
    for text in ("", "not base64!", base64.b64encode(b"short").decode()):
        path.write_text(text)
        with pytest.raises(KeyFileError, match="not a home key"):
            read_key(path)
    with pytest.raises(KeyFileError, match="cannot be written"):
        create_key(tmp_path / "no" / "such" / "k.key")


def test_a_disk_that_is_full_leaves_no_half_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A half key is none, and would keep `setup` from making a whole one later."""

    def full(_descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(KeyFileError, match=r"No space left on device.*free some space"):
        create_key(tmp_path / "k.key")
    monkeypatch.undo()
    assert not list(tmp_path.iterdir())
    create_key(tmp_path / "k.key")


@pytest.mark.parametrize("mode", [0o400, 0o440, 0o600])
def test_a_key_handed_over_by_systemd_is_read_in_either_of_its_modes(mode: int, tmp_path: Path) -> None:
    # systemd.exec, CREDENTIALS: older versions make it 0400, newer ones 0440, in a folder of the unit's own
    folder = tmp_path / "credentials"
    folder.mkdir(mode=0o700)
    create_key(folder / "home.key")
    (folder / "home.key").chmod(mode)
    assert len(read_key(folder / "home.key", {"CREDENTIALS_DIRECTORY": str(folder)})) == 32


@pytest.mark.parametrize(("mode", "inside"), [(0o440, False), (0o444, True), (0o460, True), (0o640, False)])
def test_a_key_that_others_may_read_is_refused_there_too(mode: int, inside: bool, tmp_path: Path) -> None:
    create_key(tmp_path / "home.key")
    (tmp_path / "home.key").chmod(mode)
    environ = {"CREDENTIALS_DIRECTORY": str(tmp_path if inside else tmp_path / "other")}
    with pytest.raises(KeyFileError, match="others may read or write"):
        read_key(tmp_path / "home.key", environ)
