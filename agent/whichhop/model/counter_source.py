"""Where the home's own traffic is counted when no agent stands in its way: SNMP or UPnP on the router."""

from dataclasses import dataclass, field


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
        return f"SNMP {self.address} port {self.port}" if self.address else self.description
