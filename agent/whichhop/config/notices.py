"""Notices in a home file: the rules between their fields, and the nouns."""

from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

from whichhop.config.schema import HomeFile, MailPart, WebhookPart
from whichhop.config.tree import Trouble
from whichhop.model.notices import MAIL_PORTS, Mail, MailSecurity, Notices, Webhook


def notice_troubles(file: HomeFile) -> Iterator[Trouble]:
    """Everything wrong between the fields of `notices`."""
    part = file.notices
    if part is None:
        return
    if part.webhook is None and part.mail is None and part.command_file is None:
        yield ("notices",), "names no way to tell anybody", "add webhook, mail or command_file"
    if part.webhook is not None:
        yield from _webhook_troubles(part.webhook)
    if part.mail is not None:
        yield from _mail_troubles(part.mail)


def _webhook_troubles(part: WebhookPart) -> Iterator[Trouble]:
    at = ("notices", "webhook")
    if (part.url is None) == (part.url_file is None):
        yield at, "needs its address once", "give url, or url_file where the address is itself a secret"
        return
    if part.url is None:
        return
    parts = urlsplit(part.url)
    if parts.username is not None or parts.password is not None:
        yield (
            (*at, "url"),
            "holds a user name or password",
            "put the whole address in a file of mode 0600, and name it as url_file",
        )
    if part.token_file is not None and parts.scheme != "https":
        yield (*at, "token_file"), "its token would travel unencrypted", "use an https:// address"


def _mail_troubles(part: MailPart) -> Iterator[Trouble]:
    at = ("notices", "mail")
    if (part.user is None) != (part.password_file is None):
        missing = "password_file" if part.password_file is None else "user"
        yield at, f"{missing}: missing", "write both user and password_file, or neither"
    elif part.user is not None and part.security is MailSecurity.NONE:
        yield (*at, "security"), "the password would travel unencrypted", "write starttls or tls"


def _minutes(text: str) -> tuple[int, int]:
    start, end = (int(t[:2]) * 60 + int(t[3:]) for t in text.split("-"))
    return start, end


def build_notices(file: HomeFile, home_file: Path) -> Notices | None:
    """What a home file says of notices; None where it says nothing."""
    part = file.notices
    if part is None:
        return None

    def near(name: str | None) -> str | None:
        return None if name is None else str(home_file.parent / name)

    return Notices(
        webhook=None
        if part.webhook is None
        else _webhook(part.webhook, near(part.webhook.url_file), near(part.webhook.token_file)),
        mail=None if part.mail is None else _mail(part.mail, near(part.mail.password_file)),
        command_file=near(part.command_file),
        quiet_hours=_minutes(part.quiet_hours) if part.quiet_hours else None,
        least_probability=part.least_probability,
        least_s=part.least_minutes * 60.0,
    )


def _webhook(part: WebhookPart, url_file: str | None, token_file: str | None) -> Webhook:
    return Webhook(url=part.url, url_file=url_file, token_file=token_file)


def _mail(part: MailPart, password_file: str | None) -> Mail:
    return Mail(
        server=part.server,
        port=part.port or MAIL_PORTS[part.security],
        security=part.security,
        sender=part.sender,
        to=tuple(part.to),
        user=part.user,
        password_file=password_file,
    )
