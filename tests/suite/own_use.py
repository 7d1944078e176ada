"""The home's own traffic where it is easily taken for the provider's: uncounted, or by a wrong plan."""

from msgspec.structs import replace

from suite.case import Label
from suite.faults import Script, add_fault, causes_of, moments, queue_up_s
from suite.recipe import Recipe, elsewhere
from whichhop.lab.scenario import Effect, Fault, Quirk, QuirkKind
from whichhop.model import Cause, LinkKind

OWN = "own-traffic"
FELT_S = 0.030
"""A full queue shallower than this is felt by nobody, and no part of the suite."""


def use_line(script: Script, at_s: float, lasts_s: float, *, down: bool, size: float = 1.0) -> None:
    """The home fills its line for a while; a label where the queue is deep enough to be felt."""
    kind = QuirkKind.TRAFFIC_DOWN if down else QuirkKind.TRAFFIC_UP
    script.quirks.append(Quirk(at_s=at_s, for_s=lasts_s, kind=kind, element=OWN, size=size))
    depth = queue_up_s(script.paper) / (3 if down else 1)
    script.labels.append(
        Label(
            start_s=max(at_s, 0.0), end_s=at_s + lasts_s, element=OWN, cause=Cause.OWN_TRAFFIC,
            rhythm="download" if down else "upload", size="small" if depth < 0.08 else "large",
            harmless=depth < FELT_S,
        )
    )  # fmt: skip


def _bouts(script: Script, seconds: float, down_share: float) -> None:
    for at in moments(script, seconds, first_s=1200, gap_s=1500):
        down = bool(script.rng.random() < down_share)
        use_line(
            script, at, script.log_uniform(60, 900), down=down, size=float(script.rng.uniform(0.97, 1.1))
        )


def _upload_first(script: Script, seconds: float) -> None:
    """An upload runs when measuring begins, is counted, and stops."""
    use_line(script, 0.0, min(script.log_uniform(300, 2400), seconds - 900), down=False)


def _downloads(script: Script, seconds: float) -> None:
    _bouts(script, seconds, 0.8)


def _minute_counters(script: Script, seconds: float) -> None:
    """Counters that are read once a minute only."""
    script.setting.counters_each_s = 60
    _bouts(script, seconds, 0.4)


def _large_plan(script: Script, seconds: float) -> None:
    """The file's plan is 1.5, 2 or 2.5 times what the line carries."""
    home, plan = script.home, script.home.plan
    if plan is not None:
        times = (1.5, 2.0, 2.5)[int(script.rng.integers(0, 3))]
        told = replace(plan, down_bps=int(plan.down_bps * times), up_bps=int(plan.up_bps * times))
        script.setting.told = replace(home, plan=told)
    _bouts(script, seconds, 0.4)


def _line_then_upload(script: Script, seconds: float) -> None:
    """A fault of the line, eighteen seconds later the home's own upload, and nobody counts."""
    line = next(k.name for k in script.home.links if k.kind is LinkKind.ACCESS)
    for at in moments(script, seconds, first_s=1200, gap_s=1800):
        lasts = script.log_uniform(120, 300)
        loss, added = float(script.rng.uniform(0.08, 0.3)), script.log_uniform(0.03, 0.12)
        effect = Effect(delay_s=added / 4, jitter_s=added / 4, loss_ratio=loss / 2)
        cause = Cause.UPSTREAM_LINK
        script.faults.append(Fault(at_s=at, for_s=lasts, element=line, cause=cause, effect=effect))
        script.labels.append(
            Label(
                start_s=at, end_s=at + lasts, element=line, cause=cause, rhythm="then upload", size="middling"
            )
        )
        use_line(script, at + 18.0, script.log_uniform(120, 300), down=False)
        script.labels[-1] = replace(script.labels[-1], apart=True)


def _mixed(script: Script, seconds: float) -> None:
    """Faults of the line and own traffic in turn, so that one is not learnt at the other's cost."""
    causes = [c for c in causes_of(script) if c in (Cause.UPSTREAM_LINK, Cause.BEYOND, Cause.OWN_TRAFFIC)]
    for at in moments(script, seconds, first_s=1800, gap_s=1500):
        add_fault(script, causes[int(script.rng.integers(0, len(causes)))], at)


def _unknown_media(script: Script, seconds: float) -> None:
    """The home file names no medium of line and backhaul; faults as ever."""
    home = script.home
    script.setting.told = replace(
        home,
        links=tuple(
            replace(k, medium=None) if k.kind in (LinkKind.ACCESS, LinkKind.BACKHAUL) else k
            for k in home.links
        ),
    )
    _mixed(script, seconds)


OWN_USE: dict[str, Recipe] = {
    "upload-first": Recipe(fill=_upload_first, hours=1.0, home=elsewhere(), counted=1.0),
    "downloads": Recipe(fill=_downloads, hours=6.0, home=elsewhere(), counted=0.0),
    "minute-counters": Recipe(fill=_minute_counters, hours=6.0, home=elsewhere(), counted=1.0),
    "large-plan": Recipe(fill=_large_plan, hours=6.0, home=elsewhere(), counted=1.0),
    "line-then-upload": Recipe(fill=_line_then_upload, hours=6.0, home=elsewhere(), counted=0.0),
    "line-or-own": Recipe(fill=_mixed, hours=6.0, home=elsewhere(), counted=0.5),
    "unknown-media": Recipe(fill=_unknown_media, hours=6.0, home=elsewhere()),
}
