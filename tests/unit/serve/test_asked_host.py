"""An agent answers to addresses and names of the home, and to no name that a stranger can register."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.serve.door import is_local_name


@pytest.mark.parametrize(
    "host",
    [
        "192.0.2.20",
        "192.0.2.20:8620",
        "[2001:db8::20]:8620",
        "[fe80::1%25eth0]",
        "desk",
        "desk:8620",
        "desk.local",
        "Desk.LAN:8620",
        "desk.home.arpa",
        "localhost:8620",
    ],
)
def test_addresses_and_names_of_the_home_are_answered(host: str) -> None:
    assert is_local_name(host)


@pytest.mark.parametrize(
    "host",
    [
        "attacker.example",
        "attacker.example:8620",
        "192.0.2.20.attacker.example",
        "local.attacker.example",
        "desk.local.attacker.example.",
        "",
        ":8620",
        "desk:80:attacker.example",
        "desk:x",
        "192.0.2.20%.attacker.example",
        "[192.0.2.20]attacker.example",
        "attacker.example/.local",
        "attacker.example\\.local",
        "attacker.example#.lan",
        "user@attacker.example?.home",
        "desk:\xb2",
    ],
)
def test_names_that_a_stranger_can_own_are_not(host: str) -> None:
    # RFC 2606 keeps .example for documents; to the program it is a name like any other
    assert not is_local_name(host)


@given(st.text(max_size=80))
def test_no_text_makes_it_raise(host: str) -> None:
    assert is_local_name(host) in (True, False)
