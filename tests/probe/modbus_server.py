"""A process that serves registers with another library than ours; its argument is the framing, its output the port."""

import asyncio
import socket
import sys

from pymodbus import FramerType, ModbusDeviceIdentification
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice


async def serve(framer: FramerType) -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    floats = SimData(address=0, values=[171.25, 20.125, 4.0], datatype=DataType.FLOAT32)
    whole = SimData(address=10, values=[1712, 2010], datatype=DataType.INT16)
    names = {"VendorName": "Acorn", "ProductCode": "VAT-1 0007"}
    identity = ModbusDeviceIdentification(info_name=names)  # type: ignore[no-untyped-call]
    devices = [SimDevice(id=number, simdata=[floats, whole], identity=identity) for number in (1, 7)]
    server = ModbusTcpServer(devices, framer=framer, address=("127.0.0.1", port))
    await server.serve_forever(background=True)
    sys.stdout.write(f"{port}\n")
    sys.stdout.flush()
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(serve(FramerType(sys.argv[1])))
