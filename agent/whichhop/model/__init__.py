"""The nouns everyone shares; frozen records, no behaviour beyond arithmetic."""

from whichhop.model.channel import Carrier, Channel, Direction, DslLine, ModemLevels
from whichhop.model.finding import Finding, Level, RuledOut, Severity, Verdict
from whichhop.model.home import (
    BEYOND,
    PROVIDER_EDGE,
    Home,
    Limits,
    Link,
    Node,
    Path,
    Plan,
    Ports,
    Resolver,
    Service,
)
from whichhop.model.links import (
    CAUSE_TABLE,
    LINK_TABLE,
    Cause,
    LinkKind,
    Medium,
    NodeKind,
    Owner,
)
from whichhop.model.record import ABSENT, Columns, Reading, Record
from whichhop.model.sample import Fate, Sample
from whichhop.model.session import (
    Method,
    Session,
    SessionKey,
    across_families,
    call_sessions,
    derive_sessions,
)

__all__ = [
    "ABSENT",
    "BEYOND",
    "CAUSE_TABLE",
    "LINK_TABLE",
    "PROVIDER_EDGE",
    "Carrier",
    "Cause",
    "Channel",
    "Columns",
    "Direction",
    "DslLine",
    "Fate",
    "Finding",
    "Home",
    "Level",
    "Limits",
    "Link",
    "LinkKind",
    "Medium",
    "Method",
    "ModemLevels",
    "Node",
    "NodeKind",
    "Owner",
    "Path",
    "Plan",
    "Ports",
    "Reading",
    "Record",
    "Resolver",
    "RuledOut",
    "Sample",
    "Service",
    "Session",
    "SessionKey",
    "Severity",
    "Verdict",
    "across_families",
    "call_sessions",
    "derive_sessions",
]
