"""A share as people read it: "12 %", with the blank of ISO 80000-1 (7.1.4) before the sign."""


def percent(share: float, places: int = 0) -> str:
    """The share (1 is the whole) in percent."""
    return f"{share:.{places}%}".replace("%", " %")
