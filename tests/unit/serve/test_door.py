"""Records need the home's token, a closed page its password, both in TLS; an open page needs nothing."""

import base64
from urllib.parse import quote, unquote

import h11
import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.serve.answer import RefusedError
from whichhop.serve.door import Door

OPEN = Door(token="t0", tls_only=True)
CLOSED = Door(token="t0", password="abcd-efgh", tls_port=8622, tls_only=True)


def basic(password: str, user: str = "me") -> str:
    return "Basic " + base64.b64encode(f"{user}:{password}".encode()).decode()


def status(door: Door, path: str, authorization: str = "", *, secure: bool = True, host: str = "desk") -> int:
    try:
        door.check(path, {"host": host, "authorization": authorization}, secure=secure)
    except RefusedError as refused:
        return refused.status
    return 200


@pytest.mark.parametrize("path", ["/", "/metrics", "/bulletin", "/page.css"])
def test_an_open_page_is_everybodys_and_a_closed_one_wants_its_password(path: str) -> None:
    assert status(OPEN, path, secure=False) == 200
    assert status(CLOSED, path, basic("abcd-efgh"), secure=False) == 308
    assert status(CLOSED, path) == 401
    for wrong in (basic(""), basic("abcd-efgx"), "Basic !!", "Basic", "Bearer abcd-efgh", "Bearer "):
        assert status(CLOSED, path, wrong) == 401
    assert status(CLOSED, path, basic("abcd-efgh")) == 200
    assert status(CLOSED, path, "Bearer t0") == 200  # agents and `status`


def test_records_want_the_token_in_tls_and_no_password_will_do() -> None:
    for door in (OPEN, CLOSED):
        assert status(door, "/api/records", "Bearer t0", secure=False) == 426
        assert status(door, "/api/records", basic("abcd-efgh")) == 401
        assert status(door, "/api/records", "Bearer t0") == 200


def test_whether_it_lives_and_who_it_is_is_told_to_everybody_in_the_home() -> None:
    for path in ("/health", "/identity"):
        assert status(CLOSED, path, secure=False) == 200
        assert status(CLOSED, path, secure=False, host="attacker.example") == 421


@pytest.mark.parametrize(
    ("host", "where"),
    [
        ("desk:8620", "https://desk:8622/"),
        ("192.0.2.20", "https://192.0.2.20:8622/"),
        ("[2001:db8::20]:8620", "https://[2001:db8::20]:8622/"),
    ],
)
def test_a_browser_is_sent_to_the_page_in_tls(host: str, where: str) -> None:
    with pytest.raises(RefusedError) as sent:
        CLOSED.check("/", {"host": host}, secure=False)
    assert dict(sent.value.headers)["location"] == where


@given(st.text(max_size=60), st.booleans())
def test_no_header_opens_it_or_makes_it_fail(text: str, secure: bool) -> None:
    assert status(CLOSED, "/", text, secure=secure) in (308, 401)
    assert status(CLOSED, "/api/open", text, secure=secure) in (401, 426)


@given(st.text(max_size=60))
def test_no_path_makes_a_header_that_cannot_be_sent(path: str) -> None:
    """RFC 9110 5.5 allows visible ASCII and blanks; h11, which sends them, is asked what it takes."""
    with pytest.raises(RefusedError) as sent:
        CLOSED.check(unquote(quote(path, errors="replace")), {"host": "desk"}, secure=False)
    (location,) = (v.encode("latin-1") for k, v in sent.value.headers if k == "location")
    h11.Response(status_code=308, headers=[(b"location", location)])
    assert location.startswith(b"https://desk:8622/")
    assert b" " not in location


def test_who_names_no_host_is_sent_nowhere() -> None:
    with pytest.raises(RefusedError) as sent:
        CLOSED.check("/", {}, secure=False)
    assert sent.value.headers == ()
