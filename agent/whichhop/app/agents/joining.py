"""Joins a home by a code: talks to the machine that invites, and keeps what it hands over."""

import contextlib
import errno
import os
from collections.abc import Callable, Iterator
from pathlib import Path

from msgspec import Struct

from whichhop.app.agents.pairing_line import LINE_S, PairingLine
from whichhop.config.check import check_home
from whichhop.config.epochs import epoch_of, epoch_path, is_owners, owner_of, owner_path
from whichhop.config.files import WriteError, check_writable, write_new
from whichhop.config.identity import identity_at, signing_key
from whichhop.config.keys import key_of_text, key_path_for
from whichhop.config.known_agents import KnownAgents, known_agents_path, write_known
from whichhop.config.load import load_yaml
from whichhop.config.pairing_keys import PairingSide, is_proof
from whichhop.errors import WhichhopError
from whichhop.model.chain_signature import fingerprint
from whichhop.net.listen import authority
from whichhop.net.tls import open_context
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

_LOOK = "is `whichhop invite` running there, and is it the address that it shows?"
AGAIN = "ask there for a new code with `whichhop invite`"


class JoinError(WhichhopError):
    """This machine did not join; nothing was left behind. The text says why and what to do."""


class Joining(Struct, frozen=True, kw_only=True):
    """host, port: of the machine that invites. home_file: to be made. identity_for: by the node's name.

    address: this machine's, where it has several and the home shall know another than the system would take.
    """

    host: str
    port: int
    code: str
    machine: Machine
    home_file: Path
    identity_for: Callable[[str], Path]
    address: str | None = None


class HasJoined(Struct, frozen=True, kw_only=True):
    """node: which one of the home this machine is. key: its own fingerprint."""

    node: str
    key: str
    home_file: Path


def check_room(home_file: Path) -> None:
    """WhichhopError when this machine has a home file or a key already, or could keep none.

    Asked before the code is used up, and before the home's key leaves the other machine.
    """
    for path in (
        home_file,
        key_path_for(home_file),
        owner_path(home_file),
        epoch_path(home_file),
    ):
        if path.exists():
            raise JoinError(f"{path}: is there already; name another file, or move it away")
    check_writable(home_file)


async def join(joining: Joining) -> HasJoined:
    """Join; JoinError in one line when that fails, with nothing left behind."""
    place = authority(joining.host, joining.port)
    try:
        line = await PairingLine.to(joining.host, joining.port, open_context(), joining.address)
    except TimeoutError:
        raise JoinError(f"{place}: no answer; {_LOOK}") from None
    except OSError as why:
        if why.errno == errno.EADDRNOTAVAIL and joining.address:
            raise JoinError(
                f"--address {joining.address}: this machine has no such address; leave it out, or give one"
                " of its own"
            ) from None
        # asyncio puts words and addresses of its own in the system's place.
        words = os.strerror(why.errno) if why.errno and why.errno > 0 else why.strerror or str(why)
        raise JoinError(f"{place}: cannot be reached ({words}); {_LOOK}") from None
    try:
        return await _talk(line, joining)
    except RefusedHereError as why:
        raise JoinError(f"{place}: {why}") from None
    except OutsideError as why:
        raise JoinError(f"{why}; nothing was kept here") from None
    except TimeoutError:
        raise JoinError(f"{place}: said nothing for {LINE_S:g} s; nothing was kept here; {AGAIN}") from None
    except (OSError, EOFError):
        raise JoinError(f"{place}: the connection broke; nothing was kept here; {AGAIN}") from None
    finally:
        line.close()


async def _talk(line: PairingLine, joining: Joining) -> HasJoined:
    side = PairingSide(joining.code, line.certificate, inviting=False)
    await line.say(Hello(version=VERSION, share=side.share))
    keys = side.keys((await line.hear(Share)).share)
    await line.say(Proof(proof=keys.joining.hex()))
    if not is_proof((await line.hear(Proof)).proof, keys.inviting):
        raise JoinError(
            f"{line.place}: is not the machine that showed this code; look for who answers there, and {AGAIN}"
        )
    await line.say(joining.machine)
    # The person there may be asked, or its disk be slow, but a line comes soon: it has all it needs.
    node = (await line.hear(Place)).node
    path = joining.identity_for(node)
    try:
        with contextlib.ExitStack() as undo:
            if not path.exists():
                undo.callback(path.unlink, missing_ok=True)
            own = identity_at(path, node)
            signature = signing_key(path).sign(keys.machine).hex()
            await line.say(OwnKey(certificate=own.certificate, signature=signature))
            sent = await line.hear(HomeSent)
            with _kept(joining.home_file, sent, node):
                # From here on the other machine may know this one by its key, which is then worth keeping.
                undo.pop_all()
                await line.say(Kept())
                await line.hear(Done)
    except WriteError as why:  # whoever sits at the other machine hears it too
        with contextlib.suppress(OSError, TimeoutError):
            await line.say(Refused(why=f"nothing was kept there: {why}"))
        raise
    return HasJoined(node=node, key=fingerprint(own.public_key), home_file=joining.home_file)


@contextlib.contextmanager
def _kept(home_file: Path, sent: HomeSent, node: str) -> Iterator[None]:
    """The files that were handed over, on this disk; taken away again when the talk does not end well."""
    home = check_home(load_yaml(sent.text, "the home file that was sent"))
    if node not in home.nodes:
        raise JoinError(f"the home file that was sent has no node {node}; {AGAIN}")
    key_of_text(sent.key, "the key that was sent")
    if sent.epoch and not is_owners(
        epoch_of(sent.epoch, "what was sent"), owner_of(sent.owner, "what was sent") if sent.owner else None
    ):
        raise JoinError(f"what was sent of revoked agents is not signed by the home's owner; {AGAIN}")
    made: list[Path] = []
    try:
        for path, text, mode in (
            (key_path_for(home_file), sent.key + "\n", 0o600),
            (owner_path(home_file), sent.owner, 0o600),
            (epoch_path(home_file), sent.epoch, 0o600),
            (home_file, sent.text, 0o644),
        ):
            if text:
                write_new(path, text, mode)
                made.append(path)
        agents = known_agents_path(home_file)
        if not agents.exists():
            made.append(agents)
        write_known(agents, KnownAgents(certificates=dict(sent.known)))
        yield
    except BaseException:
        for path in made:
            path.unlink(missing_ok=True)
        raise
