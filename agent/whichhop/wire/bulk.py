"""The talk of a transfer between two agents: both prove the home's key, then say signed lines. Pure.

One line a message, each side's numbered from 0. The handshake is challenge and response with HMAC-SHA-256
(RFC 2104) over both sides' nonces, the answering side first:

    answers  {"talk": 1, "nonce": N1}
    asks     {"name": NAME, "nonce": N2, "proof": HMAC(key, "asks" N1 N2 NAME)}
    answers  {"proof": HMAC(key, "answers" N1 N2 NAME)}

Every later line is JSON, a blank and its HMAC under a key that both nonces make, so that no line can be
forged, repeated or moved. The data streams themselves carry nothing worth signing; each begins with a token.
"""

import hmac
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from whichhop import outside
from whichhop.outside import OutsideError
from whichhop.printable import printable, shown

VERSION = 1
NONCE_OCTETS = 16
LONGEST_LINE = 16_384
LONGEST_NAME = 64
LONGEST_WHY = 200


class TalkError(Exception):
    """What the other side said cannot be accepted; the text says why. The connection is to be closed."""


class WrongKeyError(TalkError):
    """The other side does not hold the home's key."""


class Stage(StrEnum):
    """How far the handshake is."""

    CHALLENGE = "challenge"
    """The asking side waits for the challenge."""
    ASKED = "asked"
    """The answering side has challenged and waits for the proof."""
    PROOF = "proof"
    """The asking side has proved itself and waits for the other's proof."""
    OPEN = "open"


def _digest(key: bytes, *parts: bytes) -> str:
    # Each part with its length before it: no two different lists of parts make the same octets.
    text = b"".join(len(p).to_bytes(4) + p for p in parts)
    return hmac.digest(key, text, "sha256").hex()


def stream_token(session: str, number: int) -> str:
    """What a data connection shows to be taken for stream `number` of a session."""
    return _digest(bytes.fromhex(session), b"stream", str(number).encode())


