"""Each room's newest rate, both ways, held against the plan."""

from whichhop.model.bulletin import Bulletin, RoomRate
from whichhop.serve.page.figures import Markup, join, rate, share, tag, when


def _bar(bps: float, full_bps: float, at_least: bool) -> Markup:
    """How much of the plan, as a bar; only for the eye."""
    share = max(0.5, min(100.0, 100 * bps / full_bps))
    inside = [
        tag("rect", class_="ground", width="100%", height=10),
        tag("rect", class_="rate open" if at_least else "rate", width=f"{share:.2f}%", height=10),
    ]
    return tag("svg", inside, width="100%", height=10, class_="bar", aria_hidden="true", focusable="false")


def _way(name: str, bps: float | None, plan_bps: float | None, full_bps: float, at_least: bool) -> Markup:
    if bps is None:
        return tag("div", tag("dt", name), tag("dd", "not measured"))
    words = f"at least {rate(bps)}" if at_least else rate(bps)
    if plan_bps:
        words += f" of {rate(plan_bps)} ({share(bps / plan_bps)})"
    return tag("div", tag("dt", name), tag("dd", tag("span", words), _bar(bps, full_bps, at_least)))


def _room(one: RoomRate, bulletin: Bulletin, full: tuple[float, float]) -> Markup:
    title = f"{one.room} ({one.node})" if one.room and one.room != one.node else one.node
    return tag(
        "li",
        tag("h3", title),
        tag(
            "dl",
            _way("down", one.down_bps, bulletin.plan_down_bps, full[0], one.at_least),
            _way("up", one.up_bps, bulletin.plan_up_bps, full[1], one.at_least),
        ),
        tag("p", "against ", one.other_end, ", ", when(one.at_ns, bulletin.at_ns), class_="aside"),
    )


def rooms(bulletin: Bulletin) -> Markup:
    """A list of rooms; without a plan the bars compare the rooms with each other."""
    if not bulletin.rooms:
        return tag(
            "p",
            "No rate has been measured yet. Ask for one with ",
            tag("code", "whichhop transfer"),
            ", or set ",
            tag("code", "transfers_a_day"),
            " in the home file.",
        )
    full = (
        bulletin.plan_down_bps or max(r.down_bps or 1 for r in bulletin.rooms),
        bulletin.plan_up_bps or max(r.up_bps or 1 for r in bulletin.rooms),
    )
    notes = []
    if not (bulletin.plan_down_bps or bulletin.plan_up_bps):
        notes.append(
            tag("p", "The home file names no plan; the longest bar is the best room.", class_="aside")
        )
    if any(r.at_least for r in bulletin.rooms):
        notes.append(
            tag("p", "“At least”: a machine was the limit, so the path may carry more.", class_="aside")
        )
    return join(tag("ul", [_room(r, bulletin, full) for r in bulletin.rooms], class_="rooms"), *notes)
