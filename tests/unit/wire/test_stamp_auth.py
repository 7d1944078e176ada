"""Packet tags against RFC 4231, against hashlib by RFC 2104's formula, and against openssl."""

import hashlib
import hmac
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support import stamp_vectors as v
from support.need import need_program
from whichhop.wire.stamp import tag, tag_fits


def test_the_truncated_case_of_rfc_4231_holds() -> None:
    # RFC 4231 4.6, test case 5, cut to 128 bits (from memory, computed again with openssl)
    assert tag(b"\x0c" * 20, b"Test With Truncation").hex() == "a3b6167473100ee06e0c796c2955552b"


@given(st.binary(max_size=100), st.binary(max_size=200))
def test_the_tag_is_rfc_2104s_formula_over_sha_256(key: bytes, data: bytes) -> None:
    block = hashlib.sha256(key).digest() if len(key) > 64 else key
    block = block.ljust(64, b"\0")
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in block) + data).digest()
    outer = hashlib.sha256(bytes(b ^ 0x5C for b in block) + inner).digest()
    assert outer == hmac.digest(key, data, "sha256")  # the standard library's own
    assert tag(key, data) == outer[:16]
    assert tag_fits(key, data, outer[:16])
    assert not tag_fits(key, data, outer[:15] + bytes((outer[15] ^ 1,)))
    assert not tag_fits(key, data, outer)


@pytest.mark.parametrize("packet", [v.V7, v.V8, v.V9], ids=["V7", "V8", "V9"])
def test_openssl_computes_the_same_tags(packet: bytes, tmp_path: Path) -> None:
    covered = tmp_path / "covered"
    covered.write_bytes(packet[:96])
    command = [need_program("openssl"), "dgst", "-sha256", "-mac", "HMAC", "-macopt", f"hexkey:{v.KEY.hex()}"]
    said = subprocess.run([*command, str(covered)], capture_output=True, text=True, check=True).stdout
    assert said.split()[-1][:32] == packet[96:].hex() == tag(v.KEY, packet[:96]).hex()
