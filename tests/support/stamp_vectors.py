"""Packets of STAMP, octet for octet, with the field values they hold.

Laid out by hand from RFC 8762 figures 2, 4, 5, 6 and RFC 8972 figures 1 to 4. V1 to V6 were decoded and
encoded again by scapy.contrib.stamp, an independent implementation; the tags of V7 to V9 come from
`openssl dgst -sha256 -mac HMAC -macopt hexkey:000102..1f` over octets 0 to 95, cut to 16 octets. Common:
time 2024-01-01T00:00:00.5Z, error estimate 8f83 (S 1, scale 15, multiplier 131), key of octets 00 to 1f,
SSID 1234.
"""

KEY = bytes(range(32))
NOON_NS = 1_704_067_200_500_000_000
"""The common time; 2024-01-01T00:00:00.5Z."""
ESTIMATE = 0x8F83
SSID = 0x1234

V1 = bytes.fromhex("00000000e93c7f00800000008f83") + bytes(30)
V2 = bytes.fromhex("00000001e93c7f00800000008f831234") + bytes(28)
V3 = bytes.fromhex("00000007e93c7f008295e9e18f831234e93c7f00828f5c2800000001e93c7f00800000008f83000040000000")
V4 = bytes.fromhex("00000002659200801dcd6500cf831234") + bytes(28)
PADDING = bytes.fromhex("8001000c000102030405060708090a0b")
V5 = V2 + PADDING
V6 = V2 + bytes.fromhex("80040004b800000080080010b6ba3e74ddb7a04bb4b142f70c11b7b5") + PADDING
V7 = (
    bytes.fromhex("00000001")
    + bytes(12)
    + bytes.fromhex("e93c7f00800000008f83")
    + bytes(70)
    + bytes.fromhex("a5496942564463824754b752a3776d4d")
)
V8 = (
    bytes.fromhex("00000007")
    + bytes(12)
    + bytes.fromhex("e93c7f008295e9e18f83")
    + bytes(6)
    + bytes.fromhex("e93c7f00828f5c28")
    + bytes(8)
    + bytes.fromhex("00000001")
    + bytes(12)
    + bytes.fromhex("e93c7f00800000008f83")
    + bytes(6)
    + b"\x40"
    + bytes(15)
    + bytes.fromhex("65f418b82eff345df68f373eff5f7b48")
)
V9 = (
    bytes.fromhex("00000001")
    + bytes(12)
    + bytes.fromhex("e93c7f00800000008f831234")
    + bytes(68)
    + bytes.fromhex("0208d8937375d90302a62f099cd968d3")
)
