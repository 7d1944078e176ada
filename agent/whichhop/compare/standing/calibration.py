"""Maps the odds of a standing fault to the probability that is published."""

NAMED_RIGHT = (243, 240)
"""Groups named after ten minutes, in 242 homes with one fault and 60 without, and how many of them were right
(tests/standing/README.md)."""
MOST = (NAMED_RIGHT[1] + 1) / (NAMED_RIGHT[0] + 2)
"""What the model believes beyond this it cannot know: Laplace's rule of succession on the suite's cases."""


def published(probability: float) -> float:
    """A probability that was found true; never more than the suite bears out."""
    return min(probability, MOST)
