"""Names that hypothesis may ask for: letters, digits and hyphens, at most 253 octets (RFC 1123 2.1)."""

from hypothesis import strategies as st

_LABEL = st.text("abcdefghijklmnopqrstuvwxyz0123456789-", min_size=1, max_size=63)
NAMES = st.lists(_LABEL, min_size=1, max_size=6).map(".".join).filter(lambda name: len(name) <= 253)
