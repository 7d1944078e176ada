"""What a store's records and readings hold, for whoever judges."""
