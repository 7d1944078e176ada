"""SSDP's search and answers, by the UPnP Device Architecture 1.1, sections 1.3.2 and 1.3.3."""

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.outside import OutsideError
from whichhop.wire.upnp_wan import SERVICE, description_address, search

ANSWER = (
    "HTTP/1.1 200 OK\r\nCACHE-CONTROL: max-age=1800\r\nEXT:\r\nLocation: http://192.0.2.1:5000/desc.xml\r\n"
    f"SERVER: x\r\nST: {SERVICE}\r\nUSN: uuid:1::{SERVICE}\r\n\r\n"
)


def test_a_search_has_the_fields_of_the_standard_and_mx_only_for_a_group() -> None:
    head, *fields = search("239.255.255.250:1900", SERVICE, wait_s=1).decode().split("\r\n")
    assert head == "M-SEARCH * HTTP/1.1"
    assert fields == [
        "HOST: 239.255.255.250:1900",
        'MAN: "ssdp:discover"',
        f"ST: {SERVICE}",
        "MX: 1",
        "",
        "",
    ]
    assert b"MX:" not in search("192.0.2.1:1900", SERVICE)


def test_an_answer_names_the_description_whatever_the_case_of_its_fields() -> None:
    assert description_address(ANSWER.encode(), SERVICE) == "http://192.0.2.1:5000/desc.xml"


def test_an_answer_to_another_search_is_none() -> None:
    assert description_address(ANSWER.replace(SERVICE, "upnp:rootdevice").encode(), SERVICE) is None


@pytest.mark.parametrize(
    "text",
    ["", "NOTIFY * HTTP/1.1\r\n\r\n", "\xff\xfe nonsense", ANSWER.replace("Location", "Elsewhere")],
)
def test_garbage_is_a_complaint(text: str) -> None:
    with pytest.raises(OutsideError):
        description_address(text.encode("latin-1"), SERVICE)


@given(st.binary(max_size=300))
def test_no_octets_do_anything_else(octets: bytes) -> None:
    with suppress(OutsideError):
        assert description_address(octets, SERVICE) is None
