"""A machine joins by a code, over real sockets: what it gets, and everything that must not get it in.

The inviting and the joining side run here, each as its verb runs it. The exchange is SPAKE2 (RFC 9382) in TLS
1.3; what a stranger can do is tried with the library itself.
"""

import asyncio
import contextlib
import secrets
import socket
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

import pytest
from msgspec import Struct
from msgspec.structs import replace

from whichhop.app.agents.invitation import MOST_EXCHANGES, TRIES, Invitation, Wish
from whichhop.app.agents.inviting import MOST_EACH, Invited, InviteError, Inviting, Joined, check_ready
from whichhop.app.agents.joining import HasJoined, JoinError, Joining, check_room, join
from whichhop.app.agents.pairing_line import PairingLine
from whichhop.config.check import read_home
from whichhop.config.files import WriteError
from whichhop.config.identity import passing_identity
from whichhop.config.keys import create_key, key_path_for, read_key
from whichhop.config.known_agents import known_agents_path, read_known
from whichhop.config.pairing_keys import PairingSide, make_code, read_code
from whichhop.model.units import NS_PER_S, MonoNs
from whichhop.net.clock import SystemClock
from whichhop.net.tls import open_context, server_context
from whichhop.outside import OutsideError
from whichhop.wire.pairing import Hello, HomeSent, Kept, Machine, Place, Proof, RefusedHereError, Share

pytestmark = [pytest.mark.slow, pytest.mark.waits]

HOST, OTHER, THIRD = "127.0.82.10", "127.0.82.11", "127.0.82.12"
HOME = """\
# our house
home: Alder House
nodes:
  router: {kind: gateway, address: "127.0.82.1"}   # in the hall
  desk: {kind: host, address: "127.0.82.10", agent: true}
links:
  - {join: [desk, router], kind: wired}
  - {join: [router, provider-edge], kind: access, medium: cable}   # since May
"""


class House(Struct):
    """The inviting machine, and what its person reads."""

    folder: Path
    file: Path
    code: str
    invitation: Invitation
    inviting: Inviting
    port: int
    told: list[str]
    result: "asyncio.Task[Joined]"

    def joining(self, name: str = "attic", address: str = OTHER, code: str | None = None) -> Joining:
        folder = self.folder / name
        folder.mkdir(exist_ok=True)
        return Joining(
            host=HOST,
            port=self.port,
            code=code or self.code,
            machine=Machine(name=name, radio=True, gateway="127.0.82.1"),
            home_file=folder / "home.yaml",
            identity_for=lambda node: folder / f"{node}.identity",
            address=address,
        )


@contextlib.asynccontextmanager
async def house(tmp_path: Path, *, seconds: float = 60, wish: Wish | None = None) -> AsyncIterator[House]:
    file, told = tmp_path / "home.yaml", list[str]()
    if not file.exists():
        file.write_text(HOME)
        create_key(key_path_for(file))
    code, clock = read_code(make_code(secrets.randbelow)), SystemClock()
    invitation = Invitation(code, MonoNs(clock.mono_ns() + round(seconds * NS_PER_S)))
    invited = Invited(home_file=file, key_file=key_path_for(file), wish=wish or Wish())
    inviting = Inviting(invited, invitation, clock, told.append)
    port = inviting.open(HOST, 0)
    result = asyncio.create_task(inviting.joined())
    try:
        yield House(tmp_path, file, code, invitation, inviting, port, told, result)
    finally:
        result.cancel()
        await asyncio.gather(result, return_exceptions=True)
        inviting.close()


def wrong_code(right: str) -> str:
    while (code := read_code(make_code(secrets.randbelow))) == right:
        pass
    return code


def nothing_left(joining: Joining) -> bool:
    return not list(joining.home_file.parent.iterdir())


def test_the_right_code_hands_over_the_home_and_writes_the_agent_down(tmp_path: Path) -> None:
    async def main() -> tuple[Joined, HasJoined, Joining]:
        async with house(tmp_path) as here:
            joining = here.joining()
            done = await join(joining)
            return await here.result, done, joining

    joined, done, joining = asyncio.run(main())
    assert (joined.node, joined.address, joined.added) == ("attic", OTHER, True)
    assert joined.key == done.key  # both screens show the same
    here, there = tmp_path / "home.yaml", joining.home_file
    assert here.read_text() == there.read_text()
    assert read_key(key_path_for(here)) == read_key(key_path_for(there))
    assert key_path_for(there).stat().st_mode & 0o777 == 0o600
    assert set(HOME.splitlines()) <= set(here.read_text().splitlines())  # comments and all
    home = read_home(here)
    assert home.nodes["attic"].agent
    assert home.link("attic/router").kind == "wireless"
    assert set(read_known(known_agents_path(here)).certificates) == {"attic"}


