"""What holds for all tests: hypothesis sets no deadline (the machine may be busy), and SIGINT is heard."""

import signal

from hypothesis import settings

settings.register_profile("whichhop", deadline=None)
settings.load_profile("whichhop")

# A shell that starts the tests in its background has them ignore SIGINT, and what they start inherits that;
# some programs are interrupted on purpose.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
