"""A home's agents: where they are asked, how they join, meet, learn and leave."""
