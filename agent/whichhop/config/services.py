"""Own traffic's counters, notices and a fleet's server in a home file: rules between fields, and nouns."""

import re
from collections.abc import Iterator, Mapping
from ipaddress import ip_address
from pathlib import Path
from urllib.parse import urlsplit

from whichhop.config.nouns import minutes_of, noun_of, secret_beside
from whichhop.config.schema import HomeFile, MailPart, NodePart, WanCountersPart, WebhookPart
from whichhop.config.tree import Trouble
from whichhop.model.fleet import Fleet
from whichhop.model.levels_source import CounterSource
from whichhop.model.notices import MAIL_PORTS, Mail, MailSecurity, Notices, Webhook


def _by_snmp(part: WanCountersPart) -> bool:
    return part.snmp is not None or part.snmp_user_file is not None


def own_interface(part: NodePart) -> str | None:
    """The interface that the node's own agent counts; None where it is asked for over the network."""
    counters = part.wan_counters
    if counters is None or _by_snmp(counters) or counters.upnp is not None:
        return None
    return counters.interface


def counter_troubles(file: HomeFile) -> Iterator[Trouble]:
    """Everything wrong with the nodes' `wan_counters`; of two nodes that count, only one would be right."""
    counting = ""
    for name, node in file.nodes.items():
        part = node.wan_counters
        if part is None:
            continue
        at = ("nodes", name, "wan_counters")
        if counting:
            yield at, f"{counting} counts already, and traffic would count twice", "keep one of the two"
        counting = name
        yield from _device_troubles(name, node)
        ways = [key for key in ("snmp", "snmp_user_file", "upnp") if getattr(part, key) is not None]
        if len(ways) > 1:
            yield at, f"names {' and '.join(ways)}", f"keep one of the {'two' if len(ways) == 2 else 'three'}"
        elif part.upnp is not None:
            for key in ("interface", "port"):
                if getattr(part, key) is not None:
                    yield (*at, key), "of no use with upnp, which names the interface itself", "remove it"
        elif part.interface is None:
            wanted = "the router's ifName or ifDescr" if _by_snmp(part) else "as `ip link` names it"
            yield (*at, "interface"), "missing", f"add the interface towards the modem, {wanted}"
        elif _by_snmp(part):
            if node.address is None:
                yield (
                    ("nodes", name, "address"),
                    "missing, though snmp is asked there",
                    "add its address",
                )
        else:
            yield from _own_troubles(name, node)


def _device_troubles(name: str, node: NodePart) -> Iterator[Trouble]:
    at, part = ("nodes", name, "wan_counters"), node.wan_counters
    if part is None:
        return
    if part.by_device and (part.upnp is not None or _by_snmp(part) or not node.agent):
        yield (
            (*at, "by_device"),
            "only an agent on the router itself sees connections",
            "set agent: true with interface alone, or remove by_device",
        )
    if part.devices and not part.by_device:
        yield (*at, "devices"), "of no use without by_device", "add by_device: true, or remove it"


def _own_troubles(name: str, node: NodePart) -> Iterator[Trouble]:
    at, part = ("nodes", name, "wan_counters"), node.wan_counters
    if part is None:
        return
    if not node.agent:
        yield at, "counted by an agent, and none runs here", "set agent: true, or use snmp or upnp"
    if part.port is not None:
        yield (*at, "port"), "of no use without snmp", "remove it, or add snmp or snmp_user_file"
    if re.fullmatch(r"[^\s/]{1,15}", part.interface or "") is None:
        yield (*at, "interface"), f"{part.interface!r} is no interface of Linux", "write it as `ip link` does"


def build_device_names(file: HomeFile) -> Mapping[str, str]:
    """By address, the names that were written for own traffic alone."""
    parts = [node.wan_counters for node in file.nodes.values() if node.wan_counters is not None]
    return {address: name for part in parts for name, address in part.devices.items()}


def build_counters(file: HomeFile, home_file: Path) -> Mapping[str, CounterSource]:
    """By node, the counters that an agent asks for over the network."""
    out = {}
    for name, node in file.nodes.items():
        part = node.wan_counters
        if part is None:
            continue
        if _by_snmp(part) and node.address is not None and part.interface is not None:
            of_node = {"address": node.address, "community": part.snmp or "public"}
            user_file = secret_beside(home_file, part.snmp_user_file)
            out[name] = noun_of(CounterSource, part, home_file, user_file=user_file, **of_node)
        elif part.upnp is not None:
            out[name] = CounterSource(description=part.upnp)
    return out


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


def build_notices(file: HomeFile, home_file: Path) -> Notices | None:
    """What a home file says of notices; None where it says nothing."""
    part = file.notices
    if part is None:
        return None

    mail = part.mail
    return noun_of(
        Notices,
        part,
        home_file,
        webhook=part.webhook and noun_of(Webhook, part.webhook, home_file),
        mail=mail and noun_of(Mail, mail, home_file, port=mail.port or MAIL_PORTS[mail.security]),
        quiet_hours=minutes_of(part.quiet_hours),
        least_s=part.least_minutes * 60.0,
    )


def fleet_troubles(file: HomeFile) -> Iterator[Trouble]:
    """Everything wrong between the fields of `fleet`."""
    part = file.fleet
    if part is None:
        return
    parts = urlsplit(part.write)
    if parts.username is not None or parts.password is not None:
        yield (
            ("fleet", "write"),
            "holds a user name or password",
            "put a token in a file of mode 0600, and name it as token_file",
        )
    if parts.scheme != "https" and not _on_this_machine(parts.hostname):
        yield (
            ("fleet", "write"),
            "what the home measures would travel unencrypted",
            "use an https:// address; http:// is for a server on the agent's own machine",
        )
    if part.ca_file is not None and parts.scheme != "https":
        yield ("fleet", "ca_file"), "there is no certificate without TLS", "use an https:// address"


def _on_this_machine(host: str | None) -> bool:
    if host == "localhost":
        return True
    try:
        return ip_address(host or "").is_loopback
    except ValueError:
        return False


def build_fleet(file: HomeFile, home_file: Path) -> Fleet | None:
    """What a home file says of a fleet; None where it says nothing."""
    part = file.fleet
    if part is None:
        return None

    return noun_of(Fleet, part, home_file, url=part.write, queue_octets=round(part.queue_mb * 1_000_000))
