"""The page at "/": the newest bulletin as HTML, or this agent's own figures where it does not compare."""