def test_a_wrong_code_gets_nothing_and_three_lock_it_for_the_right_one_too(tmp_path: Path) -> None:
    async def main() -> list[str]:
        async with house(tmp_path) as here:
            said = []
            for _ in range(TRIES):
                joining = here.joining(code=wrong_code(here.code))
                with pytest.raises(JoinError) as why:
                    await join(joining)
                said.append(str(why.value))
                assert nothing_left(joining)
            with pytest.raises(JoinError) as why:
                await join(here.joining())
            said.append(str(why.value))
            with pytest.raises(InviteError, match="3 wrong codes were tried, so this code is locked"):
                await here.result
            assert len(here.told) == TRIES
            return said

    said = asyncio.run(main())
    assert "not the code; 2 more tries" in said[0]
    assert "1 more try" in said[1]
    assert "locked" in said[2]
    assert "locked" in said[3] or "cannot be reached" in said[3]
    assert (tmp_path / "home.yaml").read_text() == HOME


def test_an_expired_code_is_told_to_both(tmp_path: Path) -> None:
    async def main() -> None:
        async with house(tmp_path) as here:
            here.invitation.ends_ns = MonoNs(SystemClock().mono_ns() - 1)
            joining = here.joining()
            with pytest.raises(JoinError, match=r"has expired|cannot be reached"):
                await join(joining)
            assert nothing_left(joining)
            with pytest.raises(InviteError, match="nobody joined: this code has expired; ask for a new one"):
                await here.result

    asyncio.run(main())


def test_of_two_at_once_one_joins_and_the_other_is_told(tmp_path: Path) -> None:
    async def main() -> None:
        async with house(tmp_path) as here:
            one, two = here.joining("attic", OTHER), here.joining("shed", THIRD)
            ended = await asyncio.gather(join(one), join(two), return_exceptions=True)
            joined = [e for e in ended if isinstance(e, HasJoined)]
            refused = [str(e) for e in ended if isinstance(e, JoinError)]
            assert len(joined) == len(refused) == 1, ended
            assert "used by another machine just now" in refused[0]
            assert (await here.result).node == joined[0].node
            assert nothing_left(one if joined[0].node == "shed" else two)

    asyncio.run(main())
    assert len(read_home(tmp_path / "home.yaml").agents) == 2


