"""Protocols as bytes in, events out; no sockets, no clock."""
