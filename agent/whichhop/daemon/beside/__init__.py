"""What runs beside the probes: the comparer, and watches over route, modem, links and own traffic."""
