"""The nouns everyone shares; frozen records, no behaviour beyond arithmetic.

Each is loaded when it is first asked for (PEP 562): most of our processes are short, and need a few of them.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
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

if not TYPE_CHECKING:
    _MODULES = {
        "channel": "Carrier Channel Direction DslLine ModemLevels",
        "finding": "Finding Level RuledOut Severity Verdict",
        "home": "BEYOND PROVIDER_EDGE Home Limits Link Node Path Plan Ports Resolver Service",
        "links": "CAUSE_TABLE LINK_TABLE Cause LinkKind Medium NodeKind Owner",
        "record": "ABSENT Columns Reading Record",
        "sample": "Fate Sample",
        "session": "Method Session SessionKey across_families call_sessions derive_sessions",
    }
    _MODULE_OF = {noun: module for module, nouns in _MODULES.items() for noun in nouns.split()}

    def __getattr__(name: str) -> object:
        """The noun of that name."""
        if name not in _MODULE_OF:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        found = getattr(import_module(f"{__name__}.{_MODULE_OF[name]}"), name)
        globals()[name] = found
        return found
