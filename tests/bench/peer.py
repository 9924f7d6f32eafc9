"""The peer: what a careful engineer writes in Python for the same job, with the best libraries there are.

pymodbus' asyncio client on uvloop, one connection a device; ten registers a request, scaled; one line of line protocol
a value, written in batches by influxdb-client's asyncio client. It keeps no store, so a line that is lost stays lost:
the gateway does more for its figure.

Tuned, each step measured to help or at least not to hurt:
- uvloop instead of the stock loop;
- aiohttp beneath influxdb-client (its asyncio client), not the batching client, which spends more on its Rx pipeline
  than on the lines; bytes are handed over as they are, without Point objects; no gzip, which on loopback only costs;
- everything of a line that does not change is built once; one time stamp a reply;
- words are taken from the reply as pymodbus gives them, not through its converters;
- writing overlaps polling; what waits is bounded;
- garbage collection frozen after set-up and made rare; logging off.

    peer.py --ports 1,2,3 [--sink URL] [--period SECONDS]

Runs until SIGTERM. With a period it keeps an absolute schedule, devices spread evenly over the period, late polls
skipped; without one it polls as fast as replies come. At the end it prints one line of JSON: how late polls started,
and its own getrusage.
"""

import argparse
import asyncio
import gc
import json
import logging
import os
import resource
import signal
import time

import uvloop
from influxdb_client.client.influxdb_client_async import InfluxDBClientAsync
from pymodbus.client import AsyncModbusTcpClient

REGISTERS = 10
SCALE = 0.01
BATCH_LINES = 5_000
BATCHES_IN_FLIGHT = 2
FLUSH_SECONDS = 1.0
# Starts left out while connections settle.
SETTLE_SECONDS = 3.0


class Writer:
    """Gathers lines and writes them in batches, a bounded number at a time."""

    def __init__(self, url):
        self.client = InfluxDBClientAsync(url=url, token="bench", org="bench", enable_gzip=False)
        self.api = self.client.write_api()
        self.lines = []
        self.in_flight = set()

    async def add(self, lines):
        self.lines += lines
        if len(self.lines) >= BATCH_LINES:
            await self.flush()

    async def flush(self):
        if not self.lines:
            return
        body = "\n".join(self.lines).encode()
        self.lines = []
        while len(self.in_flight) >= BATCHES_IN_FLIGHT:
            await asyncio.wait(self.in_flight, return_when=asyncio.FIRST_COMPLETED)
        task = asyncio.ensure_future(self.api.write(bucket="bench", record=body, write_precision="ms"))
        self.in_flight.add(task)
        task.add_done_callback(self.in_flight.discard)

    async def flush_for_ever(self):
        while True:
            await asyncio.sleep(FLUSH_SECONDS)
            await self.flush()


class Device:
    """One device on a connection of its own."""

    def __init__(self, index, port, writer):
        self.index = index
        self.client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=3, retries=0)
        self.prefixes = [f"probe,device=d{index},probe=p{i},site=bench value=" for i in range(REGISTERS)]
        self.writer = writer

    async def poll(self):
        reply = await self.client.read_input_registers(0, count=REGISTERS, device_id=1)
        if reply.isError():
            raise RuntimeError(f"device {self.index}: {reply}")
        values = [word * SCALE for word in reply.registers]
        if self.writer is None:
            return values
        stamp = time.time_ns() // 1_000_000
        await self.writer.add([f"{p}{v} {stamp}" for p, v in zip(self.prefixes, values)])

    async def poll_for_ever(self):
        while True:
            await self.poll()

    async def poll_every(self, period, start, lateness):
        planned = start
        while True:
            await asyncio.sleep(planned - time.monotonic())
            actual = time.monotonic()
            lateness.append((planned, actual - planned))
            await self.poll()
            planned += period
            while planned < time.monotonic():
                planned += period


async def main():
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--ports", required=True)
    arguments.add_argument("--sink")
    arguments.add_argument("--period", type=float)
    arguments = arguments.parse_args()
    logging.disable(logging.CRITICAL)
    writer = Writer(arguments.sink) if arguments.sink else None
    devices = [Device(i, int(port), writer) for i, port in enumerate(arguments.ports.split(","))]
    for device in devices:
        if not await device.client.connect():
            raise RuntimeError(f"device {device.index} does not answer")
    stop = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    gc.collect()
    gc.freeze()
    gc.set_threshold(100_000, 50, 50)

    lateness = []
    start = time.monotonic() + 0.5
    if arguments.period:
        spread = arguments.period / len(devices)
        polls = [d.poll_every(arguments.period, start + i * spread, lateness) for i, d in enumerate(devices)]
    else:
        polls = [d.poll_for_ever() for d in devices]
    tasks = [asyncio.ensure_future(poll) for poll in polls]
    if writer:
        tasks.append(asyncio.ensure_future(writer.flush_for_ever()))
    stopping = asyncio.ensure_future(stop.wait())
    await asyncio.wait([*tasks, stopping], return_when=asyncio.FIRST_COMPLETED)
    failed = [t.exception() for t in tasks if t.done()]
    if failed:
        raise failed[0]
    if writer:
        await writer.flush()
    usage = resource.getrusage(resource.RUSAGE_SELF)
    print(json.dumps({
        "lateness_ms": quantiles([late * 1e3 for at, late in lateness if at >= start + SETTLE_SECONDS]),
        "user_s": usage.ru_utime,
        "system_s": usage.ru_stime,
    }), flush=True)
    # Clients that are cancelled reconnect; there is nothing left that needs an orderly end.
    os._exit(0)


def quantiles(values):
    values = sorted(values)
    if not values:
        return None
    at = lambda q: values[min(len(values) - 1, int(q * len(values)))]
    return {"count": len(values), "p50": at(0.5), "p99": at(0.99), "p999": at(0.999), "max": values[-1]}


uvloop.run(main())
