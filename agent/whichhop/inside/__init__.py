"""Why a hop is slow: the cause inside what a verdict names, from the shape of its packets and from counters."""
