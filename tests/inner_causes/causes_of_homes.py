"""What each cause does to the packets of a hop, second by second; written without a look at `drawn_hop`.

IEEE 802.11: beacons each 102.4 ms, seven tries a frame, a station in power save is handed its frames after a
beacon with its bit or DTIM. Ovens and dimmers: half-waves of the mains, which wander. Compressors: some
minutes in half an hour to two hours. Scans: 20 s to 15 min apart. Modems: G.994.1 and training.
Figures without a name here are common practice, from memory.
"""

import numpy as np

from inner_causes.whole_home import Bools, Floats, Hop

BEACON_S = 0.1024


def _walk(hop: Hop, over_s: float, step_s: float = 1.0) -> Floats:
    """A random walk of unit spread that returns within `over_s`, at each packet's moment."""
    count = int(hop.at_s.max() / step_s) + 3
    keep = np.exp(-step_s / over_s)
    noise = hop.rng.normal(0, np.sqrt(1 - keep**2), count)
    walk = np.empty(count)
    here = hop.rng.normal()
    for i, more in enumerate(noise):
        here = keep * here + more
        walk[i] = here
    return np.interp(hop.at_s, np.arange(count) * step_s, walk)


def _shape(hop: Hop) -> Floats:
    """How strong the cause is at each packet: a step, or a drift over a quarter of its time."""
    into = np.clip((hop.at_s - hop.began) / max(1.0, 0.25 * (hop.ended - hop.began)), 0, 1)
    return into if hop.rng.random() < 0.3 else (into > 0).astype(float)


def far_away(hop: Hop) -> None:
    """Weak signal: frames fail by a margin that fades; tries cost more each, the seventh is the last."""
    rng, on = hop.rng, hop.during()
    margin = rng.uniform(-1.0, 2.5) + rng.uniform(0.8, 2.0) * _walk(hop, rng.uniform(3, 40))
    worse_up = rng.uniform(0, 1.0)  # a station sends with less power than an access point
    fail = 1 / (1 + np.exp(margin - worse_up * hop.up + 2.5 * (1 - _shape(hop))))
    tries = rng.geometric(np.clip(1 - fail, 0.05, 1.0))
    slots = 0.9e-3 * (2.0 ** np.minimum(tries, 7) - 2) * rng.uniform(0.4, 1.6, hop.at_s.size) / 2
    hop.hold(on, np.minimum(slots, 0.12)[on])
    hop.take(on & (tries > 7))
    dbm = rng.uniform(-88, -77)
    hop.facts = {"radio_signal_dbm": dbm, "radio_retry_share": 0.45, "radio_failed_share": 0.03,
                 "radio_busy_share": 0.25, "radio_rate_bps": rng.uniform(6e6, 26e6)}  # fmt: skip
    hop.healthy = hop.facts | {"radio_signal_dbm": -58.0, "radio_retry_share": 0.05,
                               "radio_failed_share": 0.0, "radio_rate_bps": 300e6}  # fmt: skip


def neighbours_stream(hop: Hop) -> None:
    """Busy channel: others' bursts hold the air; both ways wait, the queue behind them now and then."""
    rng, on = hop.rng, hop.during()
    load = np.clip(rng.uniform(0.6, 0.9) + 0.08 * _walk(hop, rng.uniform(10, 120)), 0.3, 0.97) * _shape(hop)
    # Pollaczek-Khinchine's mean with frames of 1 to 5 ms, exponential above a third of idle chances.
    mean = load / (1 - load) * rng.uniform(1.0e-3, 3.5e-3)
    waits = (rng.random(hop.at_s.size) < load) * rng.exponential(1.0, hop.at_s.size) * mean * 1.6
    stall = rng.random(hop.at_s.size) < 0.015 * load
    waits[stall] += rng.uniform(0.03, 0.2, int(stall.sum()))
    hop.hold(on, waits[on])
    hop.take(on, rng.uniform(0.0005, 0.008))
    hop.facts = {"radio_signal_dbm": rng.uniform(-64, -42), "radio_busy_share": rng.uniform(0.66, 0.95),
                 "radio_retry_share": rng.uniform(0.1, 0.4), "radio_transmit_share": 0.02}  # fmt: skip
    hop.healthy = hop.facts | {"radio_busy_share": 0.2, "radio_retry_share": 0.05}


