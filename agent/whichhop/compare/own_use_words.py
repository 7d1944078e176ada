"""Whose traffic fills the line, in a sentence: direction, devices, rate against the plan."""

from whichhop.model.bulletin import Bulletin, DeviceUse

BUSY_BPS = 100_000.0
"""Less than this is nobody's upload: what a home sends by itself."""
MUCH = 0.2
"""A device with less than this share of the traffic is not named."""
MOST_NAMED = 3


def own_use_words(bulletin: Bulletin) -> str:
    """For instance "Own traffic: upload by nas, 4.2 of 5 Mbit/s."; empty where it is not counted, or idle.

    The direction told is the one that is fuller, by the plan where there is one.
    """
    use = bulletin.own_use
    if use is None:
        return ""
    rates = {"download": use.down_bps, "upload": use.up_bps}
    plans = {"download": bulletin.plan_down_bps, "upload": bulletin.plan_up_bps}
    planned = all(plans.values())
    way = max(rates, key=lambda w: rates[w] / (plans[w] or 1.0) if planned else rates[w])
    rate, plan = rates[way], plans[way]
    if rate < BUSY_BPS:
        return ""
    of = f" of {plan / 1e6:.3g}" if plan else ""
    by = _by([(d.name, _rate(d, way)) for d in use.devices], rate)
    return f"Own traffic: {way}{by} {_figure(rate)}{of} Mbit/s."


def _rate(device: DeviceUse, way: str) -> float:
    return device.down_bps if way == "download" else device.up_bps


def _by(devices: list[tuple[str, float]], whole: float) -> str:
    named = [name for name, rate in sorted(devices, key=lambda d: -d[1]) if rate >= MUCH * whole]
    if not named:
        return ""
    named = named[:MOST_NAMED]
    return f" by {', '.join(named[:-1])} and {named[-1]}," if len(named) > 1 else f" by {named[0]},"


def _figure(bps: float) -> str:
    mbps = bps / 1e6
    return f"{mbps:.1f}" if mbps < 100 else f"{mbps:.0f}"
