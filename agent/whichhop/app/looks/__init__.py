"""One look at something: this machine, the modem, a hop, a transfer."""
