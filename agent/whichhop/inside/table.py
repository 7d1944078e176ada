"""Every cause inside a hop, a row each: where it may be, what it looks like, whose knowledge, what to do."""

from collections.abc import Callable, Iterable

from msgspec import Struct

from whichhop.cabling.cautions import Hazard
from whichhop.inside import looks_of_line as line
from whichhop.inside import looks_of_radio as radio
from whichhop.inside import looks_of_wire as wire
from whichhop.inside.seen import Seen, Sign, Sort
from whichhop.model.inner_cause import Cost, Effort
from whichhop.model.inner_cause import InnerCause as Inner

PRACTICE = "common practice"


class Act(Struct, frozen=True, kw_only=True):
    """One thing to do. what: an imperative with {near}, {far}, {box}.

    brings: what should be there afterwards, fit to stand after "should bring"; "" where it only tells.
    """

    what: str
    brings: str = ""
    effort: Effort = Effort.MINUTES
    cost: Cost = Cost.NOTHING
    hazards: tuple[Hazard, ...] = ()


class Row(Struct, frozen=True, kw_only=True):
    """One cause in one sort of hop.

    prior: how likely it is among such faults before anything was looked at (common practice; they need not
    sum to 1, what is left is something that no row describes). acts: the cheapest and surest first. asks:
    what to find out first while it lasts, with {near}, {far}, {box} and a time after it; "" where looking or
    doing is as quick.
    """

    cause: Inner
    sort: Sort
    prior: float
    looks: Callable[[Seen], Iterable[Sign]]
    source: str
    acts: tuple[Act, ...]
    asks: str = ""


_PLACE_BETTER = Act(
    what="Move {near} or {far} into the open: out of cupboards, off the floor, away from metal and water",
    brings="up to 10 dB more signal, so faster rates",
)
_NEARER = Act(what="Bring {near} and {far} nearer to each other, or with fewer walls between them",
              brings="about 6 dB for half the distance, 3 to 15 dB a wall (common practice)")  # fmt: skip
WIRE = Act(what="Wire {near} with Ethernet", brings="no radio in this hop any more", effort=Effort.HOURS,
            cost=Cost.SMALL, hazards=(Hazard.WALL, Hazard.CARPET, Hazard.LADDER))  # fmt: skip
_CHANNEL = Act(what="Set {far} to another channel, the least busy one by a scan (at 2.4 GHz 1, 6 or 11)",
               brings="short waits, as on a free channel")  # fmt: skip
_BAND = Act(what="Move {near} to the 5 or 6 GHz band, or halve the channel's width",
            brings="fewer neighbours on the same channel")  # fmt: skip
_PLUGS = Act(what="Push both plugs in at {near} and {far} until they click",
             brings="a firm contact, where one was loose")  # fmt: skip
_CABLE = Act(what="Put another cable between {near} and {far}",
             brings="a link without errors at full speed", cost=Cost.SMALL)  # fmt: skip
_PORT = Act(what="Move the cable to another port, at one end and then at the other",
            brings="full speed, where it is a port")  # fmt: skip
_CALL = Act(what="Report it to the provider, with the evidence", brings="a repair or an answer in writing",
            effort=Effort.VISIT)  # fmt: skip
_RESEAT = Act(what="Tighten every coax connector from the modem to where the cable enters, by hand",
              brings="levels back in range", hazards=(Hazard.GROUNDING, Hazard.PROVIDER))  # fmt: skip
_SCREW = Act(what="Tighten every coax connector between {near} and {far} by hand",
             brings="an end of the dropouts, where one was loose", hazards=(Hazard.GROUNDING,))  # fmt: skip
_SPLITTER = Act(what="Take out splitters that nothing hangs on, and connect the modem before the others",
                brings="3.5 dB for each two-way splitter", cost=Cost.SMALL,
                hazards=(Hazard.ALARM, Hazard.GROUNDING, Hazard.AMPLIFIER))  # fmt: skip
_MOCA_SPLITTER = Act(
    what="Take out splitters between {near} and {far} that nothing hangs on; let those that stay be rated to"
    " 1675 MHz",
    brings="3.5 dB for each two-way splitter",
    cost=Cost.SMALL,
    hazards=(Hazard.ALARM, Hazard.GROUNDING, Hazard.AMPLIFIER),
)
"""MoCA 2.0 and 2.5 use 1125 to 1675 MHz, which splitters made for cable television need not pass."""
_OTHER_SOCKET = Act(what="Plug both power line adapters straight into wall sockets, without a power strip,"
                         " chargers away from them", brings="a higher rate and fewer repeats",
                    hazards=(Hazard.MAINS,))  # fmt: skip
