"""What `whichhop start` asks before it measures: person, router, modem; and the one short transfer beside."""

import argparse
import asyncio
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from msgspec import Struct

from whichhop.app.looks.first_look import (
    Found,
    Target,
    home_file,
    line_of,
    node_name,
    plan_of,
    target_of,
)
from whichhop.app.looks.modem_look import USUAL, ModemLook, look_at_modem, modem_place
from whichhop.app.looks.transfer_order import order_transfer
from whichhop.config.check import read_home
from whichhop.config.keys import derive_keys, key_path_for, read_key
from whichhop.config.meant_values import address_remedy, target_remedy
from whichhop.config.texts import address, target, url
from whichhop.errors import DataError, RemoteError, WhichhopError
from whichhop.model import Home
from whichhop.net.surroundings import Surroundings, addresses_of_name, look_around
from whichhop.printable import printable, shown
from whichhop.probes.router_offers import PUBLIC, Offer, snmp_offer, upnp_offer

LOAD_S, LOAD_MB = 10, 500
"""What the one transfer may take."""
LOAD_WHOLE_S = 45.0
"""For it with the packets before and after it; the agent measures on meanwhile."""
Load = Callable[[], dict[str, Any]]
"""Moves data once, blocking, and hands back the transfer's result."""

T = TypeVar("T")


async def loaded(load: Load) -> dict[str, Any] | None:
    """The result of moving data once, within its time; None, and a line said, where there is none."""
    sys.stderr.write(f"the transfer, {LOAD_S} s at most\n")
    try:
        async with asyncio.timeout(LOAD_WHOLE_S):
            return await asyncio.to_thread(load)
    except TimeoutError:
        sys.stderr.write(f"the transfer did not end within {LOAD_WHOLE_S:g} s\n")
    except WhichhopError as trouble:
        sys.stderr.write(f"the transfer: {printable(str(trouble), 300)}\n")
    return None


def load_of(home: Home, file: Path, node: str, other_end: str) -> Load:
    """One transfer by this machine's agent: what is fetched from the URL, or comes from another agent."""
    key = derive_keys(read_key(key_path_for(file))).transfer

    def load() -> dict[str, Any]:
        results = order_transfer(
            home.nodes[node].address or "127.0.0.1",
            home.ports.transfer,
            key,
            lambda _said: None,
            silence_s=LOAD_WHOLE_S,
            other_end=other_end,
            ways=["back"],
            streams=1,
            seconds=float(LOAD_S),
            octets=LOAD_MB * 1_000_000,
            anyway=True,
            whole=True,
        )
        if not results:
            raise RemoteError("nothing was moved")
        return results[0]

    return load


def say(text: str) -> None:
    """A line for the person, beside what is printed as the answer."""
    sys.stderr.write(text + "\n")


def gateway_of(written: str | None) -> str | None:
    """The router's address as it was written; WhichhopError with what to write instead."""
    try:
        return None if written is None else address(written)
    except ValueError as why:
        raise WhichhopError(f"--gateway {shown(written)}: {why}; {address_remedy(str(written))}") from None


class Draft(Struct, frozen=True, kw_only=True):
    """A home file to be, but for what router and modem will answer."""

    here: Surroundings
    node: str
    line: str
    target: Target | None
    modem: str | None
    download: str | None
    plan: tuple[str, str] | None

    def text(self, found: Found) -> str:
        """The home file, with what was found."""
        return home_file(
            self.here,
            node=self.node,
            radio=bool(self.here.radio),
            line=self.line,
            target=self.target,
            low_ports=not hasattr(os, "geteuid") or os.geteuid() == 0,
            found=found,
            plan=self.plan,
        )