def _in_half_waves(hop: Hop, hz: float, duty: float) -> Bools:
    drift = np.cumsum(hop.rng.normal(0, 0.006, int(hop.at_s.max()) + 3))  # the grid's phase, turns a second
    turns = hz * (1 + hop.rng.normal(0, 2e-4)) * hop.at_s + np.interp(hop.at_s, np.arange(drift.size), drift)
    return np.asarray(turns % 1.0 < duty)


def warm_meal(hop: Hop) -> None:
    """A microwave oven beside a 2.4 GHz hop: frames in its half-wave fail and wait for the other."""
    rng, on = hop.rng, hop.during()
    hit = on & _in_half_waves(hop, float(rng.choice([50.0, 60.0])), rng.uniform(0.4, 0.55))
    hit &= rng.random(hop.at_s.size) < rng.uniform(0.6, 0.95)
    hop.hold(hit, rng.gamma(2.0, rng.uniform(0.006, 0.012), int(hit.sum())) + 0.004)
    hop.take(hit, rng.uniform(0.02, 0.2))
    hop.facts = hop.healthy = {"radio_signal_dbm": rng.uniform(-66, -48)}


def lamp_with_dimmer(hop: Hop) -> None:
    """Noise on the power line in each half-wave: 100 or 120 bursts a second."""
    rng, on = hop.rng, hop.during()
    hit = on & _in_half_waves(hop, float(rng.choice([100.0, 120.0])), rng.uniform(0.2, 0.5))
    hit &= rng.random(hop.at_s.size) < 0.85
    hop.hold(hit, rng.gamma(2.0, rng.uniform(0.005, 0.012), int(hit.sum())) + 0.005)
    hop.take(hit, rng.uniform(0.01, 0.1))


def _cycle(hop: Hop, every_s: float, on_s: float, wobble: float) -> Bools:
    """Spells that follow each other, each begin counted from the one before, so that errors add up."""
    on = np.zeros(hop.at_s.size, bool)
    at = hop.began + float(hop.rng.uniform(0, 0.3 * every_s))
    while at < hop.ended:
        lasts = on_s * hop.rng.uniform(0.9, 1.1)
        on |= (hop.at_s >= at) & (hop.at_s < at + lasts)
        at += every_s * (1 + hop.rng.normal(0, wobble))
    return on & hop.during()


def compressor(hop: Hop) -> None:
    """A fridge, pump or heater on its thermostat: minutes of noise each 18 to 70 min."""
    rng = hop.rng
    every = float(rng.uniform(18 * 60, min(70 * 60, (hop.ended - hop.began) / 6)))
    on = _cycle(hop, every, every * rng.uniform(0.15, 0.45), 0.02)
    hop.hold(on, rng.exponential(rng.uniform(0.02, 0.05), int(on.sum())))
    hop.take(on, rng.uniform(0.02, 0.12))


def camera_upload(hop: Hop) -> None:
    """Something in the neighbourhood of the radio that sends for 8 to 60 s each 2 to 12 min."""
    rng = hop.rng
    every = float(rng.uniform(120, min(720, (hop.ended - hop.began) / 8)))
    on = _cycle(hop, every, float(rng.uniform(8, min(60, 0.3 * every))), 0.004)
    hop.hold(on, rng.gamma(1.2, rng.uniform(0.02, 0.05), int(on.sum())))
    hop.take(on, rng.uniform(0.01, 0.1))
    hop.facts = {"radio_signal_dbm": rng.uniform(-66, -48), "radio_busy_share": 0.4}
    hop.healthy = hop.facts


def looks_around(hop: Hop) -> None:
    """Scanning: the radio is away some 30 to 110 ms a channel and back between, each 20 s to 15 min."""
    rng = hop.rng
    every = float(np.exp(rng.uniform(np.log(20), np.log(min(900, (hop.ended - hop.began) / 8)))))
    channels, dwell = int(rng.integers(6, 30)), float(rng.uniform(0.03, 0.11))
    back = float(rng.uniform(0.0, 0.12))
    at = hop.began + float(rng.uniform(0, every))
    while at < hop.ended:
        for i in range(channels):
            away = at + i * (dwell + back)
            off = (hop.at_s >= away) & (hop.at_s < away + dwell)
            hop.hold(off, away + dwell - hop.at_s[off] + rng.uniform(0.001, 0.03, int(off.sum())))
            hop.take(off, 0.12)
        at += every * (1 + rng.normal(0, 0.003))
    hop.facts = hop.healthy = {"radio_signal_dbm": rng.uniform(-66, -45), "radio_busy_share": 0.2}


