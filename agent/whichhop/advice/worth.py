"""What counts how much where steps are ranked, and what an addition to the home takes."""

from whichhop.model.inner_cause import Effort

KNOWING = 0.5
"""Knowing whose fault it is mends nothing yet: it counts half of what mending would. Our own choice."""
EFFORT = {1: Effort.MINUTES, 2: Effort.MINUTES, 3: Effort.HOUR, 4: Effort.HOURS}
"""By the comparer's order of additions, the least first."""
