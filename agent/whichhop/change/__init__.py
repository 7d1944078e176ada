"""Before and after: what a noted change did, and how surely. Pure."""