@dataclass(slots=True, kw_only=True)
class Talk:
    """One side of the talk. Octets in by `feed`, octets out by `take`.

    asks: True on the side that connects. nonce: NONCE_OCTETS drawn at random by the caller.
    name: the asking node's name; the answering side learns it.
    """

    key: bytes = field(repr=False)
    asks: bool
    nonce: bytes
    name: str = ""
    stage: Stage = field(init=False)
    session: str = ""
    """The key of this talk, hexadecimal, once it is open."""
    said: int = 0
    heard: int = 0
    _in: bytearray = field(default_factory=bytearray)
    _out: bytearray = field(default_factory=bytearray)
    _nonces: tuple[bytes, bytes] = (b"", b"")

    def __post_init__(self) -> None:
        if len(self.nonce) != NONCE_OCTETS:
            raise ValueError(f"a nonce has {NONCE_OCTETS} octets, not {len(self.nonce)}")
        self.stage = Stage.CHALLENGE if self.asks else Stage.ASKED
        if not self.asks:
            self._put({"talk": VERSION, "nonce": self.nonce.hex()})

    @classmethod
    def resumed(cls, *, asks: bool, session: str, said: int, heard: int) -> "Talk":
        """An open talk that another process began; the key itself is not needed any more."""
        talk = cls(key=b"", asks=asks, nonce=bytes(NONCE_OCTETS))
        talk._out.clear()
        talk.stage, talk.session, talk.said, talk.heard = Stage.OPEN, session, said, heard
        return talk

    def take(self) -> bytes:
        """What is to be sent now."""
        out = bytes(self._out)
        self._out.clear()
        return out

    def say(self, message: dict[str, Any]) -> bytes:
        """One signed line to send; only once the talk is open."""
        if self.stage is not Stage.OPEN:
            raise TalkError("the talk is not open yet")
        text = json.dumps(message, separators=(",", ":")).encode()
        line = text + b" " + self._sign(self.asks, self.said, text).encode() + b"\n"
        self.said += 1
        return line

    def feed(self, data: bytes) -> Iterator[dict[str, Any]]:
        """Take octets in; each message of the open talk comes out. TalkError when they are not acceptable."""
        self._in += data
        while (end := self._in.find(b"\n")) >= 0:
            line = bytes(self._in[:end])
            del self._in[: end + 1]
            if len(line) > LONGEST_LINE:
                break
            if self.stage is Stage.OPEN:
                yield self._signed(line)
            else:
                self._handshake(_object(line))
        if len(self._in) > LONGEST_LINE or end > LONGEST_LINE:
            raise TalkError(f"a line of more than {LONGEST_LINE} octets")

    def _put(self, message: dict[str, Any]) -> None:
        self._out += json.dumps(message).encode() + b"\n"

    def _sign(self, asks: bool, number: int, text: bytes) -> str:
        side = b"asks" if asks else b"answers"
        return _digest(bytes.fromhex(self.session), side, str(number).encode(), text)

    def _signed(self, line: bytes) -> dict[str, Any]:
        text, _, tag = line.rpartition(b" ")
        good = self._sign(not self.asks, self.heard, text)
        if not hmac.compare_digest(good.encode(), tag):
            raise TalkError("a line that is not signed as it must be")
        self.heard += 1
        return _object(text)

    def _handshake(self, said: dict[str, Any]) -> None:
        if "refused" in said:
            kind = WrongKeyError if said.get("why") == "key" else TalkError
            raise kind(printable(str(said["refused"]), LONGEST_WHY))
        if self.stage is Stage.CHALLENGE:
            if said.get("talk") != VERSION:
                raise TalkError(f"another version of the talk: {shown(said.get('talk'), 20)}, not {VERSION}")
            theirs = _nonce(said)
            proof = self._proof("asks", theirs, self.nonce)
            self._nonces = (theirs, self.nonce)
            self._put({"name": self.name, "nonce": self.nonce.hex(), "proof": proof})
            self.stage = Stage.PROOF
        elif self.stage is Stage.ASKED:
            theirs, self.name = _nonce(said), _name(said)
            self._check(said, self._proof("asks", self.nonce, theirs))
            self._put({"proof": self._proof("answers", self.nonce, theirs)})
            self._open(self.nonce, theirs)
        else:
            self._check(said, self._proof("answers", *self._nonces))
            self._open(*self._nonces)

    def _proof(self, side: str, first: bytes, second: bytes) -> str:
        return _digest(self.key, side.encode(), first, second, self.name.encode())

    def _check(self, said: dict[str, Any], good: str) -> None:
        if not hmac.compare_digest(good.encode(), str(said.get("proof")).encode()):
            self._put({"refused": "wrong key", "why": "key"})
            raise WrongKeyError("wrong key: both agents need the same home's key file")

    def _open(self, first: bytes, second: bytes) -> None:
        self.session = _digest(self.key, b"session", first, second)
        self.stage = Stage.OPEN


def _nonce(said: dict[str, Any]) -> bytes:
    try:
        nonce = bytes.fromhex(str(said.get("nonce")))
    except ValueError:  # no hexadecimal, or a number too long to be written out
        nonce = b""
    if len(nonce) != NONCE_OCTETS:
        raise TalkError("a greeting without a nonce; is this a whichhop agent's transfer port?")
    return nonce


def _name(said: dict[str, Any]) -> str:
    try:
        return outside.name(said.get("name"), "the other agent's name", most=LONGEST_NAME)
    except OutsideError as wrong:
        raise TalkError(str(wrong)) from None


def _object(line: bytes) -> dict[str, Any]:
    """A line's object. No number in it is infinite, no text holds a lone surrogate; its kinds are open."""
    try:
        return outside.mapping(outside.json_of(line, "a line", most=LONGEST_LINE), "a line")
    except OutsideError as wrong:
        raise TalkError(f"{wrong}; is this a whichhop agent's transfer port?") from None
