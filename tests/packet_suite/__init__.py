"""The comparer held against faults of real packets: emulated homes, agents as shipped, scripted truth."""
