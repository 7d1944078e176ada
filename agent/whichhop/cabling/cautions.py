"""What can hurt someone or cut a service, wherever a step calls for it; and what to look at along the coax.

Local codes always decide.
"""

from collections.abc import Iterable, Sequence
from enum import StrEnum

from msgspec import Struct

from whichhop.model.cable_run import Amplifier, Cable, Coupler, Joint, Part, Splitter


class Hazard(StrEnum):
    """A danger that a step may meet."""

    MAINS = "mains"
    LADDER = "ladder"
    CRAWL = "attic-or-crawl-space"
    GROUNDING = "grounding"
    POWERED_TAP = "powered-tap"
    AMPLIFIER = "amplifier"
    ALARM = "alarm-or-telephone"
    CARPET = "under-carpet"
    WALL = "in-wall"
    LIGHTNING = "lightning"
    LASER = "laser-light"
    PROVIDER = "provider-equipment"


CAUTIONS: dict[Hazard, str] = {
    Hazard.MAINS: "Keep clear of mains wiring; a shock from a shield or connector means stop, touch nothing "
    "and call an electrician.",
    Hazard.LADDER: "Do not work from a ladder alone, near power lines or on a roof; leave it to someone "
    "equipped for it.",
    Hazard.CRAWL: "Attics and crawl spaces hold heat, nails, insulation dust and live wiring, and a ceiling "
    "does not bear a person: step on joists only, with light, mask and gloves, or leave it.",
    Hazard.GROUNDING: "Never remove or bypass the bonding block or its ground wire: it keeps the cable's "
    "shield from carrying dangerous voltage. Changes to it are a licensed person's work.",
    Hazard.POWERED_TAP: "A tap or line on the provider's side may carry supply voltage: leave it shut and "
    "call the provider.",
    Hazard.AMPLIFIER: "Unplug an amplifier before taking its cables off, and check first which services it "
    "feeds and whether power comes over the coax.",
    Hazard.ALARM: "A telephone or alarm may hang on this splitter: taking it out can cut emergency calls or "
    "the alarm. Find out first, tell the alarm company, and test both afterwards.",
    Hazard.CARPET: "Do not run cable under carpets or through doorways where it is walked on: it gets "
    "crushed and can overheat or trip someone.",
    Hazard.WALL: "Cable inside walls, ceilings and air ducts must be rated for it (fire codes); check for "
    "wires and pipes before drilling.",
    Hazard.LIGHTNING: "Do not work on outside cable or its grounding while there is thunder about.",
    Hazard.LASER: "Never look into a fibre or its connector; the light cannot be seen and can hurt the eye.",
    Hazard.PROVIDER: "What lies before the hand-over point is the provider's: report it, leave it shut.",
}

DEFER = "Local codes and licensed practice decide; where they differ from this list, follow them."


def cautions_for(hazards: Iterable[Hazard]) -> tuple[str, ...]:
    """The sentences for some hazards, each once, in the table's order, closed by the deferral."""
    wanted = set(hazards)
    lines = tuple(text for hazard, text in CAUTIONS.items() if hazard in wanted)
    return (*lines, DEFER) if lines else ()


_SAFETY_WORDS = ("alarm", "phone", "telephone", "intercom", "medical", "emergency")


def hazards_of(parts: Sequence[Part]) -> tuple[Hazard, ...]:
    """The hazards that touching these parts brings.

    What else hangs on a splitter or coupler is often unknown, so its caution is always given.
    """
    out: dict[Hazard, None] = {}
    for part in parts:
        match part:
            case Splitter() | Coupler():
                out[Hazard.ALARM] = None
            case Amplifier():
                out.update(dict.fromkeys((Hazard.AMPLIFIER, Hazard.MAINS, Hazard.ALARM)))
            case Cable():
                out.update(
                    dict.fromkeys((Hazard.WALL, Hazard.CARPET, Hazard.CRAWL, Hazard.LADDER, Hazard.LIGHTNING))
                )
            case Joint():
                if any(word in part.name.lower() for word in ("bond", "ground", "earth")):
                    out[Hazard.GROUNDING] = None
            case _:
                pass
    return tuple(out)


