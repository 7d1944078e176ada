"""The file of an SNMPv3 user: what it holds, who may read it, and no secret in any complaint."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.daemon.notice.sending import secret_of
from whichhop.errors import DataError, SystemRefusedError
from whichhop.probes.snmp_ask import AuthBy, PrivBy, SnmpUser, read_user, user_of

GOOD = "# the modem's\nuser: reader\nauth: stone: bridge\n\npriv: willow mill\n"


def test_a_user_is_read_with_the_usual_algorithms() -> None:
    # RFC 7860 2.1 and RFC 3826: what every implementation of either must have
    assert user_of(GOOD, "f") == SnmpUser(name="reader", auth="stone: bridge", priv="willow mill")
    other = user_of(GOOD + "auth_by: SHA-512\npriv_by: aes-256\n", "f")
    assert (other.auth_by, other.priv_by) == (AuthBy.SHA_512, PrivBy.AES_256)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "f: user is missing; add a line user: NAME"),
        (GOOD.replace("auth:", "key:"), "f: line 3 is none of user, auth, priv, auth_by, priv_by"),
        (GOOD + "user: b\n", "f: user stands twice"),
        (GOOD.replace("willow mill", "short"), "f: priv is shorter than 8 characters"),
        (GOOD.replace("reader", "r" * 33), "f: user is longer than 32 octets"),
        (GOOD + "auth_by: md5\n", "f: auth_by is 'md5'; write sha-224, sha-256"),
        (GOOD + "priv_by: des\n", "f: priv_by is 'des'; write aes-128"),
        (GOOD.replace("user: reader", "just a line"), "f: line 2 is none of"),
    ],
)
def test_each_mistake_is_one_line(text: str, says: str) -> None:
    with pytest.raises(DataError) as caught:
        user_of(text, "f")
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


@given(st.text(max_size=80))
def test_any_text_is_a_user_or_one_line_without_its_passwords(text: str) -> None:
    with pytest.raises(DataError) as caught:
        user_of(f"auth: stone bridge\npriv: willow mill\nuser: ok\n{text}\nhm", "f")
    assert "\n" not in str(caught.value)
    assert "stone bridge" not in str(caught.value)


def test_the_passwords_are_in_no_repr() -> None:
    assert "stone" not in repr(user_of(GOOD, "f"))


@pytest.mark.parametrize(("mode", "fine"), [(0o600, True), (0o400, True), (0o440, True), (0o604, False)])
def test_a_file_that_others_can_read_is_refused(tmp_path: Path, mode: int, fine: bool) -> None:
    # 0440 root and a group of its own is how a service manager hands credentials over
    file = tmp_path / "u"
    file.write_text(GOOD)
    file.chmod(mode)
    if fine:
        assert read_user(file).name == "reader"
    else:
        with pytest.raises(SystemRefusedError, match=rf"others may read or change it; run: chmod 600 {file}"):
            read_user(file)


def test_the_mark_that_some_editors_begin_a_file_with_is_no_part_of_it(tmp_path: Path) -> None:
    # RFC 3629, section 6
    (tmp_path / "u").write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    (tmp_path / "u").chmod(0o600)
    assert read_user(tmp_path / "u").name == "reader"
    (tmp_path / "token").write_bytes(b"\xef\xbb\xbfstone bridge\r\n")
    (tmp_path / "token").chmod(0o600)
    assert secret_of(tmp_path / "token") == "stone bridge"


def test_a_file_that_is_not_there_or_no_text_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(SystemRefusedError, match=r"cannot be read: .*; put user:, auth: and priv:"):
        read_user(tmp_path / "none")
    (tmp_path / "u").write_bytes(b"user: \xff\n")
    (tmp_path / "u").chmod(0o600)
    with pytest.raises(DataError, match="not UTF-8"):
        read_user(tmp_path / "u")
