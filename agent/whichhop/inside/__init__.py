"""Why a hop is slow: the cause inside what a verdict names, by its packets' shape and by counters."""