def cut_services(parts: Sequence[Part]) -> tuple[str, ...]:
    """What hangs on these parts' other outputs by the home file, safety services first."""
    served = [s for part in parts if isinstance(part, Splitter | Coupler) for s in part.serves]
    return tuple(sorted(served, key=lambda s: not any(w in s.lower() for w in _SAFETY_WORDS)))


class CoaxCheck(Struct, frozen=True, kw_only=True):
    """One thing to look at: what tells that it is bad, what it does to the signal, what to do."""

    what: str
    bad_when: str
    effect: str
    remedy: str
    hazards: tuple[Hazard, ...] = ()


CHECKLIST: tuple[CoaxCheck, ...] = (
    CoaxCheck(
        what="connectors at the modem and at every outlet in use",
        bad_when="a connector turns by hand",
        effect="loss, ingress and bursts of uncorrectable codewords when something moves",
        remedy="tighten by hand and then a short turn with a spanner; do not force it",
        hazards=(Hazard.MAINS,),
    ),
    CoaxCheck(
        what="centre conductors",
        bad_when="the pin is bent, short, or touches the rim",
        effect="no lock on some channels, or a level that changes at a touch",
        remedy="fit a new connector; do not straighten a cracked pin",
    ),
    CoaxCheck(
        what="dirt, corrosion and water",
        bad_when="green or white crust, damp foam, a dark pin",
        effect="low channels get weak, noise rises after rain",
        remedy="cut back to clean cable and fit a weatherproof connector outdoors",
        hazards=(Hazard.LADDER, Hazard.LIGHTNING, Hazard.PROVIDER),
    ),
    CoaxCheck(
        what="shielding",
        bad_when="braid is thin, torn or missing; push-on or twist-on connectors; old thin cable",
        effect="radio and mains noise gets in, worst upstream for the whole street",
        remedy="replace by a cable with foil and braid and compression connectors",
        hazards=(Hazard.WALL, Hazard.CARPET, Hazard.CRAWL),
    ),
    CoaxCheck(
        what="unused outlets and splitter ports",
        bad_when="nothing is screwed on",
        effect="reflections (notches in the levels) and ingress",
        remedy="screw a 75-ohm terminator on every open port",
    ),
    CoaxCheck(
        what="splitters",
        bad_when="more ways than needed, several in a row, an upper limit under 1000 MHz, rust",
        effect="3.5 dB lost at each two-way split, and as much upstream",
        remedy="put the modem on the first split, take out what is not used",
        hazards=(Hazard.ALARM,),
    ),
    CoaxCheck(
        what="amplifiers",
        bad_when="one sits before the modem without need, or its supply is unplugged",
        effect="too strong a signal, added noise, or no return path at all",
        remedy="try without it, or one with a passive way for the modem",
        hazards=(Hazard.AMPLIFIER, Hazard.MAINS, Hazard.ALARM),
    ),
    CoaxCheck(
        what="filters",
        bad_when="one meant for other services sits in the modem's path",
        effect="whole channels missing at one end of the band",
        remedy="move it to the outlet that needs it",
        hazards=(Hazard.PROVIDER,),
    ),
    CoaxCheck(
        what="the cable's way",
        bad_when="sharp bends, staples, crushed under furniture or carpet, nailed through",
        effect="reflections and a notch, worse when walked on",
        remedy="replace the piece; no bend tighter than ten times the cable's thickness",
        hazards=(Hazard.CARPET, Hazard.WALL, Hazard.CRAWL, Hazard.LADDER),
    ),
    CoaxCheck(
        what="bonding block and ground wire where the cable enters",
        bad_when="the wire is loose, missing or corroded",
        effect="hum, shocks, damage from lightning",
        remedy="report it to the provider or an electrician",
        hazards=(
            Hazard.GROUNDING,
            Hazard.LIGHTNING,
            Hazard.MAINS,
            Hazard.POWERED_TAP,
            Hazard.PROVIDER,
        ),
    ),
)
