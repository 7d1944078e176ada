"""The only room that meets the kernel: clocks, sockets, timestamps, interface facts."""