_FIND_NOISE = Act(what="Switch appliances off one by one, and look on the page which one ends it",
                  effort=Effort.HOUR)  # fmt: skip
_OTHER_CIRCUIT = Act(what="Move the noisy appliance to another circuit, or put a mains filter before it",
                     brings="quiet on this circuit", cost=Cost.SMALL, hazards=(Hazard.MAINS,))  # fmt: skip
_QUEUE = Act(what="Turn on queue management (RFC 8290) at the router, at 90 to 95 % of the line's rate",
             brings="waits near 5 ms instead of the whole queue")  # fmt: skip
_RESTART = Act(what="Restart {box}, and look whether it stays well for a day")
_COOL = Act(
    what="Give {box} air: off the stack, out of the cupboard, vents clear of dust",
    brings="a cooler box, where heat slows it",
)

TOUCHED = "Ask whether somebody touched the modem, its cables or a splitter"
DOCSIS = "DOCSIS physical layer specifications (ITU-T J.222.1)"
ROWS: tuple[Row, ...] = (
    Row(cause=Inner.WEAK_SIGNAL, sort=Sort.RADIO, prior=0.2, looks=radio.weak_signal,
        source="IEEE 802.11-2020 table 19-18, receiver minimum input sensitivity",
        acts=(_PLACE_BETTER, _NEARER, WIRE),
        asks="Ask whether {near} or {far} was moved, or something was put between them,"),
    Row(cause=Inner.BUSY_CHANNEL, sort=Sort.RADIO, prior=0.2, looks=radio.busy_channel,
        source="IEEE 802.11 channel survey (busy time); bounds: " + PRACTICE,
        acts=(_CHANNEL, _BAND, WIRE)),
    Row(cause=Inner.MAINS_INTERFERENCE, sort=Sort.RADIO, prior=0.05, looks=radio.in_step_with_mains,
        source="half-wave of the mains, 50 or 60 Hz; microwave ovens: " + PRACTICE,
        acts=(Act(what="Look which appliance runs in these minutes (a microwave oven, a dimmed lamp), and"
                       " keep {near} and {far} some metres from it", brings="no more hits"), _BAND)),
    Row(cause=Inner.PERIODIC_INTERFERENCE, sort=Sort.RADIO, prior=0.05, looks=radio.comes_and_goes,
        source=PRACTICE,
        acts=(Act(what="Look what switches on at this period: a camera, a heating pump, a backup"),
              _CHANNEL, _BAND)),
    Row(cause=Inner.SCANNING, sort=Sort.RADIO, prior=0.12, looks=radio.scans,
        source="IEEE 802.11 scanning leaves the channel, some 100 ms for each other one; period: " + PRACTICE,
        acts=(Act(what="Turn off background scanning on {near}: location services, Wi-Fi assistants, a second"
                       " network manager; update its driver", brings="an end of the gaps"),
              Act(what="Fix {near} to one access point and band, where its settings allow it",
                  brings="no roaming back and forth"), WIRE)),
    Row(cause=Inner.POWER_SAVE, sort=Sort.RADIO, prior=0.12, looks=radio.dozes,
        source="IEEE 802.11 power save: waits for a beacon's map, 102.4 ms apart, every DTIM",
        acts=(Act(what="Turn off Wi-Fi power save on {near}; on Linux: iw dev NAME set power_save off",
                  brings="up to 300 ms less for the first packet after a pause"),)),
    Row(cause=Inner.LOW_LINK_RATE, sort=Sort.RADIO, prior=0.06, looks=radio.low_link_rate,
        source="IEEE 802.11 rates by stream and width",
        acts=(Act(what="Turn off the oldest 802.11 modes at the access point; then join {near} again",
                  brings="a link rate that fits its signal"), _BAND, WIRE)),
    Row(cause=Inner.FLAPPING, sort=Sort.RADIO, prior=0.08, looks=radio.flaps,
        source="IEEE 802.11 connected time; " + PRACTICE,
        acts=(Act(what="Update {near}'s driver and the access point's firmware, then forget the network"
                       " and join it again", brings="an end of the breaks"), _PLACE_BETTER, WIRE)),
    Row(cause=Inner.MAINS_NOISE, sort=Sort.POWER_LINE, prior=0.2, looks=radio.in_step_with_mains,
        source="noise at twice the mains' frequency (ITU-T G.9960 speaks of it); " + PRACTICE,
        acts=(_OTHER_SOCKET, _FIND_NOISE, _OTHER_CIRCUIT),
        asks="Ask what was plugged in or switched on (a charger, a lamp with a dimmer, a motor)"),
    Row(cause=Inner.APPLIANCE_CYCLE, sort=Sort.POWER_LINE, prior=0.2, looks=radio.runs_at_its_times,
        source=PRACTICE, acts=(_FIND_NOISE, _OTHER_SOCKET, _OTHER_CIRCUIT)),
    Row(cause=Inner.DROPOUTS, sort=Sort.POWER_LINE, prior=0.2, looks=radio.drops_out, source=PRACTICE,
        acts=(_OTHER_SOCKET, Act(what="Update the adapters' firmware and pair them again",
                                 brings="an end of the breaks"), _FIND_NOISE)),
    Row(cause=Inner.LOW_LINK_RATE, sort=Sort.POWER_LINE, prior=0.15, looks=radio.low_rate,
        source="usual rates of adapters: " + PRACTICE, acts=(_OTHER_SOCKET, _OTHER_CIRCUIT)),
    Row(cause=Inner.COAX_PLANT, sort=Sort.COAX, prior=0.3, looks=radio.low_rate,
        source="usual rates of adapters: " + PRACTICE,
        acts=(Act(what="Fit the filter for the point of entry, at the first splitter's input",
                  brings="the signal stays in the house", cost=Cost.SMALL,
                  hazards=(Hazard.GROUNDING, Hazard.PROVIDER)), _MOCA_SPLITTER)),
    Row(cause=Inner.DROPOUTS, sort=Sort.COAX, prior=0.15, looks=radio.drops_out, source=PRACTICE,
        acts=(_SCREW, _MOCA_SPLITTER), asks="Ask whether somebody touched a coax connector or a splitter"),
    Row(cause=Inner.SLOW_PORT, sort=Sort.ETHERNET, prior=0.2, looks=wire.slow_port,
        source="IEEE 802.3 clause 40: 1000BASE-T needs four good pairs; clause 25: 100BASE-TX two",
        acts=(_PLUGS, _PORT, _CABLE)),
    Row(cause=Inner.HALF_DUPLEX, sort=Sort.ETHERNET, prior=0.1, looks=wire.half_duplex,
        source="IEEE 802.3 clause 28 (auto-negotiation)",
        acts=(Act(what="Set both ports of the link to auto-negotiation", brings="full duplex"), _CABLE)),
    Row(cause=Inner.FRAME_ERRORS, sort=Sort.ETHERNET, prior=0.25, looks=wire.frame_errors,
        source="IEEE 802.3 clause 40.1: bit error ratio 1e-10; bound: " + PRACTICE,
        acts=(_PLUGS, _PORT, _CABLE)),
    Row(cause=Inner.FLAPPING, sort=Sort.ETHERNET, prior=0.2, looks=wire.carrier_flaps, source=PRACTICE,
        acts=(_PLUGS, _PORT, _CABLE,
              Act(what="Turn off energy saving of the port (IEEE 802.3az) at both ends",
                                 brings="an end of the breaks, where old ports quarrel over it"))),
    Row(cause=Inner.LEVELS, sort=Sort.LINE, prior=0.12, looks=line.levels, source=DOCSIS,
        acts=(_RESEAT, _SPLITTER, _CALL), asks=TOUCHED),
    Row(cause=Inner.UNCORRECTABLES, sort=Sort.LINE, prior=0.1, looks=line.uncorrectables,
        source="ITU-T J.83 codewords; bounds: " + PRACTICE, acts=(_RESEAT, _SPLITTER, _CALL), asks=TOUCHED),
    Row(cause=Inner.PARTIAL_SERVICE, sort=Sort.LINE, prior=0.06, looks=line.partial_service,
        source="DOCSIS 3.0 MAC and upper layer specification (ITU-T J.222.2)", acts=(_RESEAT, _CALL),
        asks=TOUCHED),
    Row(cause=Inner.RANGING, sort=Sort.LINE, prior=0.06, looks=line.ranging,
        source="DOCSIS timers T3 and T4 (ITU-T J.222.2)", acts=(_RESEAT, _SPLITTER, _CALL), asks=TOUCHED),
    Row(cause=Inner.EVENING_CONGESTION, sort=Sort.LINE, prior=0.15, looks=line.evening_congestion,
        source=PRACTICE, acts=(_CALL,)),
    Row(cause=Inner.RATE_UNDER_PLAN, sort=Sort.LINE, prior=0.04, looks=line.rate_under_plan,
        source="the plan in the home file", acts=(_CALL,)),
    Row(cause=Inner.LINE_OUTAGE, sort=Sort.LINE, prior=0.1, looks=line.outage, source=PRACTICE,
        acts=(Act(what="Look whether the modem's line lamp is on, and push its plugs in",
                  brings="the line back, where a plug was loose"),
              _CALL), asks="Ask whether somebody moved or unplugged the modem"),
    Row(cause=Inner.DSL_MARGIN, sort=Sort.LINE, prior=0.06, looks=line.dsl_margin,
        source="noise margin of ITU-T G.997.1, profiles of G.993.2; bounds: " + PRACTICE,
        acts=(Act(what="Connect the modem at the first socket with a short cable, everything else unplugged",
                  brings="margin, where the wiring in the house eats it"),
              Act(what="Put a filter before every telephone", brings="less noise", cost=Cost.SMALL,
                  hazards=(Hazard.ALARM,)), _CALL),
        asks="Ask whether a telephone, an alarm or a longer cable was connected to the line"),
    Row(cause=Inner.RETRAINS, sort=Sort.LINE, prior=0.1, looks=line.retrains,
        source="ITU-T G.994.1, G.993.2 training; lengths: " + PRACTICE,
        acts=(Act(what="Push the line's plug in firmly at the modem and at the socket, then read its levels",
                  brings="an end of the breaks, where it was a plug"), _CALL),
        asks="Ask whether somebody touched the modem, its cable or its socket"),
    Row(cause=Inner.FIBRE_LIGHT, sort=Sort.LINE, prior=0.05, looks=line.fibre_light,
        source="ITU-T G.984.2 Amd 1, class B+",
        acts=(Act(what="Lay the fibre's slack in wide bends, and leave its connectors shut",
                  brings="up to some dB, where a bend eats it", hazards=(Hazard.LASER,)), _CALL),
        asks="Ask whether the fibre was moved, bent or unplugged"),
    Row(cause=Inner.UPLOAD_FILLS, sort=Sort.OWN_TRAFFIC, prior=0.4, looks=line.upload_fills,
        source="RFC 8290 (a queue without management grows to its depth)",
        acts=(_QUEUE, Act(what="Limit the upload of backups and cameras to half of the line",
                          brings="an empty queue")),
        asks="Find what began to send, such as a backup, photos or a camera,"),
    Row(cause=Inner.DOWNLOAD_FILLS, sort=Sort.OWN_TRAFFIC, prior=0.4, looks=line.download_fills,
        source="RFC 8290",
        acts=(_QUEUE, Act(what="Move large downloads to the night, or limit them at the device",
                          brings="an empty queue")),
        asks="Find what began to fetch, such as an update, a download or a film,"),
    Row(cause=Inner.RESTART, sort=Sort.NODE, prior=0.25, looks=wire.restarted, source=PRACTICE,
        acts=(Act(what="Look why {box} restarted: its supply, a power strip, an update at night, heat"),
              _COOL)),
    Row(cause=Inner.OVERLOAD, sort=Sort.NODE, prior=0.3, looks=wire.overloaded, source=PRACTICE,
        acts=(_COOL, _RESTART, Act(what="Turn off what {box} does besides: filters, statistics, shares",
                                   brings="less load"))),
    Row(cause=Inner.SLOW_ANSWERS, sort=Sort.ANSWERS, prior=0.9, looks=wire.slow_answers,
        source="RFC 1812 section 4.3.2.8 allows a router to limit its own answers",
        acts=(Act(what="Leave it: nobody feels it"),)),
    Row(cause=Inner.SLOW_RESOLVER, sort=Sort.NAMES, prior=0.45, looks=wire.slow_resolver, source=PRACTICE,
        acts=(Act(what="Use another resolver than {box}", brings="pages that begin sooner"),)),
    Row(cause=Inner.LOST_LOOKUPS, sort=Sort.NAMES, prior=0.45, looks=wire.lost_lookups, source=PRACTICE,
        acts=(Act(what="Use another resolver than {box}", brings="no more waits of seconds"),)),
)  # fmt: skip
UNNAMED: dict[Sort, tuple[Act, ...]] = {
    Sort.RADIO: (_PLACE_BETTER, _CHANNEL),
    Sort.POWER_LINE: (_OTHER_SOCKET, _FIND_NOISE),
    Sort.COAX: (_SCREW, _MOCA_SPLITTER),
    Sort.ETHERNET: (_PLUGS, _PORT, _CABLE),
}
"""What to do about a backhaul whose cause is not named: what helps against the likeliest, cheapest first."""
BY_SORT: dict[Sort, tuple[Row, ...]] = {s: tuple(r for r in ROWS if r.sort is s) for s in Sort}


def row_of(cause: Inner, sort: Sort) -> Row:
    """The row of a cause in a sort of hop; KeyError where that hop has no such cause."""
    for row in BY_SORT[sort]:
        if row.cause is cause:
            return row
    raise KeyError(f"{cause} in {sort}")
