"""The labelled suite: homes on paper whose truth is known, and how each method answers."""
