"""Where a modem's levels and the home's own traffic are read from: SNMP, a page, UPnP or a file."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from whichhop.printable import without_secrets


class Fact(StrEnum):
    """What a column of a modem's table may hold; the values are the column map's keys."""

    CHANNEL_ID = "channel_id"
    INDEX = "index"
    CARRIER = "carrier"
    FREQUENCY = "frequency"
    WIDTH = "width"
    MODULATION = "modulation"
    LOCKED = "locked"
    POWER = "power"
    SNR = "snr"
    UNERRORED = "unerrored"
    TOTAL = "total_codewords"
    CORRECTED = "corrected"
    UNCORRECTABLE = "uncorrectable"
    ERRORED = "errored_codewords"
    """Codewords with errors before correction: the corrected and the uncorrectable together."""
    T3 = "t3_timeouts"
    T4 = "t4_timeouts"
    DIRECTION = "direction"


@dataclass(frozen=True, slots=True, kw_only=True)
class Login:
    """How a modem's page is unlocked.

    form: the address that the login form is sent to, absolute or relative to the page; None means HTTP
    basic authentication (RFC 7617). fields: names of the form's own fields for user and password; extra:
    more fields that it wants. password_file: read when needed, so that the password need not stand in
    the home file.
    """

    user: str = ""
    password: str | None = field(default=None, repr=False)
    password_file: str | None = None
    form: str | None = None
    user_field: str = "username"
    password_field: str = "password"  # noqa: S105 # the name of a form field
    extra: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelsSource:
    """One of snmp (an address), page (a URL) or file (a path) is set.

    user_file: names the user of SNMPv3 with its passwords; None asks in v2c by the community.
    columns: per fact, the page's or file's own heading. down, up: words in a table's title that tell its
    direction. locked: words that mean a locked channel. insecure_tls: accept the modem's own certificate.
    every_s: seconds between scheduled readings.
    """

    snmp: str | None = None
    port: int = 161
    community: str = field(default="public", repr=False)
    user_file: str | None = None
    page: str | None = None
    login: Login | None = None
    insecure_tls: bool = False
    file: str | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    down: str = "downstream"
    up: str = "upstream"
    locked: tuple[str, ...] = ()
    every_s: int = 300

    @property
    def words(self) -> str:
        """The source as a reader knows it, without secrets."""
        if self.snmp is not None:
            return f"SNMP {self.snmp}"
        return without_secrets(self.page) if self.page is not None else str(self.file)


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterSource:
    """SNMP when `address` is set (RFC 2863 on `interface`), else UPnP by its `description`'s address.

    user_file: names the user of SNMPv3 with its passwords; None asks in v2c by the community.
    """

    address: str | None = None
    community: str = field(default="public", repr=False)
    user_file: str | None = None
    port: int = 161
    interface: str = ""
    description: str = ""

    @property
    def words(self) -> str:
        """The source as a reader knows it, without secrets."""
        return (
            f"SNMP {self.address} port {self.port}"
            if self.address
            else without_secrets(self.description or "")
        )
