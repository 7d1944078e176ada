"""Files that a home file names and a service's agent reads: secrets handed over, and what it cannot reach."""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

from msgspec import Struct

from whichhop.config.check import check_home, read_home
from whichhop.config.credentials import refuse_open
from whichhop.config.files import read_small
from whichhop.config.home_text import read_text
from whichhop.config.load import read_yaml
from whichhop.errors import SystemRefusedError, WhichhopError
from whichhop.model import Home

ETC = Path("/etc/whichhop")
"""Where the unit has its files."""
MOST_OCTETS = 256 * 1024
"""A secret has one line, a list of certificates some hundred; systemd takes 1 MB of all together."""
_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]*")
_OURS = frozenset({"home.key", "home.yaml", "home.owner", "home.agents", "home.revoked"})
"""What `service install` itself lays down there."""


class Secret(Struct, frozen=True, kw_only=True):
    """key: as the home file has it. refused: the mode's bits that make it unfit."""

    key: str
    path: Path
    refused: int = 0o077


def _named(home: Home) -> Iterator[tuple[str, str | None, int]]:
    """Key, path and the bits that others may not have, of every file that is named beside the home file."""
    if home.notices is not None:
        hook, mail = home.notices.webhook, home.notices.mail
        if hook is not None:
            yield "notices.webhook.url_file", hook.url_file, 0o077
            yield "notices.webhook.token_file", hook.token_file, 0o077
        if mail is not None:
            yield "notices.mail.password_file", mail.password_file, 0o077
        yield "notices.command_file", home.notices.command_file, 0o022
    if home.fleet is not None:
        yield "fleet.token_file", home.fleet.token_file, 0o077
        yield "fleet.ca_file", home.fleet.ca_file, 0o022
    for node, levels in home.levels.items():
        yield f"nodes.{node}.levels.user_file", levels.user_file, 0o077
        if levels.login is not None:
            yield f"nodes.{node}.levels.login.password_file", levels.login.password_file, 0o077
    for node, counters in home.counters.items():
        yield f"nodes.{node}.wan_counters.snmp_user_file", counters.user_file, 0o077


def _is_beside(home_file: Path, path: Path) -> bool:
    """Whether a file is below the home file's folder, in none that is hidden, wherever links lead."""
    folder, whole = home_file.parent.resolve(), path.resolve()
    return whole.is_relative_to(folder) and all(map(_NAME.fullmatch, whole.relative_to(folder).parts))


def secrets_of(home_file: Path) -> list[Secret]:
    """The files that are to be handed to the agent; WhichhopError where two would have one name."""
    home = read_home(home_file)
    found = [Secret(key=key, path=Path(path), refused=bits) for key, path, bits in _named(home) if path]
    for one in found:
        if _NAME.fullmatch(one.path.name) is None or one.path.name in _OURS:
            raise WhichhopError(
                f"{home_file}: {one.key}: a service cannot be handed a file called {one.path.name!r};"
                " give it another name, of letters, digits, dots and hyphens"
            )
        if not _is_beside(home_file, one.path):
            raise WhichhopError(
                f"{home_file}: {one.key}: {one.path} is not beside the home file; such a file may come from"
                " elsewhere, so nothing else is handed over; copy it there, and name it without a folder"
            )
    names = Counter(path.name for path in {one.path for one in found})
    for one in found:
        if names[one.path.name] > 1:
            raise WhichhopError(
                f"{home_file}: {one.key}: two files are called {one.path.name}, and a service is handed its"
                " files by name; give one of them another name"
            )
    return found


def content_of(secret: Secret) -> bytes | None:
    """What the file holds; None where this machine has none. One line where it cannot be handed over."""
    octets = read_small(secret.path, MOST_OCTETS)
    if octets is None:
        return None
    if len(octets) > MOST_OCTETS:
        raise SystemRefusedError(
            f"{secret.path}: more than {MOST_OCTETS} octets; is it the file for {secret.key}?"
        )
    refuse_open(secret.path, secret.path.stat().st_mode, secret.refused)
    return octets


def credentials_text(names: Sequence[str]) -> str:
    """The part of a unit that has systemd hand these files over; "" where there is none."""
    lines = [f"LoadCredential={name}:{ETC}/{name}\n" for name in names]
    return "".join(["[Service]\n", *lines]) if lines else ""


def unreachable(home_file: Path, root: Path, closed: Sequence[str]) -> list[str]:
    """A line for each file of a modem's levels that the service, with its home file in /etc, cannot read.

    root: where the system's files are. closed: folders below it that no service sees.
    """
    there = check_home(read_yaml(read_text(home_file), str(ETC / "home.yaml")))
    lines = []
    for node, source in there.levels.items():
        if source.file is None:
            continue
        path = Path(source.file)
        hidden = any(path.is_relative_to(Path("/") / folder) for folder in closed)
        if hidden or not (root / path.relative_to("/")).is_file():
            lines.append(
                f"nodes.{node}.levels.file: the service finds no {path}; name the whole path of a file"
                " that all may read, outside of users' own folders"
            )
    return lines
