"""Lets one machine join: listens, holds the exchange, hands over home file and key, writes the agent down."""

import asyncio
import contextlib
import socket
import ssl
from collections.abc import Callable
from pathlib import Path

from msgspec import Struct

from whichhop.app.agents.invitation import TRIES, Invitation, JoiningPlace, Over, PlaceError, Wish, place_for
from whichhop.app.agents.pairing_line import LINE_S, PairingLine
from whichhop.config.check import check_home
from whichhop.config.epochs import NONE, epoch_path, epoch_text, owner_text, read_epoch, read_owner
from whichhop.config.files import check_writable, replace_file
from whichhop.config.home_edit import with_agent
from whichhop.config.identity import is_signed, passing_identity, public_key_of
from whichhop.config.keys import key_text, read_key
from whichhop.config.known_agents import KnownAgents, known_agents_path, read_known, write_known
from whichhop.config.load import load_yaml
from whichhop.config.pairing_keys import PairingKeys, PairingSide, is_proof
from whichhop.errors import WhichhopError
from whichhop.model import Home
from whichhop.model.chain_signature import fingerprint
from whichhop.net.clock import Clock
from whichhop.net.listen import Places, listening_socket
from whichhop.net.tls import server_context
from whichhop.outside import OutsideError
from whichhop.wire.pairing import (
    VERSION,
    Done,
    Hello,
    HomeSent,
    Kept,
    Machine,
    OwnKey,
    Place,
    Proof,
    Refused,
    RefusedHereError,
    Share,
)

MOST_TALKS, MOST_EACH = 8, 3
KEEP_S = 60.0
"""A small box with a slow card has the files on its disk by then."""
_LOOK_S = 0.5
_GONE = (OSError, TimeoutError, EOFError)


class InviteError(WhichhopError):
    """Nobody joined; the text says why and what to do."""


class Joined(Struct, frozen=True, kw_only=True):
    """node, address: as the home file has them now. key: the new agent's fingerprint. added: to the file."""

    node: str
    address: str
    key: str
    added: bool


class Invited(Struct, frozen=True, kw_only=True):
    """What is handed over, and what the person asked for."""

    home_file: Path
    key_file: Path
    wish: Wish