def _restless(hop: Hop, start_s: float, end_s: float) -> None:
    """Every 8 to 15 s away for 150 to 400 ms at a time, some times in a row (published measurements)."""
    rng, at = hop.rng, start_s
    while at < end_s:
        until = at + float(rng.uniform(0.8, 2.5))
        moment = at
        while moment < until:
            away = float(rng.uniform(0.15, 0.4))
            off = (hop.at_s >= moment) & (hop.at_s < moment + away)
            hop.hold(off, moment + away - hop.at_s[off] + rng.uniform(0.001, 0.02, int(off.sum())))
            moment += away + float(rng.uniform(0.05, 0.2))
        at += float(rng.uniform(8, 15))
    hop.facts = hop.healthy = {"radio_signal_dbm": rng.uniform(-66, -45), "radio_busy_share": 0.2}


def looks_around_restlessly(hop: Hop) -> None:
    """Scan trains of minutes on a good radio, to the end of what is seen."""
    at, last = hop.began, False
    while not last:
        lasts = float(hop.rng.uniform(360, 900))
        last = at + lasts >= hop.ended - 240
        _restless(hop, at, hop.ended if last else at + lasts)
        at += lasts + float(hop.rng.uniform(60, 240))


def looks_once(hop: Hop) -> None:
    """A healthy radio that looks around for a minute or two."""
    at = float(hop.rng.uniform(hop.began, hop.ended - 200))
    _restless(hop, at, at + float(hop.rng.uniform(40, 150)))


def sleeps(hop: Hop) -> None:
    """Power save of the near end: what goes to it waits for its beacon, unless it was awake just then."""
    rng, on = hop.rng, hop.during()
    every = BEACON_S * int(rng.choice([1, 1, 2, 3]))
    stays = float(rng.choice([0.02, 0.05, 0.1, 0.2]))
    # The near end's own sending wakes it; so does what it is handed.
    awake_until, phase = -1.0, float(rng.uniform(0, every))
    for i in np.flatnonzero(on).tolist():
        at = float(hop.at_s[i])
        if hop.up[i]:
            awake_until = max(awake_until, at + stays)
        elif at >= awake_until:
            due = every - (at - phase) % every
            hop.wait_s[i] += due + float(rng.uniform(0.0005, 0.004))
            awake_until = at + due + stays
        else:
            awake_until = at + stays
    hop.facts = {"radio_signal_dbm": rng.uniform(-66, -45), "radio_power_save": 1.0, "radio_busy_share": 0.2}
    hop.healthy = hop.facts | {"radio_power_save": 0.0}


def parts_again(hop: Hop) -> None:
    """Flapping: the two ends part for 3 to 45 s, at no period."""
    rng = hop.rng
    at = hop.began + float(rng.exponential(60))
    pause = float(rng.uniform(90, 420))
    while at < hop.ended:
        lasts = float(rng.uniform(3, 45))
        hop.take((hop.at_s >= at) & (hop.at_s < at + lasts))
        hop.sometimes.append((at + lasts + 1, {"radio_connected_s": 1.0, "port_carrier_changes": 2.0}))
        at += lasts + 15 + float(rng.exponential(pause))
    hop.facts = {"radio_signal_dbm": rng.uniform(-66, -50)}
    hop.healthy = hop.facts


def bad_plug(hop: Hop) -> None:
    """Damaged frames of a wire: lost, never late; often more when the cable moves."""
    rng, on = hop.rng, hop.during()
    share = rng.uniform(0.01, 0.08) * np.exp(0.5 * _walk(hop, 60)) * _shape(hop)
    hop.take(on, np.clip(share, 0, 0.5))
    hop.facts = {"port_errors": 900.0, "port_frames": 40_000.0, "port_speed_bps": 1e9, "port_able_bps": 1e9,
                 "port_full_duplex": 1.0}  # fmt: skip
    hop.healthy = hop.facts | {"port_errors": 0.0}


def broken_pair(hop: Hop) -> None:
    """A gigabit port on two pairs: bursts queue at a tenth of the rate."""
    rng, on = hop.rng, hop.during()
    full = np.zeros(hop.at_s.size, bool)
    at = hop.began
    while at < hop.ended:
        lasts = rng.exponential(8)
        full |= (hop.at_s >= at) & (hop.at_s < at + lasts)
        at += lasts + rng.exponential(12)
    full &= on
    hop.hold(full, rng.uniform(0.005, 0.05, int(full.sum())))
    hop.take(full, 0.01)
    hop.facts = {"port_speed_bps": 1e8, "port_able_bps": 1e9, "port_full_duplex": 1.0, "port_errors": 0.0,
                 "port_frames": 40_000.0}  # fmt: skip
    hop.healthy = hop.facts | {"port_speed_bps": 1e9}


