"""Who is told of a fault, by which ways and when: what a home file says under `notices`."""

from enum import StrEnum

from msgspec import Struct


class Way(StrEnum):
    """How a notice leaves the home."""

    WEBHOOK = "webhook"
    MAIL = "mail"
    COMMAND = "command"


class MailSecurity(StrEnum):
    """How the connection to the mail server is encrypted: STARTTLS (RFC 3207), TLS from the first octet
    (RFC 8314), or not at all."""

    STARTTLS = "starttls"
    TLS = "tls"
    NONE = "none"


MAIL_PORTS = {MailSecurity.STARTTLS: 587, MailSecurity.TLS: 465, MailSecurity.NONE: 25}
"""Submission, submission over TLS, and plain SMTP (RFC 6409, RFC 8314, RFC 5321)."""


class Webhook(Struct, frozen=True, kw_only=True):
    """Where notices are posted as JSON. url_file, token_file: where a secret stands outside the home file."""

    url: str | None = None
    url_file: str | None = None
    token_file: str | None = None


class Mail(Struct, frozen=True, kw_only=True):
    """By which server mail goes, from whom, to whom."""

    server: str
    port: int
    security: MailSecurity
    sender: str
    to: tuple[str, ...]
    user: str | None = None
    password_file: str | None = None


LEAST_PROBABILITY = 0.8
LEAST_SECONDS = 60.0


class Notices(Struct, frozen=True, kw_only=True):
    """The ways in use and when they are used.

    command_file: holds a program and its arguments, one a line. quiet_hours: start and end as minutes after
    the home's midnight. least_probability, least_s: what is less sure, or over sooner, is not told.
    """

    webhook: Webhook | None = None
    mail: Mail | None = None
    command_file: str | None = None
    quiet_hours: tuple[int, int] | None = None
    least_probability: float = LEAST_PROBABILITY
    least_s: float = LEAST_SECONDS

    @property
    def ways(self) -> tuple[Way, ...]:
        """Those that the home file names."""
        named = {Way.WEBHOOK: self.webhook, Way.MAIL: self.mail, Way.COMMAND: self.command_file}
        return tuple(way for way, given in named.items() if given is not None)
