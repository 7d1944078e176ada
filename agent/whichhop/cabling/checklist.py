"""What to look at along the coax, in the order that finds most for least effort (common practice)."""

from dataclasses import dataclass

from whichhop.cabling.cautions import Hazard


@dataclass(frozen=True, slots=True, kw_only=True)
class CoaxCheck:
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
