"""The seal: RFC 8032's own example for the key, and every changed byte noticed."""

import base64

import pytest

from whichhop.errors import DataError
from whichhop.report.seal import public_half, seal_of, sealed, trouble, unsealed

# RFC 8032 section 7.1, TEST 1.
SECRET = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
PUBLIC = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
PAGE = "<!doctype html>\n<p>lost 9.8 %</p>\n"


def test_the_public_half_is_that_of_the_standard() -> None:
    assert public_half(SECRET) == PUBLIC


def test_a_sealed_page_opens_to_the_same_page_and_holds() -> None:
    page, seal = unsealed(sealed(PAGE, seal_of(PAGE, SECRET)), "r.html")
    assert page == PAGE
    assert trouble(page, seal, PUBLIC) == ""


@pytest.mark.parametrize("place", range(0, len(PAGE), 3))
def test_any_changed_byte_of_the_page_is_noticed(place: int) -> None:
    changed = PAGE[:place] + chr(ord(PAGE[place]) ^ 1) + PAGE[place + 1 :]
    assert "changed" in trouble(changed, seal_of(PAGE, SECRET), PUBLIC)


def test_a_page_sealed_anew_by_another_key_is_noticed() -> None:
    other = bytes(range(32))
    forged = seal_of(PAGE.replace("9.8", "19.8"), other)
    assert "key" in trouble(PAGE.replace("9.8", "19.8"), forged, PUBLIC)


def test_a_seal_without_its_signature_does_not_pass_for_a_signed_page() -> None:
    assert "key" in trouble(PAGE, seal_of(PAGE, None), PUBLIC)
    assert trouble(PAGE, seal_of(PAGE, None), None) == ""


def test_a_signature_of_another_page_is_noticed() -> None:
    seal = seal_of(PAGE, SECRET)
    other = seal_of("another", SECRET)
    from msgspec.structs import replace

    assert "does not fit" in trouble(PAGE, replace(seal, signature=other.signature), PUBLIC)


def test_a_page_without_a_seal_says_so() -> None:
    assert unsealed(PAGE, "r.html") == (PAGE, None)
    assert "no seal" in trouble(PAGE, None, None)


@pytest.mark.parametrize("tail", ["<p>more</p>", " ", "<!-- whichhop seal x -->"])
def test_something_behind_the_seal_is_refused(tail: str) -> None:
    whole = sealed(PAGE, seal_of(PAGE, SECRET)) + tail
    with pytest.raises(DataError, match=r"r\.html"):
        unsealed(whole, "r.html")


def test_a_seal_that_is_no_data_is_refused() -> None:
    body = base64.b64encode(b"nothing").decode()
    with pytest.raises(DataError, match="cannot be read"):
        unsealed(PAGE + f"<!-- whichhop seal {body} -->\n", "r.html")
