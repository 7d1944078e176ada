"""Maps the odds of a standing fault to the probability that is published."""

NAMED_RIGHT = (400, 396)
"""Named faults and healthy homes blamed, and how many of these were right; see tests/standing."""
MOST = (NAMED_RIGHT[1] + 1) / (NAMED_RIGHT[0] + 2)
"""What the model believes beyond this it cannot know: Laplace's rule of succession on the suite's cases."""


def published(probability: float) -> float:
    """A probability that was found true; never more than the suite bears out."""
    return min(probability, MOST)
