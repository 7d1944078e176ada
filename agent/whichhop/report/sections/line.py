"""By what the provider finds the line: account, address, modem, first hop, targets; what is not given."""

from whichhop.model import PROVIDER_EDGE
from whichhop.model.dossier import Dossier
from whichhop.report.blocks import FactList
from whichhop.report.words import rate

_ASKED = (
    ("customer", "customer"),
    ("account", "account"),
    ("address", "service address"),
    ("modem_model", "modem's model"),
    ("modem_mac", "modem's MAC"),
)


def not_given(dossier: Dossier) -> tuple[str, ...]:
    """What the provider will ask for and the home file does not say."""
    return tuple(words for key, words in _ASKED if getattr(dossier.home.service, key) is None)


def plan_words(dossier: Dossier) -> str:
    """The plan by name and rates; "" where neither is given."""
    plan, product = dossier.home.plan, dossier.home.service.product
    rates = f"{rate(plan.down_bps)} downstream, {rate(plan.up_bps)} upstream" if plan else ""
    return ": ".join(w for w in (product or "", rates) if w)


def modem_words(dossier: Dossier) -> str:
    """Model and hardware address of the modem; "" where neither is given."""
    said = dossier.home.service
    mac = f"MAC {said.modem_mac}" if said.modem_mac else ""
    return ", ".join(w for w in (said.modem_model or "", mac) if w)


def first_hop_words(dossier: Dossier) -> str:
    """The address of the provider's first hop as far as it is known."""
    edge = dossier.home.nodes.get(PROVIDER_EDGE)
    route = dossier.route
    address = (edge.address if edge else None) or (route.first_hop if route else None)
    if address is None:
        return "address not known"
    return f"{address} (step {route.first_hop_step})" if route and route.first_hop_step else address


def target_words(dossier: Dossier) -> str:
    """The machines upstream that were tested against, and which never answered; "" where there are none."""
    nodes = dossier.home.nodes
    return ", ".join(
        f"{n} {nodes[n].host_name or nodes[n].address or 'address not known'}{_silence(dossier, n)}"
        for n in dossier.home.peers
    )


def _silence(dossier: Dossier, peer: str) -> str:
    rows = [row for row in dossier.sessions if f">{peer}:" in row.session]
    if not any(row.sent or row.quiet_sent for row in rows):
        return " (not asked in this span)"
    answered = any(row.sent > row.lost or row.quiet_sent > row.quiet_lost for row in rows)
    return "" if answered else " (never answered)"


def line_facts(dossier: Dossier) -> FactList:
    """Names with their values; what is not given stands in one line at the end."""
    said = dossier.home.service
    who = " · ".join(w for w in (said.customer or "", f"account {said.account}" if said.account else "") if w)
    missing = not_given(dossier)
    pairs = (
        ("Customer", who),
        ("Service address", said.address or ""),
        ("Modem", modem_words(dossier)),
        ("Plan", plan_words(dossier)),
        ("Provider's first hop", first_hop_words(dossier) if PROVIDER_EDGE in dossier.home.nodes else ""),
        ("Tested against", target_words(dossier)),
        ("Not given here", ", ".join(missing)),
    )
    return FactList(tuple((name, value) for name, value in pairs if value))
