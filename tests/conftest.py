"""What holds for all tests: hypothesis sets no deadline, since the machine may be busy with other work."""

from hypothesis import settings

settings.register_profile("whichhop", deadline=None)
settings.load_profile("whichhop")
