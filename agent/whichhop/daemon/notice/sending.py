"""What the daemon and the process that sends a notice share: their messages, and files that hold secrets."""

import os
import stat
from pathlib import Path

import msgspec

from whichhop.config.credentials import refuse_open
from whichhop.errors import DataError, SystemRefusedError
from whichhop.model.notices import Notices, Way

_MOST_OCTETS = 16_384

MOST_S = 45.0
"""For one try, its process' start included; the child's own times are shorter."""


def files_of(settings: Notices, way: Way) -> list[Path]:
    """The files that must be here for a way to work."""
    hook, mail = settings.webhook, settings.mail
    named = {
        Way.WEBHOOK: (hook.url_file, hook.token_file) if hook else (),
        Way.MAIL: (mail.password_file,) if mail else (),
        Way.COMMAND: (settings.command_file,),
    }[way]
    return [Path(name) for name in named if name is not None]


def missing(settings: Notices, way: Way) -> str:
    """Why this machine cannot send by a way, in a line; "" when it can. Another agent may have the files."""
    for path in files_of(settings, way):
        try:
            if way is Way.COMMAND:
                command_of(path)
            else:
                secret_of(path)
        except (DataError, SystemRefusedError) as why:
            return str(why)
    return ""


def secret_of(path: Path) -> str:
    """The one line of a secret's file; SystemRefusedError or DataError in one line, without the secret."""
    lines = _read(path, stat.S_IRWXO | stat.S_IRWXG).strip().splitlines()
    if len(lines) != 1 or not lines[0].strip():
        raise DataError(f"{path}: holds {len(lines)} lines; write the secret alone, on one")
    return lines[0].strip()


def command_of(path: Path) -> list[str]:
    """A program's absolute path and its arguments, one a line; lines that begin with # are passed over."""
    words = [
        line for line in _read(path, stat.S_IWOTH | stat.S_IWGRP).splitlines() if not line.startswith("#")
    ]
    while words and not words[-1]:
        words.pop()
    if not words or not words[0].startswith("/"):
        raise DataError(
            f"{path}: the first line is no program's whole path; write one such as /usr/bin/logger"
        )
    if not os.access(words[0], os.X_OK):
        raise SystemRefusedError(f"{path}: {words[0]} cannot be run here; correct the path, or its mode")
    return words


def _read(path: Path, refused_mode: int) -> str:
    try:
        with path.open("rb") as file:
            state = os.fstat(file.fileno())
            octets = file.read(_MOST_OCTETS + 1)
    except OSError as why:
        raise SystemRefusedError(
            f"{path}: cannot be read: {why.strerror}; put it there, or remove its key"
        ) from why
    if state.st_uid not in (0, os.geteuid() if hasattr(os, "geteuid") else 0):
        raise SystemRefusedError(f"{path}: belongs to another user; run: chown it to the agent's user")
    refuse_open(path, state.st_mode, refused_mode)
    if len(octets) > _MOST_OCTETS:
        raise DataError(f"{path}: more than {_MOST_OCTETS} octets; write its line alone")
    try:
        text = octets.decode("utf-8-sig")  # some editors begin a file with a mark (RFC 3629, 6)
    except UnicodeDecodeError:
        raise DataError(f"{path}: not UTF-8 text; write it again") from None
    if "\0" in text:
        raise DataError(f"{path}: not text; write it again")
    return text


class SendRequest(msgspec.Struct, frozen=True, kw_only=True):
    """One notice by one way."""

    way: Way
    settings: Notices
    document: msgspec.Raw


class Sent(msgspec.Struct, frozen=True, kw_only=True):
    """What came of it: ok, and in a few words what the other side said, or what to do."""

    ok: bool
    words: str
