"""The program's first lines: `python -m whichhop`, and the command that an installation makes."""

import gc
import signal


def main() -> int:
    """Run one verb; see `whichhop.cli.main`.

    Until everything is loaded Ctrl-C just ends the process, as for a program in C: there is nothing to put
    away yet, and an interrupted import would be told as a fault of ours, in thirty lines.
    """
    taken = signal.getsignal(signal.SIGINT)
    if taken is signal.default_int_handler:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    # Hardly anything that loading makes is rubbish: looking for it took a tenth of the start (`cli._loaded`).
    gc.disable()
    from whichhop import cli  # noqa: PLC0415 - it is the loading that is interrupted

    signal.signal(signal.SIGINT, taken)
    return cli.main()


if __name__ == "__main__":
    raise SystemExit(main())
