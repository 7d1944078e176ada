"""Names of the readings that tell what an agent's own link to a neighbour could carry: NAME:NEIGHBOUR."""

PORT_SPEED = "port_speed_bps"
FULL_DUPLEX = "port_full_duplex"
"""1 or 0."""
RADIO_RATE = "radio_rate_bps"
RADIO_RECEIVE = "radio_receive_rate_bps"
"""Link rates as the radio sends to and receives from the neighbour now."""
RADIO_SIGNAL = "radio_signal_dbm"
OF_LINKS = (PORT_SPEED, FULL_DUPLEX, RADIO_RATE, RADIO_RECEIVE, RADIO_SIGNAL)
