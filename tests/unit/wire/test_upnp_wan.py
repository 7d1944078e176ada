"""UPnP's byte totals as text: the service found, the question as the standard has it, bad answers refused."""

from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.outside import OutsideError
from whichhop.wire.upnp_wan import RECEIVED, answer, control_address, question

SERVICE = "urn:schemas-upnp-org:service:WANCommonInterfaceConfig:1"
DESCRIPTION = f"""<?xml version="1.0"?>
<root xmlns="urn:schemas-upnp-org:device-1-0"><device><deviceList><device><serviceList>
<service><serviceType>urn:schemas-upnp-org:service:Layer3Forwarding:1</serviceType>
<controlURL>/other</controlURL></service>
<service><serviceType>{SERVICE}</serviceType><controlURL>/ctl/wan</controlURL></service>
</serviceList></device></deviceList></device></root>""".encode()


def reply(value: str, name: str = "NewTotalBytesReceived") -> bytes:
    return f"""<?xml version="1.0"?><s:Envelope xmlns:s="http://schemas.xmlsoap.org/soap/envelope/">
<s:Body><u:GetTotalBytesReceivedResponse xmlns:u="{SERVICE}"><{name}>{value}</{name}>
</u:GetTotalBytesReceivedResponse></s:Body></s:Envelope>""".encode()


def test_the_services_own_control_address_is_found_and_made_absolute() -> None:
    base = "http://192.0.2.1:5000/desc.xml"
    assert control_address(DESCRIPTION, base) == "http://192.0.2.1:5000/ctl/wan"


def test_the_question_names_the_action_in_header_and_body() -> None:
    headers, body = question(RECEIVED)
    # UPnP Device Architecture 1.0, 3.2.1: SOAPACTION is the service type, "#" and the action, in quotes
    assert headers["SOAPAction"] == f'"{SERVICE}#GetTotalBytesReceived"'
    inner = ElementTree.fromstring(body)[0][0]
    assert inner.tag == f"{{{SERVICE}}}GetTotalBytesReceived"


@pytest.mark.parametrize(
    ("value", "total"),
    [("123456", 123456), ("0", 0), ("4294967295", 2**32 - 1), ("4294967301", 5), ("-1", 2**32 - 1)],
)
def test_totals_are_read_modulo_the_types_32_bits(value: str, total: int) -> None:
    assert answer(reply(value), RECEIVED) == total


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (b"garbage", "not XML"),
        (b"", "not XML"),
        (reply("many"), "is not a whole number"),
        (reply("1", "NewOther"), "no TotalBytesReceived"),
        (b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>', "document type"),
        (b"<a><errorDescription>Invalid Action</errorDescription></a>", "refuses: Invalid Action"),
    ],
)
def test_bad_answers_are_refused_with_why(text: bytes, why: str) -> None:
    with pytest.raises(OutsideError, match=why):
        answer(text, RECEIVED)


def test_a_description_without_the_service_is_refused() -> None:
    with pytest.raises(OutsideError, match="names no WANCommonInterfaceConfig:1"):
        control_address(b"<root/>", "http://192.0.2.1/")


@given(st.binary(max_size=200))
def test_no_octets_raise_anything_but_a_value_error(text: bytes) -> None:
    for reads in (lambda: answer(text, RECEIVED), lambda: control_address(text, "http://192.0.2.1/")):
        with pytest.raises(OutsideError, match=r"\w"):
            reads()


@pytest.mark.parametrize(
    "page",
    [
        f"<!DOCTYPE x>{DESCRIPTION.decode()}".encode("utf-16"),  # another encoding hides the document type
        b'<?xml version="1.0" encoding="nonesuch"?><root/>',
        b"<a>" * 80_000,
        DESCRIPTION.replace(b"/ctl/wan", b"http://[192.0.2.1/"),
        DESCRIPTION.replace(b"/ctl/wan", b"/" + b"x" * 10_000),
    ],
)
def test_a_description_that_bites_is_one_line(page: bytes) -> None:
    with pytest.raises(OutsideError):
        control_address(page, "http://192.0.2.1:5000/desc.xml")


@pytest.mark.parametrize("value", ["9" * 400, "\u0663", "1e5", "+-3", "0x10", ""])
def test_a_total_that_is_none_is_one_line(value: str) -> None:
    with pytest.raises(OutsideError, match="TotalBytesReceived"):
        answer(reply(value), RECEIVED)