def old_switch(hop: Hop) -> None:
    """Half duplex: collisions, late and lost together."""
    rng, on = hop.rng, hop.during()
    hit = on & (rng.random(hop.at_s.size) < rng.uniform(0.1, 0.35))
    hop.hold(hit, rng.exponential(0.025, int(hit.sum())))
    hop.take(on, rng.uniform(0.01, 0.04))
    hop.facts = {"port_speed_bps": 1e8, "port_able_bps": 1e8, "port_full_duplex": 0.0}
    hop.healthy = hop.facts | {"port_full_duplex": 1.0}


def busy_street(hop: Hop) -> None:
    """Evening congestion: a ramp over hours, a queue that comes and goes under it, mostly downstream."""
    rng, on = hop.rng, hop.during()
    into = (hop.at_s - hop.began) / (hop.ended - hop.began)
    ramp = np.sin(np.pi * np.clip(into, 0.08, 0.92)) ** rng.uniform(0.5, 1.5)
    level = rng.uniform(0.015, 0.06) * ramp * np.exp(0.35 * _walk(hop, rng.uniform(20, 200)))
    which = on & (~hop.up | (rng.random(hop.at_s.size) < 0.3))
    hop.hold(which, (level * rng.uniform(0.5, 1.5, hop.at_s.size))[which])
    hop.take(which, rng.uniform(0.0, 0.01) * ramp)
    hop.clock_s = float(rng.uniform(18.2, 19.3)) * 3600 - hop.began


def loses_its_line(hop: Hop) -> None:
    """Retrains: nothing passes for 25 to 100 s, one to five times."""
    rng = hop.rng
    for at in rng.uniform(hop.began, hop.ended - 120, int(rng.integers(2, 6))):
        hop.take((hop.at_s >= at) & (hop.at_s < at + rng.uniform(25, 100)))


def line_is_dead(hop: Hop) -> None:
    """Nothing passes for 6 to 40 min."""
    hop.ended = min(hop.ended, hop.began + float(hop.rng.uniform(360, 2400)))
    hop.take(hop.during())


def _queue(hop: Hop, up: bool) -> Floats:
    """Seconds in which the home fills its line, and the queue that it makes."""
    rng = hop.rng
    count = int(hop.at_s.max()) + 3
    busy = np.zeros(count)
    at = hop.began
    while at < hop.ended:
        lasts = float(rng.uniform(40, 400))
        busy[int(at) : int(at + lasts)] = 1.0
        at += lasts + float(rng.uniform(5, 60))
    depth = float(rng.uniform(0.04, 0.35))
    fill = np.convolve(busy, np.ones(5) / 5, "same") * depth
    which = hop.during() & (hop.up == up) & (busy[hop.at_s.astype(int)] > 0)
    held = fill[hop.at_s.astype(int)] * rng.uniform(0.6, 1.0, hop.at_s.size)
    hop.hold(which, held[which])
    hop.take(which, 0.01)
    return np.where(busy > 0, rng.uniform(0.9, 1.0, count), np.clip(rng.normal(0.04, 0.03, count), 0, 0.2))


def sends_backup(hop: Hop) -> None:
    """An upload fills the line."""
    hop.use_up = _queue(hop, up=True)


def fetches_game(hop: Hop) -> None:
    """A download fills the line."""
    hop.use_down = _queue(hop, up=False)


def unknown_wait(hop: Hop) -> None:
    """A constant excess both ways: no row describes it, and none may be named."""
    which = hop.during()
    hop.hold(which, float(hop.rng.uniform(0.02, 0.05)))
    hop.clock_s = float(hop.rng.uniform(2, 11)) * 3600


def unknown_stutter(hop: Hop) -> None:
    """Spells at random of no known source, late and lost at once."""
    rng = hop.rng
    at = hop.began
    while at < hop.ended:
        lasts = float(rng.exponential(4))
        on = (hop.at_s >= at) & (hop.at_s < at + lasts)
        hop.hold(on, rng.exponential(0.05, int(on.sum())))
        hop.take(on, 0.4)
        at += lasts + float(rng.exponential(35))
    hop.clock_s = float(rng.uniform(2, 11)) * 3600


def nothing(hop: Hop) -> None:
    """A healthy twin."""
