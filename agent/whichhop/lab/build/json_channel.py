"""One JSON line out, one JSON line back: how the owner of an emulated home talks to its processes."""

import json
import socket
from typing import Any

from whichhop.errors import SystemRefusedError


class JsonChannel:
    """One end of a socket pair; one question at a time."""

    def __init__(self, sock: socket.socket, who: str, patience_s: float = 60.0) -> None:
        self._sock = sock
        self._who = who
        sock.settimeout(patience_s)
        self._lines = sock.makefile("rb")

    def ask(self, **order: object) -> Any:
        """Send an order, give its answer; SystemRefusedError when it is refused or nobody answers."""
        try:
            self._sock.sendall(json.dumps(order).encode() + b"\n")
        except OSError:
            raise self._gone() from None
        return self.read()

    def read(self) -> Any:
        """One answer."""
        try:
            line = self._lines.readline()
        except OSError:
            line = b""
        if not line:
            raise self._gone()
        answer = json.loads(line)
        if "refused" in answer:
            raise SystemRefusedError(answer["refused"])
        return answer.get("did", answer)

    def close(self) -> None:
        """Hang up, which the other end takes as the end."""
        self._lines.close()
        self._sock.close()

    def _gone(self) -> SystemRefusedError:
        return SystemRefusedError(
            f"the emulated home's {self._who} has ended or does not answer; start the home again"
        )
