"""Lets `python -m whichhop` work."""

from whichhop.cli import main

raise SystemExit(main())
