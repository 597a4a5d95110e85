"""A Brook in software, with a resistor of 10 kohm for a cell: `python -m luggin_brook.simulated` prints its port."""

import asyncio
import contextlib
import sys

OHM = 10e3


class SimulatedBrook:
    def __init__(self) -> None:
        self.millivolts, self.closed = 0.0, False

    def answer(self, words: list[str]) -> str:
        match words:
            case ["who"]:
                return "ok sn-1"
            case ["set", text] if abs(float(text)) <= 1500:
                self.millivolts = float(text)
                return "ok"
            case ["cell", ("on" | "off") as word]:
                self.closed = word == "on"
                return "ok"
            case ["read"]:
                millivolts = self.millivolts if self.closed else 0.0
                return f"ok {millivolts:.3f} {millivolts / OHM * 1e3:.3f} {'on' if self.closed else 'off'}"
        return "no such request"

    async def attend(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError):
            while line := await reader.readline():
                number, *words = line.decode().split()
                writer.write(f"{number} {self.answer(words)}\n".encode())
        writer.close()


async def main() -> None:
    server = await asyncio.start_server(SimulatedBrook().attend, "127.0.0.1", 0)
    sys.stdout.write(f"{server.sockets[0].getsockname()[1]}\n")
    sys.stdout.flush()
    await server.serve_forever()


if __name__ == "__main__":
    asyncio.run(main())