def new_draft(args: argparse.Namespace) -> Draft:
    """What a new home file will say; nothing is sent but a question for the address of a target's name."""
    line = line_of(args.line)
    modem = None if args.modem is None else modem_place(args.modem)
    download = None if args.transfer is None else _download(args.transfer)
    plan = None if args.plan is None else plan_of(args.plan)
    here = look_around(gateway_of(args.gateway))
    if here.address == here.gateway:
        raise WhichhopError(
            f"--gateway {here.gateway}: is this machine itself; write the address of the router beyond it"
        )
    node = node_name(here.name)
    upstream = _target(args.target, node) if args.target else None
    if upstream and upstream.address in (here.gateway, here.address):
        raise DataError(
            f"--target {args.target}: is {upstream.address}, in this home; name a machine upstream"
        )
    joined = f"by {'Wi-Fi' if here.radio else 'cable'}" + (f" ({here.interface})" if here.interface else "")
    say(f"This machine: {node}, {here.address}, joined {joined}; its router: {here.gateway}.")
    if _can_ask(args):
        plan = plan or _asked("The plan's rates, down/up in Mbit/s? [such as 250/25, or N] ", plan_of)
        modem = modem or _asked_modem()
        download = download or _asked_download()
    return Draft(here=here, node=node, line=line, target=upstream, modem=modem, download=download, plan=plan)


def _download(said: str) -> str:
    try:
        return url(said)
    except ValueError as why:
        raise WhichhopError(
            f"--transfer {shown(said)}: {why}; name a file that you may fetch"
            " (agents only once the home file names them)"
        ) from None


def _can_ask(args: argparse.Namespace) -> bool:
    return not args.yes and sys.stdin.isatty()


def answer_to(question: str) -> str:
    """What the person at the terminal types."""
    sys.stderr.write(question)
    sys.stderr.flush()
    return sys.stdin.readline().strip()


def _asked(question: str, read: Callable[[str], T]) -> T | None:
    """What somebody typed, asked again while it cannot be read; None for a no."""
    while (said := answer_to(question)).lower() not in ("", "n", "no"):
        try:
            return read(said)
        except WhichhopError as wrong:
            say(str(wrong))
    return None


def _asked_modem() -> str | None:
    return _asked(
        f"Read the modem's levels? Its page is often at {USUAL}. [y, another address, or N] ",
        lambda said: USUAL if said.lower() in ("y", "yes") else modem_place(said),
    )


def _asked_download() -> str | None:
    return _asked(
        f"Load the line for {LOAD_S} s, to see latency under load? [URL of a file you may fetch, or N] ",
        _download,
    )


def asked_words(draft: Draft) -> list[str]:
    """What router and modem would be asked after a yes."""
    out = [
        f"It would ask the router {draft.here.gateway} whether it counts the home's own traffic:"
        f" by UPnP, then by SNMP with the community {PUBLIC!r}."
    ]
    if draft.modem is not None:
        by = "its page" if draft.modem.startswith("http") else f"SNMP (community {PUBLIC!r}) and its page"
        out.append(f"It would read the modem at {draft.modem}, {by}; each five minutes if it has levels.")
    return out


def ask_router_and_modem(draft: Draft) -> tuple[Found, ModemLook | None]:
    """After the yes: the router by UPnP, then by SNMP, and the modem where it was allowed."""

    async def counted() -> tuple[Offer, str]:
        by_upnp = await upnp_offer(draft.here.gateway, draft.here.address)
        if by_upnp.source is not None:
            return by_upnp, ""
        by_snmp = await snmp_offer(draft.here.gateway)
        return by_snmp, "" if by_snmp.source is not None else f"{by_upnp.why}; {by_snmp.why}"

    async def modem() -> ModemLook | None:
        return None if draft.modem is None else await look_at_modem(draft.modem)

    async def ask() -> tuple[tuple[Offer, str], ModemLook | None]:
        return await asyncio.gather(counted(), modem())

    (offer, why), look = asyncio.run(ask())
    if offer.source is not None:
        say(f"Own traffic: counted by the router ({offer.source.words}).")
    else:
        say(f"Own traffic: {why}.")
    if look is not None:
        say(look.words)
    found = Found(
        counters=offer.source,
        interfaces=offer.interfaces,
        levels=None if look is None else look.source,
        download=draft.download,
    )
    return found, look


def _target(said: str, node: str) -> Target:
    try:
        said = target(said)
    except ValueError as why:
        raise WhichhopError(f"--target {shown(said)}: {why}; {target_remedy(said)}") from None
    return target_of(said, addresses_of_name(said)[0], node)


def drafted(draft: Draft, found: Found, file: Path) -> Home:
    """The home of a file that is not written yet."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / file.name
        place.write_text(draft.text(found))
        return read_home(place)
