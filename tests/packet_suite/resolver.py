"""A name server that answers late or not at all when told: `resolver.py ADDRESS FILE`.

The file holds two numbers, seconds of delay and share of questions left unanswered; it is read anew at each
question. The messages are dnspython's.
"""

import asyncio
import random
import sys
from pathlib import Path
from typing import Any

import dns.flags
import dns.message
import dns.rrset

ADDRESS = "203.0.113.9"


class Resolver(asyncio.DatagramProtocol):
    def __init__(self, orders: Path) -> None:
        self.orders = orders
        self.dice = random.Random(1)

    def connection_made(self, transport: Any) -> None:
        self.transport = transport

    def datagram_received(self, data: bytes, addr: Any) -> None:
        delay_s, unanswered = map(float, self.orders.read_text().split())
        if self.dice.random() < unanswered:
            return
        asked = dns.message.from_wire(data)
        answer = dns.message.make_response(asked)
        answer.flags |= dns.flags.RA
        answer.answer = [dns.rrset.from_text(asked.question[0].name, 60, "IN", "A", ADDRESS)]
        loop = asyncio.get_running_loop()
        loop.call_later(delay_s, self.transport.sendto, answer.to_wire(), addr)


async def main() -> None:
    loop = asyncio.get_running_loop()
    await loop.create_datagram_endpoint(lambda: Resolver(Path(sys.argv[2])), local_addr=(sys.argv[1], 53))
    print("ready", flush=True)
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(main())
