"""Runs one agent until it is told to stop."""

import asyncio
import os
import signal

from whichhop.config.found_addresses import VARIABLE, found_addresses_path
from whichhop.config.known_agents import VARIABLE as AGENTS
from whichhop.daemon.assembly import Daemon, say
from whichhop.daemon.home_in_use import read_home
from whichhop.daemon.options import RunOptions
from whichhop.net.process import ask_short_slices, settle_memory
from whichhop.net.system import HERE


def _use_epoch_beside_the_records(options: RunOptions) -> None:
    """Where the home file's folder is not the daemon's to write, what it learned is with its records."""
    os.environ[AGENTS] = str(options.identity_file.with_suffix(".agents"))
    if options.key_in_use != options.key_file:
        os.environ["WHICHHOP_EPOCH"] = str(options.identity_file.with_suffix(".revoked"))


async def _run(options: RunOptions) -> int:
    beside = found_addresses_path(options.store)
    if beside.exists() and not found_addresses_path(options.home_file).exists():
        os.environ[VARIABLE] = str(beside)
    _use_epoch_beside_the_records(options)
    first = await read_home(options, options.node)
    daemon, loop = Daemon(options, first), asyncio.get_running_loop()
    if HERE.hang_up:
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, daemon.stopping.set)
        loop.add_signal_handler(signal.SIGHUP, daemon.reload_soon)
    for lacking in HERE.words:
        say(f"on {HERE.name} {lacking}")
    try:
        await daemon.start()
        ask_short_slices()
        settle_memory()
        await daemon.stopping.wait()
    finally:
        await daemon.stop()
    if daemon.failure:
        say(f"ended by a fault of its own: {daemon.failure}")
        return 1
    say("stopped")
    return 0


def run_agent(options: RunOptions) -> int:
    """Run until SIGTERM or SIGINT. Exit code 0 stopped as asked, 1 a fault of our own."""
    # Windows' usual loop cannot watch sockets of our own; this one can, everywhere.
    with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:
        try:
            return runner.run(_run(options))
        except KeyboardInterrupt:
            return 0  # where no signal can be handled, the runner ends the agent in good order