def test_who_stands_between_is_noticed_and_gets_nothing(tmp_path: Path) -> None:
    """It ends TLS on both sides and hands every line on, as a machine at the router could."""
    heard: list[bytes] = []
    own = passing_identity()

    async def main() -> None:
        async with house(tmp_path) as here:

            async def pass_on(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
                there, back = await asyncio.open_connection(HOST, here.port, ssl=open_context())

                async def pump(one: asyncio.StreamReader, other: asyncio.StreamWriter) -> None:
                    while line := await one.readline():
                        heard.append(line)
                        other.write(line)
                        await other.drain()
                    other.close()

                await asyncio.gather(pump(reader, back), pump(there, writer), return_exceptions=True)

            between = await asyncio.start_server(
                pass_on, HOST, 0, ssl=server_context(own.certificate, own.secret)
            )
            port = between.sockets[0].getsockname()[1]
            joining = replace(here.joining(), port=port)
            with pytest.raises(JoinError, match="not the code"):
                await join(joining)
            assert nothing_left(joining)
            between.close()
            assert here.invitation.wrong == 1
            # The right machine, without anybody between, still joins.
            await join(here.joining())
            await here.result

    asyncio.run(main())
    everything = b"".join(heard)
    assert b"proof" in everything
    assert b"Alder House" not in everything
    assert len(heard) == 4  # a share and a share, a proof, a refusal


async def _silent(port: int) -> "tuple[asyncio.StreamReader, asyncio.StreamWriter]":
    return await asyncio.open_connection(HOST, port, local_addr=(THIRD, 0))


def test_half_open_connections_keep_nobody_out(tmp_path: Path) -> None:
    async def main() -> None:
        async with house(tmp_path) as here:
            open_ones = [await _silent(here.port) for _ in range(40)]
            assert (await join(here.joining())).node == "attic"
            await here.result
            for _, writer in open_ones:
                writer.close()

    asyncio.run(main())


def test_no_address_holds_more_places_than_its_own(tmp_path: Path) -> None:
    async def main() -> int:
        async with house(tmp_path) as here:
            ones = [await _silent(here.port) for _ in range(12)]
            await asyncio.sleep(0.3)
            closed = 0
            for reader, writer in ones:
                with contextlib.suppress(TimeoutError, ConnectionError):
                    async with asyncio.timeout(0.05):
                        closed += await reader.read(1) == b""
                writer.close()
            return closed

    assert asyncio.run(main()) >= 12 - MOST_EACH


Shown = Callable[[PairingLine, PairingSide], Awaitable[None]]


async def _begin(here: House, code: str, act: Shown) -> None:
    line = await PairingLine.to(HOST, here.port, open_context(), THIRD)
    try:
        await act(line, PairingSide(code, line.certificate, inviting=False))
    finally:
        line.close()


def test_a_flood_of_talks_that_go_nowhere_locks_the_code(tmp_path: Path) -> None:
    async def begin(line: PairingLine, side: PairingSide) -> None:
        await line.say(Hello(version=1, share=side.share))
        await line.hear(Share)

    async def main() -> None:
        async with house(tmp_path) as here:
            here.invitation.exchanges = MOST_EXCHANGES - 3  # the earlier ones cost only time
            for _ in range(3):
                await _begin(here, wrong_code(here.code), begin)
            with pytest.raises(InviteError, match="talks were begun and not gone on with"):
                await here.result

    asyncio.run(main())


def test_a_talk_that_was_begun_before_the_lock_is_not_let_in_after_it(tmp_path: Path) -> None:
    async def main() -> None:
        async with house(tmp_path) as here:

            async def late(line: PairingLine, side: PairingSide) -> None:
                await line.say(Hello(version=1, share=side.share))
                keys = side.keys((await line.hear(Share)).share)
                here.invitation.wrong = TRIES
                await line.say(Proof(proof=keys.joining.hex()))
                with pytest.raises(RefusedHereError, match="locked"):
                    await line.hear(Proof)

            await _begin(here, here.code, late)

    asyncio.run(main())
    assert (tmp_path / "home.yaml").read_text() == HOME


@pytest.mark.parametrize(
    "said",
    [
        b"GET / HTTP/1.1\r\n\r\n",
        b'{"say": "hello", "version": 1, "share": "00"}\n',
        b'{"say": "hello", "version": 1, "share": "41' + b"ff" * 32 + b'"}\n',
        b'{"say": "hello", "version": 1, "share": "41' + b"00" * 32 + b'"}\n',
        b'{"say": "hello", "version": 1e999, "share": "' + b"41" * 33 + b'"}\n',
        b'{"say": "proof", "proof": ""}\n',
        b'{"say": "home", "text": "", "key": ""}\n',
        b"\xff\n",
        b"[" * 10_000 + b"\n",
        b"x" * 100_000 + b"\n",
        b"{}",
    ],
)
def test_rubbish_ends_its_own_talk_only(said: bytes, tmp_path: Path) -> None:
    async def main() -> None:
        async with house(tmp_path) as here:
            reader, writer = await asyncio.open_connection(HOST, here.port, ssl=open_context())
            writer.write(said)
            with contextlib.suppress(ssl.SSLError, ConnectionError):
                await writer.drain()
                writer.write_eof() if writer.can_write_eof() else writer.close()
                async with asyncio.timeout(5):
                    answer = await reader.read()
                assert b"share" not in answer
            assert here.invitation.wrong == 0
            assert (await join(here.joining())).node == "attic"
            await here.result

    asyncio.run(main())


def test_an_inviting_machine_that_restarts_in_the_middle_leaves_nothing(tmp_path: Path) -> None:
    async def main() -> None:
        async with house(tmp_path) as here:
            joining = here.joining()

            def cut(node: str) -> Path:  # asked once the place is known: the last moment before the key
                here.result.cancel()
                return joining.home_file.parent / f"{node}.identity"

            with pytest.raises(JoinError, match="the connection broke; nothing was kept here"):
                await join(replace(joining, identity_for=cut))
            assert nothing_left(joining)

    asyncio.run(main())
    assert (tmp_path / "home.yaml").read_text() == HOME
    # It comes again with a new code, its key the same as before.
    asyncio.run(_joins(tmp_path))
    assert read_home(tmp_path / "home.yaml").nodes["attic"].agent


async def _joins(tmp_path: Path, wish: Wish | None = None) -> Joined:
    async with house(tmp_path, wish=wish) as here:
        await join(here.joining())
        return await here.result


def test_a_joining_machine_that_goes_before_it_kept_anything_changes_nothing(tmp_path: Path) -> None:
    async def vanish(line: PairingLine, side: PairingSide) -> None:
        await line.say(Hello(version=1, share=side.share))
        keys = side.keys((await line.hear(Share)).share)
        await line.say(Proof(proof=keys.joining.hex()))
        await line.hear(Proof)
        await line.say(Machine(name="attic", radio=False))
        await line.hear(Place)

    async def main() -> None:
        async with house(tmp_path) as here:
            await _begin(here, here.code, vanish)
            with pytest.raises(InviteError, match="the code is used up, nothing was changed"):
                await here.result

    asyncio.run(main())
    assert (tmp_path / "home.yaml").read_text() == HOME


def test_a_file_edited_meanwhile_keeps_both_changes(tmp_path: Path) -> None:
    async def main() -> None:
        async with house(tmp_path) as here:
            joining = here.joining()

            def edit(node: str) -> Path:
                here.file.write_text(HOME + "plan: {down_mbps: 250, up_mbps: 25}\n")
                return joining.home_file.parent / f"{node}.identity"

            await join(replace(joining, identity_for=edit))
            await here.result

    asyncio.run(main())
    home = read_home(tmp_path / "home.yaml")
    assert home.plan is not None
    assert "attic" in home.nodes


@pytest.mark.parametrize(
    ("name", "address", "told"),
    [
        ("router", OTHER, "router is a gateway of the home file already, where no agent runs"),
        ("desk", OTHER, "desk is at 127.0.82.10 by the home file, and this machine is at 127.0.82.11"),
        ("attic", "127.0.82.1", "127.0.82.1 is the gateway router of the home file, where no agent runs"),
    ],
)
def test_a_place_that_is_taken_is_told_to_both(name: str, address: str, told: str, tmp_path: Path) -> None:
    async def main() -> None:
        async with house(tmp_path) as here:
            joining = here.joining(name, address)
            with pytest.raises(JoinError, match=told):
                await join(joining)
            assert nothing_left(joining)
            with pytest.raises(InviteError, match=told) as heard:
                await here.result
            # Nothing was sent by then: nobody must be sent to make a new key.
            assert "the home's key" not in str(heard.value)

    asyncio.run(main())
    assert (tmp_path / "home.yaml").read_text() == HOME


def test_what_cannot_be_kept_is_told_at_both_machines(tmp_path: Path) -> None:
    """A disk that fills up in the middle: the one who invites must not read of a broken connection."""

    async def main() -> None:
        async with house(tmp_path) as here:
            joining = here.joining()
            (joining.home_file.parent / "home.key").mkdir()
            with pytest.raises(WriteError, match=r"home\.key: is there already"):
                await join(joining)
            with pytest.raises(
                InviteError, match=r"nothing was kept there: .*home\.key.*have the home's key"
            ):
                await here.result

    asyncio.run(main())
    assert (tmp_path / "home.yaml").read_text() == HOME


def test_where_nothing_can_be_kept_no_code_is_asked_for(tmp_path: Path) -> None:
    with pytest.raises(WriteError, match="make the folder"):
        check_room(tmp_path / "nowhere" / "home.yaml")
    check_room(tmp_path / "home.yaml")
    assert list(tmp_path.iterdir()) == []


def test_no_code_is_shown_where_the_home_could_not_be_handed_over(tmp_path: Path) -> None:
    file = tmp_path / "home.yaml"
    check_ready(file)
    (tmp_path / "home.agents").write_text("{")
    with pytest.raises(OutsideError, match=r"home\.agents: .*remove it: agents are met again"):
        check_ready(file)
    (tmp_path / "home.agents").unlink()
    (tmp_path / "home.owner").write_text("{")
    with pytest.raises(OutsideError, match=r"home\.owner"):
        check_ready(file)


def test_a_node_that_is_in_the_file_takes_its_place_without_a_change(tmp_path: Path) -> None:
    text = HOME.replace("links:\n", f'  attic: {{kind: host, address: "{OTHER}", agent: true}}\nlinks:\n', 1)
    text = text.replace("links:\n", "links:\n  - {join: [attic, router], kind: wired}\n", 1)
    (tmp_path / "home.yaml").write_text(text)
    create_key(tmp_path / "home.key")
    assert not asyncio.run(_joins(tmp_path)).added
    assert (tmp_path / "home.yaml").read_text() == text
    # Set up anew it has another key: nobody takes its place without a word at the inviting machine.
    for file in (tmp_path / "attic").iterdir():
        file.unlink()
    with pytest.raises(JoinError, match="attic has joined before, with a key of its own"):
        asyncio.run(_joins(tmp_path))
    assert asyncio.run(_joins(tmp_path, Wish(replace="attic"))).node == "attic"


def test_a_server_that_does_not_know_the_code_is_told_nothing_of_it(tmp_path: Path) -> None:
    """Somebody at the address guesses a code and shows any proof: the joining machine goes no further."""
    own = passing_identity()
    heard: list[str] = []

    async def main() -> None:
        async def pretend(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            line = PairingLine(reader, writer, "victim")
            hello = await line.hear(Hello)
            side = PairingSide(wrong_code(""), ssl.PEM_cert_to_DER_cert(own.certificate), inviting=True)
            side.keys(hello.share)
            await line.say(Share(share=side.share))
            heard.append((await line.hear(Proof)).proof)
            await line.say(Proof(proof="00" * 32))
            heard.append((await reader.read()).decode())
            line.close()

        server = await asyncio.start_server(pretend, HOST, 0, ssl=server_context(own.certificate, own.secret))
        joining = Joining(
            host=HOST,
            port=server.sockets[0].getsockname()[1],
            code=read_code(make_code(secrets.randbelow)),
            machine=Machine(name="attic", radio=False),
            home_file=tmp_path / "home.yaml",
            identity_for=lambda node: tmp_path / node,
        )
        with pytest.raises(JoinError, match="is not the machine that showed this code"):
            await join(joining)
        await asyncio.sleep(0.1)
        server.close()

    asyncio.run(main())
    assert heard[1] == ""
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_overwritten_and_the_code_is_not_used_up_for_it(tmp_path: Path) -> None:
    (tmp_path / "home.key").write_text("mine")
    with pytest.raises(JoinError, match="is there already"):
        check_room(tmp_path / "home.yaml")


def test_nobody_there_is_told_in_one_line(tmp_path: Path) -> None:
    with socket.create_server((HOST, 0)) as taken:
        port = taken.getsockname()[1]
    joining = Joining(
        host=HOST,
        port=port,
        code="x",
        machine=Machine(name="attic", radio=False),
        home_file=tmp_path / "home.yaml",
        identity_for=lambda node: tmp_path / node,
    )
    with pytest.raises(
        JoinError, match=r"cannot be reached \(Connection refused\); is `whichhop invite` running there"
    ):
        asyncio.run(join(joining))


def test_what_is_sent_must_be_a_home_with_this_machine_in_it(tmp_path: Path) -> None:
    """A machine that has the code may still send what is no home: nothing of it stays."""
    own, code = passing_identity(), read_code(make_code(secrets.randbelow))

    async def main(sent: HomeSent) -> str:
        async def pretend(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            line = PairingLine(reader, writer, "joining")
            hello = await line.hear(Hello)
            side = PairingSide(code, ssl.PEM_cert_to_DER_cert(own.certificate), inviting=True)
            keys = side.keys(hello.share)
            await line.say(Share(share=side.share))
            await line.hear(Proof)
            await line.say(Proof(proof=keys.inviting.hex()))
            await line.hear(Machine)
            await line.say(Place(node="attic"))
            await reader.readline()
            await line.say(sent)
            with contextlib.suppress(Exception):
                await line.hear(Kept)
            line.close()

        server = await asyncio.start_server(pretend, HOST, 0, ssl=server_context(own.certificate, own.secret))
        joining = Joining(
            host=HOST,
            port=server.sockets[0].getsockname()[1],
            code=code,
            machine=Machine(name="attic", radio=False),
            home_file=tmp_path / "home.yaml",
            identity_for=lambda node: tmp_path / "own.identity",
        )
        with pytest.raises(
            Exception, match=r"no node attic|not a home key|the home file that was sent"
        ) as why:
            await join(joining)
        server.close()
        return str(why.value)

    key = "QUJD" * 10 + "QUI="
    for sent in (
        HomeSent(text=HOME, key=key),
        HomeSent(text="nodes: []", key=key),
        HomeSent(text=HOME.replace("desk", "attic"), key="short"),
    ):
        asyncio.run(main(sent))
        assert not list(tmp_path.iterdir())
