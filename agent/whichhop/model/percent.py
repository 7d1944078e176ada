"""Shares and probabilities as people read them: "12 %", the blank by ISO 80000-1 (7.1.4)."""


def percent(share: float, places: int = 0) -> str:
    """The share (1 is the whole) in percent; what only rounds to nothing or to all does not read as that."""
    text = f"{share:.{places}%}"
    if places and float(text[:-1]) in (0.0, 100.0):
        least = f"{10**-places:.{places}f}"
        some, most = f"under {least} %", f"over {100 - 10**-places:.{places}f} %"
        return {0.0: "0 %", 1.0: "100 %"}.get(share, some if share < 0.5 else most)
    return text.replace("%", " %")


def lost_words(share: float) -> str:
    """How many packets were lost: "2.1 % of the packets were lost", "no packet was lost"."""
    if share >= 0.0005:
        return f"{percent(share, 1)} of the packets were lost"
    return "under 0.1 % of the packets were lost" if share else "no packet was lost"


def probability_words(probability: float) -> str:
    """A probability as a reader may take it: no evidence makes anybody 100 % sure, nor 0 %."""
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else percent(probability)
