"""What a step takes: time and money, each from the least to the most."""

from enum import StrEnum


class Effort(StrEnum):
    """How long it takes, the least first."""

    MINUTES = "minutes"
    HOUR = "about an hour"
    HOURS = "some hours"
    VISIT = "a call, then days of waiting for a visit"


class Cost(StrEnum):
    """What it costs, the least first."""

    NOTHING = "no cost"
    SMALL = "small cost: a cable or a part"
    MIDDLING = "medium cost: a pair of adapters or a small machine"
    LARGE = "large cost: a new box"
