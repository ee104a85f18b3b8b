#!/usr/bin/env python3
"""A Modbus gateway on pymodbus, driven by the test that starts it.

    pymodbus_gateway.py tcp|rtu [PORT]

"rtu" serves RTU frames over TCP, as a transparent serial server does. The
gateway listens on the loopback port, a free one if none is given, and prints
"listening PORT". It then obeys one command a line on standard input and
answers each with "done":

    set UNIT TABLE ADDRESS VALUE   TABLE: coil discrete holding input
    drop UNIT                      the unit is asked in vain from now on
    close                          stops listening and breaks every connection
    open                           listens on the same port again

Units exist from their first "set" on. A unit that is not there is answered
with exception 0B, as a gateway does whose device stays silent. An address that was
not set is refused with exception 02.
"""
import asyncio
import logging
import sys

from pymodbus.datastore import ModbusServerContext, ModbusSlaveContext, ModbusSparseDataBlock
from pymodbus.server.async_io import ModbusTcpServer
from pymodbus.transaction import ModbusRtuFramer, ModbusSocketFramer

CODES = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}


class Units(ModbusServerContext):
    """The units by number; one that is missing raises, and the server says 0B."""

    def __init__(self):
        super().__init__(slaves={}, single=False)

    def slaves(self):
        """Let the framer pass every unit, or it would drop those that are missing without a word."""
        return list(range(1, 248))

    def put(self, unit, table, address, value):
        if unit not in self:
            blocks = [ModbusSparseDataBlock({0xFFFF: 0}) for _ in CODES]
            self[unit] = ModbusSlaveContext(di=blocks[0], co=blocks[1], hr=blocks[2], ir=blocks[3], zero_mode=True)
        block = self[unit].store[{1: "c", 2: "d", 3: "h", 4: "i"}[CODES[table]]]
        block.values[address] = value


class Gateway:
    def __init__(self, framer, port):
        self.units, self.framer, self.server, self.port = Units(), framer, None, port

    async def open(self):
        self.server = ModbusTcpServer(self.units, framer=self.framer, address=("127.0.0.1", self.port),
                                      allow_reuse_address=True)
        task = asyncio.create_task(self.server.serve_forever())
        await self.server.serving
        self.port = self.server.server.sockets[0].getsockname()[1]
        task.add_done_callback(lambda t: t.exception() if not t.cancelled() else None)

    async def close(self):
        for connection in list(self.server.active_connections.values()):
            connection.transport.abort()
        await self.server.server_close()

    async def obey(self, words):
        if words[0] == "set":
            self.units.put(int(words[1]), words[2], int(words[3], 0), int(words[4], 0))
        elif words[0] == "drop":
            del self.units[int(words[1])]
        elif words[0] == "close":
            await self.close()
        elif words[0] == "open":
            await self.open()
        else:
            raise ValueError("unknown command: " + " ".join(words))


async def main():
    logging.disable()  # what it refuses is the test's business
    gateway = Gateway({"tcp": ModbusSocketFramer, "rtu": ModbusRtuFramer}[sys.argv[1]],
                      int(sys.argv[2]) if len(sys.argv) > 2 else 0)
    await gateway.open()
    print("listening", gateway.port, flush=True)
    loop = asyncio.get_running_loop()
    while True:
        line = await loop.run_in_executor(None, sys.stdin.readline)
        if not line:
            return
        await gateway.obey(line.split())
        print("done", flush=True)


asyncio.run(main())