class Inviting:
    """`open()`, then `await joined()`. say: takes a line for the person at this machine."""

    def __init__(
        self, invited: Invited, invitation: Invitation, clock: Clock, say: Callable[[str], None]
    ) -> None:
        self._invited, self._invitation, self._clock, self._say = invited, invitation, clock, say
        own = passing_identity()
        self._tls = server_context(own.certificate, own.secret)
        self._certificate = ssl.PEM_cert_to_DER_cert(own.certificate)
        self._places: Places[socket.socket] = Places(MOST_TALKS, MOST_EACH)
        self._talks: dict[socket.socket, asyncio.Task[None]] = {}
        self._sent_key = False
        self._result: asyncio.Future[Joined]
        self._sock: socket.socket

    def open(self, host: str, port: int) -> int:
        """Get the port; which one it is. SystemRefusedError when it cannot be had."""
        self._sock = listening_socket(host, port, setting="--port")
        return int(self._sock.getsockname()[1])

    def close(self) -> None:
        """Give the port back."""
        self._sock.close()

    async def joined(self) -> Joined:
        """Who joined; InviteError when nobody did."""
        self._result = asyncio.get_running_loop().create_future()
        accepting = asyncio.create_task(self._accept())
        try:
            while not self._result.done():
                await asyncio.wait([self._result], timeout=_LOOK_S)
                over = self._invitation.over(self._clock.mono_ns())
                if over is not None and over is not Over.USED and not self._result.done():
                    self._result.set_exception(InviteError(f"nobody joined: {over}"))
            return self._result.result()
        finally:
            accepting.cancel()
            self._result.cancel()  # unless it is there: no talk that is cut off now has a result any more
            # Who was told a last line reads it; the rest is hung up on.
            if self._talks and not self._result.cancelled():
                await asyncio.wait(self._talks.values(), timeout=1.0)
            for task in list(self._talks.values()):
                task.cancel()
            await asyncio.gather(accepting, *self._talks.values(), return_exceptions=True)
            self.close()

    async def _accept(self) -> None:
        loop = asyncio.get_running_loop()
        while True:
            try:
                sock, address = await loop.sock_accept(self._sock)
            except OSError:  # out of descriptors, say: others may be given back meanwhile
                await asyncio.sleep(_LOOK_S)
                continue
            who = str(address[0])
            out = self._places.enter(sock, who)
            if out is sock:
                sock.close()
                continue
            if out is not None and (talk := self._talks.get(out)) is not None:
                talk.cancel()
            self._talks[sock] = asyncio.create_task(self._attend(sock, who))

    async def _attend(self, sock: socket.socket, who: str) -> None:
        """One talk, whatever becomes of it; it ends nothing but itself."""
        line: PairingLine | None = None
        try:
            line = await PairingLine.of(sock, self._tls, who)
            await self._talk(line, sock, who)
        except RefusedHereError as why:
            self._say(f"{who}: broke off: {why}")
        except OutsideError as why:
            self._say(f"{who}: is no machine that joins: {why}")
        except _GONE:
            pass  # a scanner, or somebody with a bad connection: it may come again
        finally:
            if line is not None:
                line.close()
            else:
                sock.close()
            self._places.leave(sock)
            self._talks.pop(sock, None)

    async def _talk(self, line: PairingLine, sock: socket.socket, who: str) -> None:
        hello = await line.hear(Hello)
        if await self._turned_away(line):
            return
        if hello.version != VERSION:
            await line.say(Refused(why="the two machines run different versions; install the same on both"))
            return
        self._invitation.begun()
        side = PairingSide(self._invitation.code, self._certificate, inviting=True)
        keys = side.keys(hello.share)
        await line.say(Share(share=side.share))
        shown = await line.hear(Proof)
        # Between here and `tried` nothing is waited for: two right codes at once, and one of them is first.
        if await self._turned_away(line):
            return
        right = is_proof(shown.proof, keys.joining)
        self._invitation.tried(right=right)
        if not right:
            await self._wrong(line, who)
            return
        self._places.at_work(sock, is_so=True)
        try:
            joined = await self._hand_over(line, keys, who)
        except (OutsideError, RefusedHereError, WhichhopError, *_GONE) as why:
            with contextlib.suppress(*_GONE):
                await line.say(Refused(why=_words(why)))
            known = " It may have the home's key: if that machine is not yours, make a new key"
            self._end(
                InviteError(
                    f"{who} had the code but did not join: {_words(why)}; the code is used up, nothing was"
                    f" changed here.{known if self._sent_key else ''}"
                )
            )
        else:
            self._end(joined)
        finally:  # whatever else ended the talk: nobody waits for a code that is used up
            self._end(InviteError(f"{who} had the code but the talk was ended; ask for a new code"))

    def _end(self, how: "Joined | InviteError") -> None:
        if self._result.done():
            return
        if isinstance(how, Joined):
            self._result.set_result(how)
        else:
            self._result.set_exception(how)

    async def _turned_away(self, line: PairingLine) -> bool:
        over = self._invitation.over(self._clock.mono_ns())
        if over is not None:
            await line.say(Refused(why=str(over)))
        return over is not None

    async def _wrong(self, line: PairingLine, who: str) -> None:
        left = TRIES - self._invitation.wrong
        told = f"{left} more tries" if left > 1 else "1 more try"
        why = f"that is not the code; {told}" if left else str(Over.LOCKED)
        self._say(f"{who}: a wrong code was tried; {told if left else 'this code is locked now'}")
        await line.say(Refused(why=why))

    async def _hand_over(self, line: PairingLine, keys: PairingKeys, who: str) -> Joined:
        await line.say(Proof(proof=keys.inviting.hex()))
        machine = await line.hear(Machine)
        invited = self._invited
        known = read_known(known_agents_path(invited.home_file))
        place = place_for(self._home(), machine, who, invited.wish, known.certificates)
        text = self._text_with(place)  # a file that would not be sound is told before anything is handed over
        key = key_text(read_key(invited.key_file))
        await line.say(Place(node=place.node))
        own = await line.hear(OwnKey)
        if not is_signed(own.certificate, own.signature, keys.machine):
            raise PlaceError("the machine does not hold the key that it shows")
        found = {**known.certificates, place.node: own.certificate}
        owner, epoch = read_owner(invited.home_file), read_epoch(epoch_path(invited.home_file))
        self._sent_key = True  # from the first octet on
        await line.say(
            HomeSent(
                text=text,
                key=key,
                known=found,
                owner="" if owner is None else owner_text(owner),
                epoch="" if epoch == NONE else epoch_text(epoch),
            )
        )
        await line.hear(Kept, KEEP_S)
        # The file may have been edited meanwhile: what is in it now gets the new agent, not what was sent.
        if place.new is not None:
            replace_file(invited.home_file, self._text_with(place))
        write_known(known_agents_path(invited.home_file), KnownAgents(certificates=found))
        with contextlib.suppress(*_GONE):
            await line.say(Done())
        return Joined(
            node=place.node,
            address=who,
            key=fingerprint(public_key_of(own.certificate)),
            added=place.new is not None,
        )

    def _text(self) -> str:
        try:
            return self._invited.home_file.read_bytes().decode("utf-8")
        except (OSError, UnicodeDecodeError) as why:
            raise PlaceError(f"{self._invited.home_file}: cannot be read; check it") from why

    def _home(self) -> Home:
        return check_home(load_yaml(self._text(), str(self._invited.home_file)))

    def _text_with(self, place: JoiningPlace) -> str:
        text = self._text()
        if place.new is None:
            return text
        added = with_agent(text, place.new, str(self._invited.home_file))
        check_home(load_yaml(added, str(self._invited.home_file)))
        return added


def check_ready(home_file: Path) -> None:
    """WhichhopError when what a new machine is handed cannot be read, or it could not be written down.

    Asked before a code is shown: a code that is used up for that is a second walk through the house.
    """
    read_owner(home_file)
    read_epoch(epoch_path(home_file))
    known = known_agents_path(home_file)
    read_known(known)
    check_writable(known)


def _words(why: Exception) -> str:
    if isinstance(why, TimeoutError):
        return f"it said nothing for {LINE_S:g} s"
    if isinstance(why, OSError | EOFError):
        return "the connection broke"
    return " ".join(str(why).split("\n"))
